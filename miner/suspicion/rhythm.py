"""One displaced or absent event is listed as itself and does not drag its neighbours along.

The place where the cycle expects an event is read off its neighbours. A displaced event therefore shows, smaller, in
the places of its neighbours, and the interval after it is as wrong as its own. And where the engine computer moves all
timing at once (retard at a gear change, knock), events on both sides of the step lie off a place read off both: an
event that agrees with its neighbours on one side is usual. Timing of one cylinder alone moves as well, for tens of
turns (retard of the cylinder that knocks). And what the engine computer holds is the place of the spark: a charge that
lasts longer begins earlier.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.suspicion.baseline import Distance
from miner.suspicion.context import Context
from miner.suspicion.measures import column_values, seen_values
from miner.suspicion.robust import mad_sigma, running_median, shrunk
from miner.suspicion.shrinking import believed

__all__ = ["RHYTHM", "explain_rhythm"]

Floats = NDArray[np.float64]

PLACE = "timing_residual_deg"
RHYTHM = (PLACE, "interval_us")
ON_TIME, WIDTH = "on_time_us", "feedback_width_us"

LOUD_SIGMA = 5.0
ECHO = 0.6
"""A neighbour's displacement explains up to this share of its own size in the events around it."""

ONE_SIDE_NOISE = 3.9
"""Noise of the difference between the places expected from four slots before and from four after, over that of one
event: a quadratic through four equally spaced points, read one step on, carries (9 + 25 + 9 + 81) / 16 = 7.75 times
their variance, and there are two of them."""

STEP_DOUBT = 3.0
"""Standard errors at which half of such a difference is believed to be a step."""

LASTS_TURNS = 9
"""Turns before an event, or after it, over most of which a cylinder must be displaced to be so for a reason of the
engine computer: more than a burst of faults, less than retard against knock takes to come back (own choice)."""

LEVEL_NOISE = 1.25 / LASTS_TURNS**0.5
"""Noise of the median of so many, over that of one (under a normal law)."""

CHARGE_EVENTS, CHARGE_DOUBT = 4, 3.0
"""Events before and after one, as many as its place is read off, whose on-times tell by how much its own is another,
and sigma of a believed difference: the largest and the least of nine lie 3 sigma apart by chance (own choice)."""

INTERVAL_ECHO = 1.1
"""An interval is wrong by as much as the interval before it, the other way round."""


def explain_rhythm(distances: list[Distance], events: pa.Table, context: Context) -> list[Distance]:
    """Return the distances with the rhythm of events beside a displaced or absent one explained by it."""
    absent = np.zeros(events.num_rows, dtype=bool)
    for lead in ("command", "feedback"):
        absent |= seen_values(events, f"{lead}_seen") == 0
    told = [_in_place(d, distances, events, context) if d.measure.column == PLACE else d for d in distances]
    for on_time in (d for d in distances if d.measure.column == ON_TIME):
        told = [_follows_on_time(d, on_time) if d.measure.column == WIDTH else d for d in told]
    return [_explained(d, absent, context) if d.measure.column in RHYTHM else d for d in told]


def _in_place(distance: Distance, distances: list[Distance], events: pa.Table, context: Context) -> Distance:
    """Return the places in the cycle without what the engine computer or the speed of the engine accounts for."""
    distance = _less(distance, *_lasting(distance, context))
    return _alone(_stepped(_less(distance, *_charged_for_longer(distances, context)), events))


def _less(distance: Distance, low: Floats, high: Floats) -> Distance:
    """Return the distances with nothing odd between ``low <= 0`` and ``high >= 0``, off the usual value."""
    residual = np.nan_to_num(distance.residual.astype(np.float64))
    left = np.abs(residual - np.clip(residual, low, high)) / np.maximum(np.abs(residual), 1e-300)
    return replace(distance, z=(distance.z * left).astype(np.float32))


def _lasting(distance: Distance, context: Context) -> tuple[Floats, Floats]:
    """Return between which places nothing is odd because the same cylinder stays there, before or after an event."""
    low, high = np.zeros((2, distance.z.size))
    for group in range(context.n_groups):
        rows = np.flatnonzero((context.group == group) & np.isfinite(distance.z))
        if not rows.size:
            continue
        # places themselves: what is usual beside neighbours that were moved is none of this cylinder
        usual, doubt = distance.usual[rows].astype(np.float64), 2.0 * LEVEL_NOISE * distance.sigma[rows]
        place = usual + distance.residual[rows]
        beyond = np.pad(place, LASTS_TURNS, constant_values=np.median(place))
        level = np.median(_windows(beyond, LASTS_TURNS), axis=1)
        sides = shrunk(level[: rows.size] - usual, doubt), shrunk(level[LASTS_TURNS + 1 :] - usual, doubt)
        low[rows], high[rows] = np.minimum(*sides).clip(max=0.0), np.maximum(*sides).clip(min=0.0)
    return low, high


def _charged_for_longer(distances: list[Distance], context: Context) -> tuple[Floats, Floats]:
    """Return between which places nothing is odd because the coil is charged for longer, or less, than those around it.

    The width of the answers stands for the on-time where that was not measured: many answers end with the charge.
    """
    low, high = np.zeros((2, context.time_s.size))
    for distance in (d for d in distances if d.measure.column in (ON_TIME, WIDTH)):
        rows = np.flatnonzero(np.isfinite(distance.z))
        if rows.size <= CHARGE_EVENTS:
            continue
        lasts_us = np.exp((distance.usual[rows] + distance.residual[rows]).astype(np.float64))
        apart_us, noise_us = lasts_us - running_median(lasts_us, context.n_groups), np.zeros(rows.size)
        for group in range(context.n_groups):  # what one coil always does is not about this event
            own = np.flatnonzero(context.group[rows] == group)
            if own.size > 1:
                apart_us[own] = lasts_us[own] - np.median(apart_us[own])
                noise_us[own] = mad_sigma(np.diff(lasts_us[own])) / 2**0.5
        degrees = 6e-6 * context.rpm[rows]
        less, more = _than_around(apart_us, CHARGE_DOUBT * noise_us)
        low[rows], high[rows] = np.minimum(low[rows], -degrees * more), np.maximum(high[rows], -degrees * less)
    return low, high


def _follows_on_time(width: Distance, on_time: Distance) -> Distance:
    """Return the widths of the answers with the steps of the on-time taken for steps of theirs, in microseconds.

    Many answers last until the charge ends.
    """
    if on_time.steps is None:
        return width
    lasts, width_us = (np.nan_to_num(np.exp((d.usual + d.residual).astype(np.float64))) for d in (on_time, width))
    of_width = lasts / np.maximum(width_us, 1e-9)
    return _less(width, on_time.steps.low * of_width, on_time.steps.high * of_width)


def _than_around(x: Floats, doubt: Floats) -> tuple[Floats, Floats]:
    """Return (less, more): the differences to the largest and to the least of the events around, as far as sure."""
    around = _windows(np.pad(x, CHARGE_EVENTS, mode="reflect"), 2 * CHARGE_EVENTS + 1)
    return shrunk(x - around.max(axis=1), doubt), shrunk(x - around.min(axis=1), doubt)


def _windows(x: Floats, n: int) -> Floats:
    return np.asarray(np.lib.stride_tricks.sliding_window_view(x, n))


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
    return replace(distance, z=(distance.z * (1.0 - stepped + stepped * left)).astype(np.float32))


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
