"""What is usual: for this cylinder, at this speed, supply and state, beside its neighbours and the other cylinders.

The usual value of a measure is the sum of three parts, each robust on its own:

* conditions: what this cylinder does at this speed, supply and state anywhere in the recording (`usual_here`);
* common movement: what the other cylinders do within a cycle of this moment, the median of their residuals. It
  stands in for a supply voltage that was not recorded and for steps of load that move all cylinders;
* course: the running median of the same cylinder's residuals over `COURSE_EVENTS` neighbours on each side. It follows
  slow drift; bursts shorter than that do not move it.

The noise around it is `noise_of`. Where a condition was visited by few events, the distance is taken from Student's t
with as many degrees of freedom as events speak for it, so that its limits are honestly wider.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from zlib import crc32

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.suspicion.context import Conditions, Context
from miner.suspicion.measures import MEASURES, Measure, column_values, judged_values, seen_values
from miner.suspicion.noise import LEAST_EVENTS, noise_of, roughness
from miner.suspicion.robust import (
    BLOCK_EVENTS,
    COURSE_EVENTS,
    mad_sigma,
    normal_from_t,
    resolution,
    running_median,
    shrunk,
)
from miner.suspicion.shared import Steps, shared_steps
from miner.suspicion.shrinking import believed
from miner.suspicion.threads import side_by_side
from miner.suspicion.usual import usual_here

__all__ = ["Distance", "measure_distances"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

LEVEL_EVENTS = 100
COURSE_REACH = 4.0
REACH_DOUBT = 2.0
CHANGING_SHARE, TURNING_SHARE = 0.5, 0.3
"""Least share of the change of the usual value around an event, and of that of the crank angle from slot to slot, that
it is unsure by: the engine computer acts on another moment, and where the engine turns its acceleration changes too."""

STEP_SHARE = 0.25
"""Share of what is within reach that the usual value itself is unsure by, as a sigma: own choice."""

TOLD_APART = 0.35
"""Least noise in steps of a quantised measure: rounding alone makes 1 / sqrt(12)."""

LEAST_OTHERS = 3
STEP_DOUBT = 3.0


@dataclass(frozen=True, kw_only=True)
class Distance:
    """One measure of every event against its usual value; NaN where not measured.

    Single precision (a few parts in ten million) is far finer than any measurement, and there are many of these.

    Attributes
    ----------
    measure : Measure
    usual : ndarray (n,)
        On the scale the measure is judged on.
    residual : ndarray (n,)
        Measured minus usual, same scale.
    sigma : ndarray (n,)
        Noise, same scale.
    z : ndarray (n,)
        Signed distance in sigma, as improbable as the same number under a normal law.
    lift : float
        What was added to the measure before its logarithm.
    steps : Steps or None
        What other cylinders show as well; None where that does not count.
    """

    measure: Measure
    usual: Singles
    residual: Singles
    sigma: Singles
    z: Singles
    lift: float
    steps: Steps | None

    def usual_in_unit(self, rows: Ints) -> Floats:
        """Return the usual value of some rows in the measure's own unit."""
        usual = self.usual[rows].astype(np.float64)
        return usual if self.measure.scale == "linear" else np.exp(usual) - self.lift


def measure_distances(
    events: pa.Table, context: Context, *, steps: Mapping[str, Steps | None] | None = None
) -> list[Distance]:
    """Return the distance from usual of every measure that was recorded.

    ``steps`` by column, where they are known from elsewhere.
    """
    seen = {lead: seen_values(events, f"{lead}_seen") for lead in ("command", "feedback")}
    with_timing = np.isfinite(column_values(events, "timing_residual_deg")).mean() > 0.5
    conditions = {supply: Conditions(context, supply=supply) for supply in (True, False)}
    found: list[tuple[Measure, Floats, float]] = []
    for measure in MEASURES:
        if measure.column == "interval_us" and with_timing:
            continue  # the same displacement, measured less well
        values, lift = judged_values(events, measure)
        if measure.lead in seen:
            values[seen[measure.lead] == 0] = np.nan
        if np.isfinite(values).sum() >= LEAST_EVENTS:
            found.append((measure, values, lift))

    def distance(one: tuple[Measure, Floats, float]) -> Distance:
        column = one[0].column
        return _distance(*one, context, conditions[column != "supply_v"], (steps or {}).get(column))

    return side_by_side(distance, found)


