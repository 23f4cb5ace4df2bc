"""The noise around what is usual: how far a healthy event of this cylinder strays under these conditions.

A robust regression of the log of the residual's size gives its shape (cranking is wilder than cruising). It is raised
where the residuals of this recording say so, and only as far as they say more than chance would:

* while the usual value moves from event to event, because the engine computer acts on speed and supply of another
  moment than the measured one;
* along speed and supply: beside the edge of a step in the engine computer's table either of two values is usual;
* in a stretch of the recording that is noisier for long;
* all over, where the residuals have shoulders (an on-time now and then one step of a table off).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from miner.suspicion.robust import (
    MAD_TO_SIGMA,
    RobustFit,
    mad_sigma,
    predicted,
    robust_regression,
    running_median,
    shrunk,
)

__all__ = ["LEAST_EVENTS", "noise_of", "noise_shape", "roughness"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

LEAST_EVENTS = 8
FIT_EVENTS = 12_000
AROUND_EVENTS = 100
SHOULDER, SHOULDER_SIGMA = 0.97, 2.1701
"""A share of the residuals, and how many sigma a normal law puts around it."""

SPREAD, SPREAD_SIGMA = 0.90, 1.6449
SPREAD_ERROR, MEDIAN_ERROR = 1.46, 1.17
"""Relative standard error of a sigma read off the 90 % point or the median of n sizes is this over the root of n
(asymptotic variance of a quantile, p (1 - p) / (n f^2), for a normal law)."""

CHANCE = 2.5
"""So many standard errors are chance: a factor never lowers, and several are looked at (own choice)."""


def noise_shape(residual: Floats, x: Floats) -> RobustFit:
    """Fit the log of the residual's size; a share of the middle size keeps exact zeros finite."""
    size = np.abs(residual)
    middle = max(float(np.median(size)), 1e-12)
    return robust_regression(x, np.log(size + 0.05 * middle), redescend=False, n_steps=6)


def roughness(residual: Floats, *, learns: Bools, bases: Callable[[Ints], Floats]) -> Floats:
    """Return the shape of the noise of one cylinder, its level left open: what the conditions say of each event.

    Parameters
    ----------
    residual : ndarray (n,)
        Measured minus usual, without what moves slowly.
    learns : ndarray (n,)
        Rows that may teach; all do where there are too few.
    bases : callable
        Returns the conditions (m, q) that the log of the noise may depend on, for m of the n places.
    """
    taught = _taught(learns)
    some = taught[:: max(1, -(-taught.size // FIT_EVENTS))]
    return np.exp(predicted(noise_shape(residual[some], bases(some)), bases, np.arange(residual.size)))


def noise_of(
    residual: Floats,
    *,
    rough: Floats,
    learns: Bools,
    least: float,
    changes: Sequence[tuple[Floats, float]],
    along: Sequence[Floats],
) -> Floats:
    """Return the noise (sigma) of each event of one cylinder.

    Parameters
    ----------
    residual : ndarray (n,)
        Measured minus usual.
    rough : ndarray (n,)
        Shape of the noise (`roughness`).
    learns : ndarray (n,)
        Rows that may teach; all do where there are too few.
    least : float
        What the measurement can tell apart.
    changes : sequence of (ndarray (n,), float)
        By how much the usual value moves around each event, for one reason or another, and the share of it that it is
        unsure by at least.
    along : sequence of ndarray (n,)
        Conditions along which the noise may be larger in places; NaN where not recorded.
    """
    taught = _taught(learns)
    sigma = rough * max(mad_sigma(residual[taught] / rough[taught]), 1e-12)
    sigma = np.maximum(sigma, least)
    for change, least_share in changes:
        sigma = np.maximum(sigma * _raised_by(change, residual, sigma, taught), least_share * change)
    for condition in along:
        sigma *= _raised_along(condition, np.abs(residual) / sigma, taught)
    size = np.abs(residual) / sigma
    sigma *= max(float(np.quantile(size[taught], SHOULDER)) / SHOULDER_SIGMA, 1.0)
    half = min(AROUND_EVENTS, (residual.size - 1) // 4)
    around = running_median(np.abs(residual) / sigma, AROUND_EVENTS) * MAD_TO_SIGMA
    return np.asarray(sigma * _raised(around, MEDIAN_ERROR, half), dtype=np.float64)


def _taught(learns: Bools) -> Ints:
    return np.flatnonzero(learns) if learns.sum() >= LEAST_EVENTS else np.arange(learns.size)


def _raised(ratio: Floats, error: float, half: int) -> Floats:
    """Return the factor (at least 1) of a noise seen ``ratio`` times as large in windows of ``2 half + 1`` events."""
    return 1.0 + shrunk(np.maximum(ratio - 1.0, 0.0), CHANCE * error / np.sqrt(2 * half + 1))


def _window(n: int) -> int:
    return min(AROUND_EVENTS, n // 40)


def _running_spread(sizes: Floats, half: int) -> Floats:
    """Return the spread of the sizes around each; windows go on mirrored: the outermost must not fill its own."""
    from scipy.ndimage import percentile_filter

    return np.asarray(percentile_filter(sizes, 100 * SPREAD, size=2 * half + 1, mode="reflect") / SPREAD_SIGMA)


def _raised_along(condition: Floats, size: Floats, taught: Ints) -> Floats:
    """Return the factor (at least 1) that the sizes in sigma, in order of one condition, ask for."""
    known = taught[np.isfinite(condition[taught])]
    half = _window(known.size)
    if half < LEAST_EVENTS:
        return np.ones_like(size)
    order = known[np.argsort(condition[known], kind="stable")]
    factor = _raised(_running_spread(size[order], half), SPREAD_ERROR, half)
    where = np.where(np.isfinite(condition), condition, np.median(condition[known]))
    return np.asarray(np.interp(where, condition[order], factor), dtype=np.float64)


def _raised_by(change: Floats, residual: Floats, sigma: Floats, taught: Ints) -> Floats:
    """Return the factor (at least 1) for what the usual value is unsure by while it moves by ``change``.

    Read off the residuals in order of the change over the noise, as a share of both together: beside changes that are
    large the residuals grow with the change, beside small ones (down to nothing) they stay as they are.
    """
    moved = taught[change[taught] > 0]
    half = _window(moved.size)
    if half < LEAST_EVENTS:
        return np.ones_like(sigma)
    ratio = change / sigma
    order = moved[np.argsort(ratio[moved], kind="stable")]
    share = _running_spread(np.abs(residual[order]) / np.hypot(sigma, change)[order], half)
    return _raised(np.hypot(1.0, ratio) * np.interp(ratio, ratio[order], share), SPREAD_ERROR, half)
