"""One displaced or absent event is listed as itself and does not drag its neighbours along.

The place where the cycle expects an event is read off its neighbours. A displaced event therefore shows, smaller, in
the places of its neighbours, and the interval after it is as wrong as its own. And where the engine computer moves all
timing at once (retard at a gear change, knock), events on both sides of the step lie off a place read off both: an
event that agrees with its neighbours on one side is usual.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.suspicion.baseline import Distance
from miner.suspicion.context import Context
from miner.suspicion.measures import column_values, seen_values
from miner.suspicion.shrinking import believed

__all__ = ["RHYTHM", "explain_rhythm"]

Floats = NDArray[np.float64]

RHYTHM = ("timing_residual_deg", "interval_us")

LOUD_SIGMA = 5.0
ECHO = 0.6
"""A neighbour's displacement explains up to this share of its own size in the events around it."""

ONE_SIDE_NOISE = 3.9
"""Noise of the difference between the places expected from four slots before and from four after, over that of one
event: a quadratic through four equally spaced points, read one step on, carries (9 + 25 + 9 + 81) / 16 = 7.75 times
their variance, and there are two of them."""

STEP_DOUBT = 3.0
"""Standard errors at which half of such a difference is believed to be a step."""

INTERVAL_ECHO = 1.1
"""An interval is wrong by as much as the interval before it, the other way round."""


def explain_rhythm(distances: list[Distance], events: pa.Table, context: Context) -> list[Distance]:
    """Return the distances with the rhythm of events beside a displaced or absent one explained by it."""
    absent = np.zeros(events.num_rows, dtype=bool)
    for lead in ("command", "feedback"):
        absent |= seen_values(events, f"{lead}_seen") == 0
    told = [_alone(_stepped(d, events)) if d.measure.column == "timing_residual_deg" else d for d in distances]
    return [_explained(d, absent, context) if d.measure.column in RHYTHM else d for d in told]


def _stepped(distance: Distance, events: pa.Table) -> Distance:
    """Return the places in the cycle as near as the events before, or those after, expect.

    Where the three readings disagree by more than the noise of the one-sided ones, timing was moved or the engine's
    speed turned, and an event that either side finds in place is in place.
    """
    both, before, after = (
        column_values(events, name)
        for name in ("timing_residual_deg", "timing_from_before_deg", "timing_from_after_deg")
    )
    beside = np.minimum(before * np.sign(both), after * np.sign(both)).clip(min=0.0)
    apart = np.maximum.reduce([np.abs(before - after), np.abs(both - before), np.abs(both - after)]) ** 2
    doubt = (STEP_DOUBT * ONE_SIDE_NOISE * distance.sigma.astype(np.float64)) ** 2
    believed = np.nan_to_num(apart / (apart + doubt))
    left = np.nan_to_num(np.minimum(beside / np.maximum(np.abs(both), 1e-12), 1.0), nan=1.0)
    return replace(distance, z=(distance.z * (1.0 - believed + believed * left)).astype(np.float32))


def _alone(distance: Distance) -> Distance:
    """Return the displacements without what both neighbours share: that is the speed of the engine, which turned.

    As far as that is believed: of three healthy events in a row one in four goes the same way by chance. A single
    displaced event pushes its neighbours the other way.
    """
    residual = np.nan_to_num(distance.residual.astype(np.float64))
    before, after = np.concatenate([[0.0], residual[:-1]]), np.concatenate([residual[1:], [0.0]])
    alike = (np.sign(before) == np.sign(residual)) & (np.sign(after) == np.sign(residual))
    beside = believed((before + after) / 2, distance.sigma.astype(np.float64) / np.sqrt(2.0))
    shared = np.where(alike, np.abs(np.nan_to_num(beside)), 0.0)
    left = np.maximum(np.abs(residual) - shared, 0.0) / np.maximum(np.abs(residual), 1e-300)
    return replace(distance, z=(distance.z * left).astype(np.float32))


def _explained(distance: Distance, absent: NDArray[np.bool_], context: Context) -> Distance:
    echo = INTERVAL_ECHO if distance.measure.column == "interval_us" else ECHO
    own = distance.measure.column == "interval_us"
    residual = distance.residual.astype(np.float64)
    displaced = np.where(np.abs(np.nan_to_num(distance.z)) > LOUD_SIGMA, np.nan_to_num(residual), 0.0)
    nearest = np.zeros_like(displaced)
    beside_absent = np.zeros_like(absent)
    for rows in [np.flatnonzero(context.group == g) for g in range(context.n_groups)] if own else [slice(None)]:
        reach = 1 if own else context.n_groups
        nearest[rows] = _largest_beside(np.abs(displaced[rows]), reach)
        beside_absent[rows] = _largest_beside(absent[rows].astype(np.float64), reach) > 0
    left = np.maximum(np.abs(residual) - echo * nearest, 0.0)
    loudest = np.abs(displaced) > nearest  # the displaced event itself is not explained by its own echoes
    share = np.where(loudest, 1.0, left / np.maximum(np.abs(residual), 1e-300))
    share = np.where(beside_absent, 0.0, share)
    return replace(distance, z=(distance.z * share).astype(np.float32))


def _largest_beside(x: Floats, reach: int) -> Floats:
    """Return the largest of the ``reach`` values before and after each, itself left out; 0 where there is none."""
    largest = np.zeros_like(x)
    for step in range(1, min(reach, x.size - 1) + 1):
        np.maximum(largest[step:], x[:-step], out=largest[step:])
        np.maximum(largest[:-step], x[step:], out=largest[:-step])
    return largest
