"""One displaced or absent event is listed as itself and does not drag its neighbours along."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.events.columns import column_values, seen_values
from miner.expected.context import Context
from miner.expected.distance import Distance

__all__ = ["PLACES", "explain_place"]

_Floats = NDArray[np.float64]

PLACE = "timing_residual_deg"
PLACES = (PLACE, "interval_us")
LOUD_SIGMA = 5.0
ECHO, INTERVAL_ECHO = 0.4, 1.1
ONE_SIDE_NOISE = 3.9
STEP_DOUBT = 3.0


def explain_place(distances: list[Distance], events: pa.Table, context: Context) -> list[Distance]:
    """Return the distances with the places of events beside a displaced or absent one explained by it."""
    absent = np.zeros(events.num_rows, dtype=bool)
    for lead in ("command", "feedback"):
        absent |= seen_values(events, f"{lead}_seen") == 0
    told = [_of_the_crank(_stepped(d, events), context) if d.measure.column == PLACE else d for d in distances]
    return [_explained(d, absent, context) if d.measure.column in PLACES else d for d in told]


def _less(distance: Distance, left: _Floats) -> Distance:
    """Return the distances with only a share of each left, the rest being usual."""
    left = np.nan_to_num(left, nan=1.0)
    residual = (distance.residual * left).astype(np.float32)
    return replace(
        distance,
        residual=residual,
        z=(distance.z * left).astype(np.float32),
        usual=distance.usual + (distance.residual - residual),
    )


def _stepped(distance: Distance, events: pa.Table) -> Distance:
    """Return the places in the cycle as near as the events before, or those after, expect.

    Where the three readings disagree by more than the noise of the one-sided ones, timing was moved or the engine's
    speed turned, and an event that either side finds in place is in place.
    """
    both, before, after = (
        column_values(events, name) for name in (PLACE, "timing_from_before_deg", "timing_from_after_deg")
    )
    beside = np.minimum(before * np.sign(both), after * np.sign(both)).clip(min=0.0)
    apart = np.maximum.reduce([np.abs(before - after), np.abs(both - before), np.abs(both - after)]) ** 2
    doubt = (STEP_DOUBT * ONE_SIDE_NOISE * distance.sigma.astype(np.float64)) ** 2
    stepped = np.nan_to_num(apart / (apart + doubt))
    left = np.nan_to_num(np.minimum(beside / np.maximum(np.abs(both), 1e-12), 1.0), nan=1.0)
    return _less(distance, 1.0 - stepped + stepped * left)


SLOWING = 0.08
"""Share of a firing interval that a crank may lose over the firings after one that gave no torque (common practice, no
source)."""


def _of_the_crank(distance: Distance, context: Context) -> Distance:
    """Return the places without what the crank did: it slows and stays behind, where a displaced event is alone.

    The interval before a late event is longer and the one after it shorter by as much. As far as they are not, the
    engine turned more slowly, within what it can.
    """
    residual = distance.residual.astype(np.float64)
    next_deg = np.append(context.interval_deg[1:], 0.0)
    before, after = context.excess[:, 0] * context.interval_deg, -context.excess[:, 2] * next_deg
    alone = np.where(before * after > 0, np.minimum(np.abs(before), np.abs(after)), 0.0) * (before * residual > 0)
    by_crank = np.clip(np.abs(residual) - alone, 0.0, SLOWING * context.firing_deg)
    return _less(distance, 1.0 - by_crank / np.maximum(np.abs(residual), 1e-300))


def _explained(distance: Distance, absent: NDArray[np.bool_], context: Context) -> Distance:
    own = distance.measure.column == "interval_us"
    echo = INTERVAL_ECHO if own else ECHO
    residual = distance.residual.astype(np.float64)
    displaced = np.where(np.abs(np.nan_to_num(distance.z)) > LOUD_SIGMA, np.nan_to_num(residual), 0.0)
    nearest = np.zeros_like(displaced)
    beside_absent = np.zeros_like(absent)
    for rows in [np.flatnonzero(context.group == g) for g in range(context.n_groups)] if own else [slice(None)]:
        reach = 1 if own else context.n_groups
        nearest[rows] = _largest_beside(np.abs(displaced[rows]), reach)
        beside_absent[rows] = _largest_beside(absent[rows].astype(np.float64), reach) > 0
    left = np.maximum(np.abs(residual) - echo * nearest, 0.0)
    loudest = np.abs(displaced) > nearest
    share = np.where(loudest, 1.0, left / np.maximum(np.abs(residual), 1e-300))
    return _less(distance, np.where(beside_absent, 0.0, share))


def _largest_beside(x: _Floats, reach: int) -> _Floats:
    """Return the largest of the ``reach`` values before and after each, itself left out; 0 where there is none."""
    largest = np.zeros_like(x)
    for step in range(1, min(reach, x.size - 1) + 1):
        np.maximum(largest[step:], x[:-step], out=largest[step:])
        np.maximum(largest[:-step], x[step:], out=largest[:-step])
    return largest
