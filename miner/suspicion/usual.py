"""The usual value of one cylinder's measure from the conditions alone: speed, supply, state, time since the start.

A robust regression over the whole recording gives the straight lines, boosted trees the tables of the engine computer
(`tables`), and how far its idea of speed and supply may be off says between which values none is odd (`reach`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.suspicion.context import Conditions, Context
from miner.suspicion.noise import LEAST_EVENTS, noise_shape
from miner.suspicion.reach import Model, reaching
from miner.suspicion.robust import (
    BLOCK_EVENTS,
    COURSE_EVENTS,
    mad_sigma,
    predicted,
    robust_regression,
)
from miner.suspicion.tables import Table, fit_table, inputs_of

__all__ = ["Usual", "usual_here"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

FIT_EVENTS = 3000


@dataclass(frozen=True, kw_only=True)
class Usual:
    """Usual value of each event of one cylinder.

    Attributes
    ----------
    usual : ndarray (n,)
    leverage : ndarray (n,)
        One over the number of events that speak for it.
    low, high : ndarray (n,)
        Between ``usual + low`` and ``usual + high`` no value is odd; ``low <= 0 <= high``.
    """

    usual: Floats
    leverage: Floats
    low: Floats
    high: Floats


def usual_here(values: Floats, rows: Ints, context: Context, conditions: Conditions, *, tabled: bool) -> Usual:
    """Return the usual value from the conditions alone, for the ``rows`` of one cylinder."""
    learns = context.learns[rows]
    taught = np.flatnonzero(learns) if learns.sum() >= LEAST_EVENTS else np.arange(rows.size)
    taught = _spread_sample(taught, context.state[rows], context.since[rows])
    x, noise_x = conditions.mean(rows[taught]), conditions.noise(rows[taught])
    first = robust_regression(x, values[taught], redescend=False)
    residual = values - predicted(first, conditions.mean, rows)
    sigma = np.exp(noise_shape(residual[taught], noise_x).predict(noise_x))
    slow_y, share = _slow_part(values, residual)
    quick_x = [quick[_inside(taught, part)] for part, _, quick in _blocks(conditions, rows, share)]
    fit = robust_regression(np.concatenate(quick_x), (values - share * slow_y)[taught], sigma=sigma)
    usual, leverage = np.empty_like(values), np.empty_like(values)
    for part, x, quick in _blocks(conditions, rows, share):
        usual[part], leverage[part] = fit.predict(x), fit.leverage(quick)
    usual += np.median((values - usual)[taught])  # the level itself may have gone with the slow part
    table, looked_up = Table(), np.zeros_like(values)
    if tabled:
        inputs = inputs_of(context, rows, supply=conditions.with_supply)
        table, looked_up = fit_table(values - usual, inputs, learns)
        usual += looked_up
    model = Model(fit=fit, table=table, looked_up=looked_up, context=context, conditions=conditions)
    noise = sigma * mad_sigma((values - usual)[taught] / sigma)
    low, high = reaching(model, rows, taught, (values - usual)[taught], noise)
    return Usual(usual=usual, leverage=leverage, low=low, high=high)


def _slow_part(values: Floats, residual: Floats) -> tuple[Floats, float]:
    """Return the local means of the values, and the share to take off of them, and of the bases', before the fit.

    A level that wanders slowly for reasons not recorded would otherwise be mistaken for an effect of the speeds that
    happened to be driven meanwhile. The share is that of the random-effects estimator for T values a window:
    1 - sqrt(fast / (fast + T slow)), fast and slow being the variances within and between windows (Fuller and
    Battese, Journal of Econometrics 2, 1974; from memory).
    """
    width = _slow_width(values.size)
    scale = max(mad_sigma(residual), 1e-12)
    tame = np.clip(residual, -3 * scale, 3 * scale)
    between = _local_mean(tame, width)
    fast = mad_sigma(tame - between) ** 2
    slow = max(mad_sigma(between) ** 2 - fast / width, 0.0)
    share = 1.0 - float(np.sqrt(fast / max(fast + width * slow, 1e-24)))
    return _local_mean(values - residual + tame, width), share


def _slow_width(n: int) -> int:
    return min(2 * COURSE_EVENTS + 1, max(1, n // 4))


def _local_mean(x: Floats, width: int) -> Floats:
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(x, width, axis=0, mode="nearest"), dtype=np.float64)


def _blocks(conditions: Conditions, rows: Ints, slow_share: float) -> Iterator[tuple[slice, Floats, Floats]]:
    """Yield places among the rows, their bases, and these without the share of their local means, block by block."""
    width = _slow_width(rows.size)
    for first in range(0, rows.size, BLOCK_EVENTS):
        stop = min(first + BLOCK_EVENTS, rows.size)
        before = min(first, width)
        x = conditions.mean(rows[first - before : stop + width])
        quick = x - slow_share * _local_mean(x, width)
        inner = slice(before, before + stop - first)
        yield slice(first, stop), x[inner], quick[inner]


def _inside(places: Ints, part: slice) -> Ints:
    """Return those of the ascending places that lie in a part, counted from its beginning."""
    first, stop = np.searchsorted(places, (part.start, part.stop))
    return np.asarray(places[first:stop] - part.start, dtype=np.int64)


def _spread_sample(rows: NDArray[np.int64], state: NDArray[np.int8], since: Floats) -> NDArray[np.int64]:
    """Return at most `FIT_EVENTS` evenly spaced rows of each operating state and of the cycles after a start."""
    stratum = np.where(since[rows] < 15, -1, state[rows])
    picked = [rows[stratum == s] for s in np.unique(stratum)]
    return np.sort(np.concatenate([p[:: max(1, -(-p.size // FIT_EVENTS))] for p in picked]))
