"""Robust statistics: what the middle of the data says, whatever a few faults do.

Sources: MAD as sigma: Iglewicz and Hoaglin, How to Detect and Handle Outliers, ASQC vol. 16, 1993 (NIST/SEMATECH
e-Handbook 1.3.5.17); Huber and Tukey weights with their 95 % efficiency constants: Holland and Welsch, Communications
in Statistics A6, 1977 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BLOCK_EVENTS",
    "MAD_TO_SIGMA",
    "RobustFit",
    "mad_sigma",
    "resolution",
    "robust_regression",
    "running_median",
]

Floats = NDArray[np.float64]

MAD_TO_SIGMA = 1.482602218505602
"""One over the 75 % point of the standard normal distribution."""

_HUBER, _TUKEY = 1.345, 4.685

BLOCK_EVENTS = 16_384
"""Events whose bases are held at a time."""

SETTLED = 0.01
"""A fit whose values move by less than this share of the noise in one step has settled."""


def mad_sigma(x: Floats) -> float:
    """Return the standard deviation that the median absolute deviation of ``x`` stands for; 0 for no values.

    Where more than half of the values are equal the MAD is 0 and says nothing; the mean absolute deviation
    takes over (times 1.253314, the normal distribution's ratio).
    """
    if x.size == 0:
        return 0.0
    distance = np.abs(x - np.median(x))
    mad = float(np.median(distance))
    return mad * MAD_TO_SIGMA if mad > 0 else float(np.mean(distance)) * 1.253314


def resolution(x: Floats) -> float:
    """Return the step of quantised values in order of time; 0 where they do not repeat (not quantised).

    The lower decile of the differences between neighbours that are none: where the grid itself moves (a pulse's
    amplitude is off a level that drifts), all values that ever occur lie closer than one can move.
    """
    if not 2 <= np.unique(x).size <= 0.5 * x.size:
        return 0.0
    apart = np.abs(np.diff(x))
    steps = apart[apart > 1e-9 * np.abs(x).max()]
    return float(np.quantile(steps, 0.1, method="higher")) if steps.size else 0.0


def running_median(x: Floats, half_width: int) -> Floats:
    """Return the median of each value and its ``half_width`` neighbours on both sides; ends repeat the last value.

    The window shrinks to what a short series can carry. A burst shorter than ``half_width`` does not move it
    and a step stays a step.
    """
    from scipy.ndimage import median_filter

    half = min(half_width, (x.size - 1) // 4)
    if half < 1:
        return np.full_like(x, np.median(x)) if x.size else x.copy()
    return np.asarray(median_filter(x, size=2 * half + 1, mode="nearest"), dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class RobustFit:
    """Coefficients of a robust regression."""

    coefficients: Floats

    def predict(self, x: Floats) -> Floats:
        """Return the fitted value for each row of ``x`` (n, p)."""
        return np.asarray(x @ self.coefficients)


def robust_regression(
    x: Floats, y: Floats, *, sigma: Floats | None = None, redescend: bool = True, n_steps: int = 12
) -> RobustFit:
    """Fit ``y = x @ b`` by iteratively reweighted least squares.

    A weak ridge says that no effect is larger than the range of ``y``, so that bases that hardly vary stay harmless.
    Huber weights first; with ``redescend``, Tukey's biweight in the second half of the steps, so that a burst of
    faults ends with no weight at all.

    Parameters
    ----------
    x : ndarray of shape (n, p)
        Bases scaled to a range of about one; the first column is the intercept and is not penalised.
    y : ndarray of shape (n,)
    sigma : ndarray of shape (n,), optional
        Relative scale of each row's noise.
    redescend : bool, default=True
    n_steps : int, default=12
    """
    spread = np.ones_like(y) if sigma is None else sigma
    base = 1.0 / spread**2
    base = base / np.median(base)
    weights = base
    reach = max(float(np.ptp(np.quantile(y, (0.01, 0.99)))), 1e-9)
    penalty = np.full(x.shape[1], 1e-9)
    coefficients: Floats = np.zeros(x.shape[1])
    coefficients[0] = np.median(y)
    stages = (False, True) if redescend else (False,)
    for redescending in stages:
        for _ in range(n_steps // len(stages)):
            centred = (y - x @ coefficients) / spread
            scale = max(mad_sigma(centred), 1e-12)
            weights = base * _weight(np.abs(centred) / scale, redescend=redescending)
            penalty[1:] = max((scale * float(np.median(spread)) / reach) ** 2, 1e-7)
            information = (x * weights[:, None]).T @ x + np.diag(penalty)
            before = coefficients
            coefficients = np.asarray(np.linalg.solve(information, x.T @ (weights * y)), dtype=np.float64)
            if float(np.max(np.abs(x @ (coefficients - before)) / spread)) < SETTLED * scale:
                break
    return RobustFit(coefficients=coefficients)


def _weight(u: Floats, *, redescend: bool) -> Floats:
    if redescend:
        return np.where(u < _TUKEY, (1 - (np.minimum(u, _TUKEY) / _TUKEY) ** 2) ** 2, 0.0)
    return np.minimum(1.0, _HUBER / np.maximum(u, 1e-12))