def _distance(
    measure: Measure, values: Floats, lift: float, context: Context, conditions: Conditions, steps: Steps | None
) -> Distance:
    groups = np.zeros_like(context.group) if measure.pooled else context.group
    members = [np.flatnonzero((groups == group) & np.isfinite(values)) for group in np.unique(groups)]
    members = [rows for rows in members if rows.size]
    values, step = _unrounded(values, members, context.learns, measure)
    residual, spoken_for = values.copy(), np.ones(values.size)
    low, high = np.zeros((2, values.size))
    for rows in members:
        here = usual_here(values[rows], rows, context, conditions, tabled=measure.tabled)
        residual[rows] -= here.usual
        spoken_for[rows], low[rows], high[rows] = here.leverage, here.low, here.high
    quick, rough = np.full((2, values.size), np.nan)
    for rows in members:
        quick[rows] = residual[rows] - (0.0 if measure.pooled else running_median(residual[rows], COURSE_EVENTS))
        rough[rows] = roughness(quick[rows], learns=context.learns[rows], bases=partial(_noise_bases, conditions, rows))
    if not measure.pooled and context.n_groups > 1:
        # what stays for a while is left to the course, which reads it off more events than the few of others
        movement, unsure_of = _common_movement(np.where(context.learns, quick, np.nan), rough, context)
        residual -= movement
        residual -= np.clip(residual, -unsure_of, unsure_of)
    sigma = np.full(values.size, np.nan)
    turning = _speed_change_deg(context) if measure.column == "timing_residual_deg" else np.zeros(values.size)
    for rows in members:
        learns = context.learns[rows]
        if not measure.pooled:
            # without a supply lead on-time goes up and down with loads that nobody recorded, and stays there
            stays = measure.tabled and not conditions.with_supply
            residual[rows] -= _course(residual[rows], rough[rows], learns & (context.strata[rows] == 0), held=not stays)
        changing = _change_around((values - residual)[rows], context.segment[rows])
        # consumers move the supply all the time: a sag is judged against all of that
        least = mad_sigma(residual[rows]) if measure.pooled else 0.0
        conditions_here = (context.rpm,) if measure.column == "supply_v" else (context.supply_v, context.rpm)
        sigma[rows] = noise_of(
            residual[rows],
            rough=rough[rows],
            learns=learns,
            least=max(least, measure.floor, TOLD_APART * step[rows[0]]),
            changes=((changing, CHANGING_SHARE), (turning[rows], TURNING_SHARE), (_jerk(context, rows), 0.0)),
            along=[condition[rows] for condition in conditions_here],
        )
    # only now: what is within reach must not make the noise look small; nor does it count while the noise covers it
    residual -= np.clip(residual, shrunk(low, REACH_DOUBT * sigma), shrunk(high, REACH_DOUBT * sigma))
    if measure.tabled:
        steps = steps or shared_steps(residual, sigma, context)
        residual -= np.clip(residual, steps.low, steps.high)
    sigma = np.hypot(sigma, STEP_SHARE * (high - low))
    z = normal_from_t(residual / sigma, 1.0 / np.maximum(spoken_for, 1e-9) - 1.0)
    return Distance(
        measure=measure,
        usual=(values - residual).astype(np.float32),
        residual=residual.astype(np.float32),
        sigma=sigma.astype(np.float32),
        z=z.astype(np.float32),
        lift=lift,
        steps=steps,
    )


def _unrounded(
    values: Floats, members: list[Ints], learns: NDArray[np.bool_], measure: Measure
) -> tuple[Floats, Floats]:
    """Return the values spread evenly over what rounds to them, and the step of each.

    On a grid of a few counts no law fits the tail: one count is far too common, the next not to be had. Spread out
    (dithered, subtractive noise of one step: Schuchman 1964, from memory), as many lie beyond any distance as before.
    """
    out, step = values.copy(), np.zeros(values.size)
    rng = np.random.default_rng(crc32(measure.column.encode()))
    for rows in members:
        taught = values[rows][learns[rows]] if learns[rows].any() else values[rows]
        step[rows] = resolution(taught)
        out[rows] += step[rows] * (rng.random(rows.size) - 0.5)
    return out, step


def _noise_bases(conditions: Conditions, rows: Ints, places: Ints) -> Floats:
    return conditions.noise(rows[places])


def _common_movement(residual: Floats, rough: Floats, context: Context) -> tuple[Floats, Floats]:
    """Return what is believed of the median residual of the other cylinders around each event, and its half-range.

    A median of m noisy values carries 1.25 sigma / sqrt(m) of noise of its own; ``rough`` is the shape of sigma. Where
    the others stand apart before and after the event, a load has just stepped, and anything between the two is usual
    for the event in between.
    """
    own = [np.flatnonzero((context.group == group) & np.isfinite(residual)) for group in range(context.n_groups)]
    together, step = np.zeros((2, residual.size))
    n_before, n_after = np.zeros((2, residual.size), dtype=np.int64)
    for first in range(0, residual.size, BLOCK_EVENTS):
        rows = np.arange(first, min(first + BLOCK_EVENTS, residual.size))
        before, after = _others(residual, context, own, rows)
        counts = np.isfinite(before).sum(axis=1), np.isfinite(after).sum(axis=1)
        together[rows] = _row_medians(np.concatenate([before, after], axis=1), counts[0] + counts[1])
        apart = _row_medians(after, counts[1]) - _row_medians(before, counts[0])
        step[rows] = np.where(np.minimum(*counts) < LEAST_OTHERS, 0.0, apart)
        n_before[rows], n_after[rows] = counts
    apart = (residual - together) / rough
    sigma = 1.25 * mad_sigma(apart[np.isfinite(apart)]) * rough
    noise = sigma / np.sqrt(np.maximum(n_before + n_after, 1))
    movement = np.zeros_like(together)
    for stratum in np.unique(context.strata):  # conditions explain less while the engine is lively
        rows = np.flatnonzero(context.strata == stratum)
        movement[rows] = believed(together[rows], noise[rows])
    doubt = STEP_DOUBT * sigma * np.sqrt(1 / np.maximum(n_before, 1) + 1 / np.maximum(n_after, 1))
    return movement, np.abs(shrunk(step, doubt)) / 2


