"""Steps that other cylinders take as well: what several coils do around a moment is no one coil's fault.

An engine computer counts supply voltage in steps, filtered, and near the edge of one it goes to and fro between two
on-times, event by event, for all cylinders alike. Without a supply lead, or where its idea of the supply is another
than the one measured, nothing foretells which of the two comes next. But the other cylinders show the same step, of the
same size, within some seconds before and after. So the second most extreme of their residuals bounds what is usual.

Three things keep faults in sight: events less than a turn away do not count (one fault may hit all coils at once),
nothing beyond `LARGEST_STEP` is ever a step of a table, and going to and fro must be this engine's habit, seen in most
parts of the recording.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from miner.suspicion.context import Context
from miner.suspicion.rate import HABIT_PARTS
from miner.suspicion.robust import shrunk

__all__ = ["LARGEST_STEP", "Steps", "shared_steps"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

REACH_TURNS = 120
"""Of the firing sequence, before and after: some ten seconds, over which a supply voltage hardly leaves a step."""

LARGEST_STEP = 0.15
"""Of the log: neighbouring cells of a table of on-times are hardly further apart (own choice)."""

SHOWN = {False: 2, True: 4}
"""So many events must show as much: of other cylinders, or, where one coil alone is measured, of that one."""

NOTABLE_SIGMA, CALM_SHARE, STEP_SIGMA = 3.0, 0.05, 5.0
"""Residuals below so many sigma of the calmest events are a step for nobody. For one event a step is what is well
beyond so many of its own: of a thousand healthy events around it the second most extreme lies at three."""

SHARPNESS = 6
HABIT_SHARE = 0.5


@dataclass(frozen=True, kw_only=True)
class Steps:
    """Between ``low`` and ``high``, arrays (n,), ``low <= 0 <= high``, a residual is one that others show around it."""

    low: Singles
    high: Singles


def shared_steps(residual: Floats, sigma: Floats, context: Context) -> Steps:
    """Return what other cylinders show around each event.

    Parameters
    ----------
    residual : ndarray (n,)
        Log of measured over usual; NaN where not measured.
    sigma : ndarray (n,)
        Its noise.
    context : Context
    """
    low, high = np.zeros((2, residual.size), dtype=np.float32)
    seen = np.flatnonzero(np.isfinite(residual) & np.isfinite(sigma))
    if not seen.size:
        return Steps(low=low, high=high)
    n_groups = np.unique(context.group[seen]).size
    noise = STEP_SIGMA * sigma[seen]
    notable = np.flatnonzero(np.abs(residual[seen]) > NOTABLE_SIGMA * np.quantile(sigma[seen], CALM_SHARE))
    alone = n_groups < 2
    around = _extremes(
        residual[seen], notable, context.group[seen], context.segment[seen], n_groups * REACH_TURNS, n_groups, alone,
        SHOWN[alone],
    )  # fmt: skip
    for bound, found in zip((low, high), around, strict=True):
        step = np.clip(found, -LARGEST_STEP, LARGEST_STEP)
        shown = seen[np.abs(step) > noise]
        if np.unique(shown * HABIT_PARTS // residual.size).size >= HABIT_SHARE * HABIT_PARTS:
            bound[seen] = shrunk(step, noise, sharpness=SHARPNESS)  # the extreme of many is never 0
    return Steps(low=low, high=high)


@njit(cache=True, nogil=True)
def _extremes(
    residual: Floats, notable: Ints, group: Ints, segment: Ints, reach: int, turn: int, alone: bool, rank: int
) -> tuple[Floats, Floats]:
    """Return the rank-th lowest and highest of the notable residuals around each event, 0 at most and at least.

    Of the other groups, or of the only one. Events within a turn, and those of another stretch, do not count.
    """
    n = residual.size
    low, high = np.zeros(n), np.zeros(n)
    lowest, highest = np.empty(rank), np.empty(rank)
    first = 0
    for row in range(n):
        lowest[:], highest[:] = 0.0, 0.0
        while first < notable.size and notable[first] < row - reach:
            first += 1
        for other in notable[first:]:
            if other > row + reach:
                break
            own = group[other] == group[row]
            if abs(other - row) <= turn or own != alone or segment[other] != segment[row]:
                continue
            below, above = residual[other], residual[other]
            for k in range(rank):
                if below < lowest[k]:
                    lowest[k], below = below, lowest[k]
                if above > highest[k]:
                    highest[k], above = above, highest[k]
        low[row], high[row] = lowest[-1], highest[-1]
    return low, high
