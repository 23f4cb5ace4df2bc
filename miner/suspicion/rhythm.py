"""One displaced or absent event is listed as itself and does not drag its neighbours along.

The place where the cycle expects an event is read off its neighbours. A displaced event therefore shows, smaller, in
the places of its neighbours, and the interval after it is as wrong as its own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.suspicion.baseline import Distance
from miner.suspicion.context import Context
from miner.suspicion.measures import seen_values

__all__ = ["explain_rhythm"]

Floats = NDArray[np.float64]

RHYTHM = ("timing_residual_deg", "interval_us")

LOUD_SIGMA = 5.0
ECHO = 0.6
"""A neighbour's displacement explains up to this share of its own size in the events around it."""

INTERVAL_ECHO = 1.1
"""An interval is wrong by as much as the interval before it, the other way round."""


def explain_rhythm(distances: list[Distance], events: pa.Table, context: Context) -> list[Distance]:
    """Return the distances with the rhythm of events beside a displaced or absent one explained by it."""
    absent = np.zeros(events.num_rows, dtype=bool)
    for lead in ("command", "feedback"):
        absent |= seen_values(events, f"{lead}_seen") == 0
    return [_explained(d, absent, context) if d.measure.column in RHYTHM else d for d in distances]


def _explained(distance: Distance, absent: NDArray[np.bool_], context: Context) -> Distance:
    echo = INTERVAL_ECHO if distance.measure.column == "interval_us" else ECHO
    own = distance.measure.column == "interval_us"
    displaced = np.where(np.abs(np.nan_to_num(distance.z)) > LOUD_SIGMA, np.nan_to_num(distance.residual), 0.0)
    nearest = np.zeros_like(displaced)
    beside_absent = np.zeros_like(absent)
    for rows in [np.flatnonzero(context.group == g) for g in range(context.n_groups)] if own else [slice(None)]:
        reach = 1 if own else context.n_groups
        nearest[rows] = _largest_beside(np.abs(displaced[rows]), reach)
        beside_absent[rows] = _largest_beside(absent[rows].astype(np.float64), reach) > 0
    left = np.maximum(np.abs(distance.residual) - echo * nearest, 0.0)
    loudest = np.abs(displaced) > nearest  # the displaced event itself is not explained by its own echoes
    share = np.where(loudest, 1.0, left / np.maximum(np.abs(distance.residual), 1e-300))
    share = np.where(beside_absent, 0.0, share)
    return replace(distance, z=distance.z * share)


def _largest_beside(x: Floats, reach: int) -> Floats:
    """Return the largest of the ``reach`` values before and after each, itself left out; 0 where there is none."""
    largest = np.zeros_like(x)
    for step in range(1, min(reach, x.size - 1) + 1):
        np.maximum(largest[step:], x[:-step], out=largest[step:])
        np.maximum(largest[:-step], x[step:], out=largest[:-step])
    return largest