def _others(residual: Floats, context: Context, own: list[Ints], rows: Ints) -> tuple[Floats, Floats]:
    """Return two (rows, k) arrays: residuals of the other cylinders' nearest events before and after, else NaN.

    ``own`` are the events of each cylinder that have a residual, ascending.
    """
    turns = -(-LEAST_OTHERS // (context.n_groups - 1))
    before = [np.full(rows.size, np.nan)]
    after = [np.full(rows.size, np.nan)]
    for group, events in enumerate(own):
        if events.size == 0:
            continue
        place = np.searchsorted(events, rows)
        for step in (*range(-turns, 0), *range(turns)):
            neighbour = events[np.clip(place + step, 0, events.size - 1)]
            usable = (context.group[rows] != group) & (context.segment[neighbour] == context.segment[rows])
            usable &= (neighbour < rows) if step < 0 else (neighbour > rows)
            apart_s = np.abs(context.time_s[neighbour] - context.time_s[rows])
            usable &= apart_s < (turns + 1.5) * context.cycle_s[rows]
            (before if step < 0 else after).append(np.where(usable, residual[neighbour], np.nan))
    return np.stack(before, axis=1), np.stack(after, axis=1)


def _row_medians(x: Floats, count: Ints) -> Floats:
    """Return the median of the finite values of each row; 0 where there are too few."""
    ordered = np.sort(x, axis=1)  # NaN goes last
    row = np.arange(len(x))
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, x.shape[1] - 1)
    return np.where(count >= LEAST_OTHERS, (ordered[row, low] + ordered[row, high]) / 2, 0.0)


def _course(residual: Floats, rough: Floats, learns: Bools, *, held: bool) -> Floats:
    """Return the slow movement of one cylinder's residuals, taught by the trusted rows of calm driving.

    What a short stretch shows besides a longer one counts as far as it is believed; ``rough`` is the shape of the
    noise. ``held``, it stays within what it does around the level of the longer stretch, so that a burst of large
    faults stays in sight, while a level that lasts (load, a warm coil) is usual.
    """
    taught = np.flatnonzero(learns)
    if taught.size < LEAST_EVENTS:
        return np.full_like(residual, np.median(residual))
    course = running_median(residual[taught], COURSE_EVENTS)
    noise = mad_sigma((residual[taught] - course) / rough[taught]) * rough[taught]
    level = running_median(residual[taught], LEVEL_EVENTS)
    away = course - level
    if held:
        limit = COURSE_REACH * mad_sigma(away) + noise
        away = np.clip(away, -limit, limit)
    # the shorter stretch is part of the longer
    away = believed(away, 1.25 * noise * np.sqrt(1 / (2 * COURSE_EVENTS + 1) - 1 / (2 * LEVEL_EVENTS + 1)))
    return np.asarray(np.interp(np.arange(residual.size), taught, level + away), dtype=np.float64)


def _speed_change_deg(context: Context) -> Floats:
    """Return how much the crank angle between neighbouring events changes from one to the next, in degrees.

    A displaced event moves the speed over its cycle by its own size over 720 degrees only, so it hides itself hardly.
    """
    if context.rpm.size < 2:
        return np.zeros(context.rpm.size)
    speed = np.where(np.isfinite(context.rpm), context.rpm, 0.0)
    spacing_s = np.minimum(np.abs(np.gradient(context.time_s)), context.cycle_s)
    return np.asarray(6.0 * spacing_s * np.abs(np.gradient(speed)), dtype=np.float64)


def _jerk(context: Context, rows: Ints) -> Floats:
    """Return how much the acceleration changes around each event: the computer foretells the crank by the last."""
    pull = context.acceleration[rows]
    return np.abs(np.gradient(pull)) if pull.size > 1 else np.zeros_like(pull)


def _change_around(usual: Floats, segment: Ints) -> Floats:
    """Return half the range of the usual value from the event before to the event after, within one stretch.

    The engine computer acts on speed and supply of a moment earlier, and both are measured over a cycle: while the
    usual value moves, it is known no better than that.
    """
    before, after = np.roll(usual, 1), np.roll(usual, -1)
    starts = np.concatenate([[True], np.diff(segment) > 0])
    ends = np.concatenate([starts[1:], [True]])
    before, after = np.where(starts, usual, before), np.where(ends, usual, after)
    span = np.maximum.reduce([before, usual, after]) - np.minimum.reduce([before, usual, after])
    return np.asarray(np.where(starts | ends, span, span / 2), dtype=np.float64)
