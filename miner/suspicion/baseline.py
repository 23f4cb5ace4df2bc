"""What is usual: for this cylinder, at this speed, supply and state, beside its neighbours and the other cylinders.

The usual value of a measure is the sum of three parts, each robust on its own:

* conditions: a robust regression per cylinder over the whole recording (`Conditions.mean`), Tukey weights, so that a
  burst of faults has no say;
* common movement: what the other cylinders do within a cycle of this moment, the median of their residuals. It
  stands in for a supply voltage that was not recorded and for steps of load that move all cylinders;
* course: the running median of the same cylinder's residuals over `COURSE_EVENTS` neighbours on each side. It follows
  slow drift; bursts shorter than that do not move it.

The noise around it is a robust regression of the log of the residual's size (`Conditions.noise`): cranking is wilder
than cruising. Where a condition was visited by few events, the distance is taken from Student's t with as many degrees
of freedom as events speak for it, so that its limits are honestly wider.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.suspicion.context import Conditions, Context
from miner.suspicion.measures import MEASURES, Measure, column_values, judged_values, seen_values
from miner.suspicion.noise import LEAST_EVENTS, noise_of, noise_shape
from miner.suspicion.robust import (
    MAD_TO_SIGMA,
    RobustFit,
    mad_sigma,
    normal_from_t,
    resolution,
    robust_regression,
    running_median,
    shrunk,
)

__all__ = ["Distance", "measure_distances"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

COURSE_EVENTS = 15
LEVEL_EVENTS = 100
COURSE_REACH = 4.0
STAIR_EVENTS = 100
PARTED_SHARE = 0.02
LEAST_OTHERS = 3
STEP_DOUBT = 3.0
FIT_EVENTS = 3000


@dataclass(frozen=True, kw_only=True)
class Distance:
    """One measure of every event against its usual value; NaN where not measured.

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
    """

    measure: Measure
    usual: Floats
    residual: Floats
    sigma: Floats
    z: Floats
    lift: float

    def usual_in_unit(self, rows: NDArray[np.int64]) -> Floats:
        """Return the usual value of some rows in the measure's own unit."""
        return self.usual[rows] if self.measure.scale == "linear" else np.exp(self.usual[rows]) - self.lift


def measure_distances(events: pa.Table, context: Context) -> list[Distance]:
    """Return the distance from usual of every measure that was recorded."""
    seen = {lead: seen_values(events, f"{lead}_seen") for lead in ("command", "feedback")}
    with_timing = np.isfinite(column_values(events, "timing_residual_deg")).mean() > 0.5
    conditions = {supply: Conditions(context, supply=supply) for supply in (True, False)}
    found = []
    for measure in MEASURES:
        if measure.column == "interval_us" and with_timing:
            continue  # the same displacement, measured less well
        values, lift = judged_values(events, measure)
        if measure.lead in seen:
            values[seen[measure.lead] == 0] = np.nan
        if np.isfinite(values).sum() >= LEAST_EVENTS:
            found.append(_distance(measure, values, lift, context, conditions[measure.column != "supply_v"]))
    return found


def _distance(measure: Measure, values: Floats, lift: float, context: Context, conditions: Conditions) -> Distance:
    groups = np.zeros_like(context.group) if measure.pooled else context.group
    members = [np.flatnonzero((groups == group) & np.isfinite(values)) for group in np.unique(groups)]
    members = [rows for rows in members if rows.size]
    residual, spoken_for, unsure = values.copy(), np.ones(values.size), np.zeros(values.size)
    for rows in members:
        here = _usual_here(values[rows], rows, context, conditions)
        residual[rows] -= here.usual
        spoken_for[rows] = here.leverage
        unsure[rows] = here.unsure
    if not measure.pooled and context.n_groups > 1:
        movement, unsure_of = _common_movement(np.where(context.learns, residual, np.nan), context)
        residual -= movement
        residual -= np.clip(residual, -unsure_of, unsure_of)
    sigma = np.full(values.size, np.nan)
    turning = _speed_change_deg(context) if measure.column == "timing_residual_deg" else np.zeros(values.size)
    for rows in members:
        learns = context.learns[rows]
        if not measure.pooled:
            residual[rows] -= _course(residual[rows], learns)
        changing = _change_around((values - residual)[rows], context.segment[rows])
        told_apart = 0.35 * resolution(values[rows][learns] if learns.any() else values[rows])
        # consumers move the supply all the time: a sag is judged against all of that
        least = np.maximum(unsure[rows], mad_sigma(residual[rows]) if measure.pooled else 0.0)
        conditions_here = (context.rpm,) if measure.column == "supply_v" else (context.supply_v, context.rpm)
        sigma[rows] = noise_of(
            residual[rows],
            learns=learns,
            bases=conditions.noise(rows),
            least=np.maximum(least, max(measure.floor, told_apart)),
            changes=(changing, turning[rows]),
            along=[condition[rows] for condition in conditions_here],
        )
    z = normal_from_t(residual / sigma, 1.0 / np.maximum(spoken_for, 1e-9) - 1.0)
    return Distance(measure=measure, usual=values - residual, residual=residual, sigma=sigma, z=z, lift=lift)


@dataclass(frozen=True, kw_only=True)
class _Here:
    usual: Floats
    leverage: Floats
    unsure: Floats


def _usual_here(values: Floats, rows: NDArray[np.int64], context: Context, conditions: Conditions) -> _Here:
    """Return the usual value from the conditions alone, for the ``rows`` of one cylinder, and how sure it is."""
    learns = context.learns[rows]
    taught = np.flatnonzero(learns) if learns.sum() >= LEAST_EVENTS else np.arange(rows.size)
    taught = _spread_sample(taught, context.state[rows], context.since[rows])
    x, noise_x = conditions.mean(rows), conditions.noise(rows[taught])
    first = robust_regression(x[taught], values[taught], redescend=False)
    residual = values - first.predict(x)
    sigma = np.exp(noise_shape(residual[taught], noise_x).predict(noise_x))
    slow_x, slow_y, share = _slow_part(x, values, residual)
    quick_x = x - share * slow_x
    fit = robust_regression(quick_x[taught], (values - share * slow_y)[taught], sigma=sigma)
    usual = fit.predict(x)
    usual += np.median((values - usual)[taught])  # the level itself may have gone with the slow part
    unsure = np.zeros(rows.size)
    if conditions.with_supply:
        stairs = _stairs(values - usual, context.supply_v[rows], learns, share)
        unsure = _unsure_of_supply(fit, stairs, rows, context, conditions)
        usual += 0.0 if stairs is None else stairs(context.supply_v[rows])
    stairs = _stairs(values - usual, context.rpm[rows], learns, share)
    return _Here(
        usual=usual if stairs is None else usual + stairs(context.rpm[rows]),
        leverage=fit.leverage(quick_x),
        unsure=unsure,
    )


def _unsure_of_supply(
    fit: RobustFit,
    stairs: Callable[[Floats], Floats] | None,
    rows: NDArray[np.int64],
    context: Context,
    conditions: Conditions,
) -> Floats:
    """Return half of what the usual value may span, where the supply is recorded but not known at this moment."""
    unknown = ~np.isfinite(context.supply_v[rows])
    out = np.zeros(rows.size)
    if unknown.any():
        ends = []
        for volts in np.nanquantile(context.supply_v, (0.05, 0.95)).tolist():
            step = 0.0 if stairs is None else float(stairs(np.array([volts]))[0])
            ends.append(fit.predict(conditions.mean(rows[unknown], supply_v=volts)) + step)
        out[unknown] = np.abs(ends[1] - ends[0]) / 2
    return out


def _stairs(residual: Floats, condition: Floats, learns: Bools, slow_share: float) -> Callable[[Floats], Floats] | None:
    """Return what the straight lines left over along one condition: the stairs of an engine computer's tables.

    A running median over the events in order of the condition, wide enough that a burst of faults, which happens at
    one speed and supply, is a small part of it. As in the fit, a share of the slow wander is taken off first: a long
    stay at one speed must not leave its level of that moment there. Conditions that were never visited part the
    events (cranking from running), so that neither side's level reaches over. None where there are too few events.
    """
    residual = residual - slow_share * running_median(residual, COURSE_EVENTS)
    taught = np.flatnonzero(learns & np.isfinite(condition))
    half = min(STAIR_EVENTS, taught.size // 40)
    if half < 8:
        return None
    order = taught[np.argsort(condition[taught], kind="stable")]
    grid, middle = condition[order], float(np.median(condition[taught]))
    span = np.ptp(np.quantile(grid, (0.01, 0.99)))
    cuts = np.flatnonzero(np.diff(grid) > PARTED_SHARE * span) + 1
    heights = np.concatenate([_heights(part, half) for part in np.split(residual[order], cuts)])

    def at(where: Floats) -> Floats:
        return np.asarray(np.interp(np.where(np.isfinite(where), where, middle), grid, heights), dtype=np.float64)

    return at


def _heights(residual: Floats, half: int) -> Floats:
    """Return the running median, shrunk towards 0 by its own noise."""
    half = min(half, (residual.size - 1) // 4)  # as the running median does
    median = running_median(residual, half)
    spread = running_median(np.abs(residual - median), half) * MAD_TO_SIGMA
    return shrunk(median, 1.25 * spread / np.sqrt(2 * half + 1))


def _slow_part(x: Floats, values: Floats, residual: Floats) -> tuple[Floats, Floats, float]:
    """Return the local means of bases and values and the share of them to take off before the fit.

    A level that wanders slowly for reasons not recorded would otherwise be mistaken for an effect of the speeds that
    happened to be driven meanwhile. The share is that of the random-effects estimator for T values a window:
    1 - sqrt(fast / (fast + T slow)), fast and slow being the variances within and between windows (Fuller and
    Battese, Journal of Econometrics 2, 1974; from memory).
    """
    from scipy.ndimage import uniform_filter1d

    width = min(2 * COURSE_EVENTS + 1, max(1, values.size // 4))
    scale = max(mad_sigma(residual), 1e-12)
    tame = np.clip(residual, -3 * scale, 3 * scale)
    between = uniform_filter1d(tame, width, mode="nearest")
    fast = mad_sigma(tame - between) ** 2
    slow = max(mad_sigma(between) ** 2 - fast / width, 0.0)
    share = 1.0 - float(np.sqrt(fast / max(fast + width * slow, 1e-24)))
    slow_y = uniform_filter1d(values - residual + tame, width, mode="nearest")
    return uniform_filter1d(x, width, axis=0, mode="nearest"), slow_y, share


def _spread_sample(rows: NDArray[np.int64], state: NDArray[np.int64], since: Floats) -> NDArray[np.int64]:
    """Return at most `FIT_EVENTS` evenly spaced rows of each operating state and of the cycles after a start."""
    stratum = np.where(since[rows] < 15, -1, state[rows])
    picked = [rows[stratum == s] for s in np.unique(stratum)]
    return np.sort(np.concatenate([p[:: max(1, -(-p.size // FIT_EVENTS))] for p in picked]))


def _common_movement(residual: Floats, context: Context) -> tuple[Floats, Floats]:
    """Return the median residual of the other cylinders around each event, shrunk towards 0, and its half-range.

    A median of m noisy values carries 1.25 sigma / sqrt(m) of noise of its own; movements of that size are left alone,
    larger ones are taken off in full. Where the others stand apart before and after the event, a load has just
    stepped, and anything between the two is usual for the event in between.
    """
    before, after = _others(residual, context)
    count = np.isfinite(before).sum(axis=1), np.isfinite(after).sum(axis=1)
    together = _row_medians(np.concatenate([before, after], axis=1), count[0] + count[1])
    apart = residual - together
    sigma = 1.25 * mad_sigma(apart[np.isfinite(apart)])
    movement = shrunk(together, sigma / np.sqrt(np.maximum(count[0] + count[1], 1)))
    step = _row_medians(after, count[1]) - _row_medians(before, count[0])
    step[np.minimum(*count) < LEAST_OTHERS] = 0.0
    doubt = STEP_DOUBT * sigma * np.sqrt(1 / np.maximum(count[0], 1) + 1 / np.maximum(count[1], 1))
    return movement, np.abs(shrunk(step, doubt)) / 2


def _others(residual: Floats, context: Context) -> tuple[Floats, Floats]:
    """Return two (n, k) arrays: residuals of the other cylinders' nearest events before and after, else NaN."""
    row = np.arange(residual.size)
    turns = -(-LEAST_OTHERS // (context.n_groups - 1))
    before: list[Floats] = []
    after: list[Floats] = []
    for group in range(context.n_groups):
        own = np.flatnonzero((context.group == group) & np.isfinite(residual))
        if own.size == 0:
            continue
        place = np.searchsorted(own, row)
        for step in (*range(-turns, 0), *range(turns)):
            neighbour = own[np.clip(place + step, 0, own.size - 1)]
            usable = (context.group != group) & (context.segment[neighbour] == context.segment)
            usable &= (neighbour < row) if step < 0 else (neighbour > row)
            usable &= np.abs(context.time_s[neighbour] - context.time_s) < (turns + 1.5) * context.cycle_s
            (before if step < 0 else after).append(np.where(usable, residual[neighbour], np.nan))
    if not before:
        return np.full((residual.size, 1), np.nan), np.full((residual.size, 1), np.nan)
    return np.stack(before, axis=1), np.stack(after, axis=1)


def _row_medians(x: Floats, count: NDArray[np.int64]) -> Floats:
    """Return the median of the finite values of each row; 0 where there are too few."""
    ordered = np.sort(x, axis=1)  # NaN goes last
    row = np.arange(len(x))
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, x.shape[1] - 1)
    return np.where(count >= LEAST_OTHERS, (ordered[row, low] + ordered[row, high]) / 2, 0.0)


def _course(residual: Floats, learns: Bools) -> Floats:
    """Return the slow movement of one cylinder's residuals, taught by the trusted rows.

    It is held within what it does around the level of a longer stretch, so that a burst of large faults stays in
    sight, while a level that lasts (load, a warm coil) is usual.
    """
    taught = np.flatnonzero(learns)
    if taught.size < LEAST_EVENTS:
        return np.full_like(residual, np.median(residual))
    course = running_median(residual[taught], COURSE_EVENTS)
    noise = mad_sigma(residual[taught] - course)
    level = running_median(residual[taught], LEVEL_EVENTS)
    held = np.clip(course - level, *(np.array([-1, 1]) * (COURSE_REACH * mad_sigma(course - level) + noise)))
    middle = float(np.median(course))
    return middle + np.interp(
        np.arange(residual.size),
        taught,
        shrunk(level + held - middle, 1.25 * noise / np.sqrt(2 * COURSE_EVENTS + 1)),
    )


def _speed_change_deg(context: Context) -> Floats:
    """Return how much the crank angle between neighbouring events changes from one to the next, in degrees.

    A displaced event moves the speed over its cycle by its own size over 720 degrees only, so it hides itself hardly.
    """
    if context.rpm.size < 2:
        return np.zeros(context.rpm.size)
    speed = np.where(np.isfinite(context.rpm), context.rpm, 0.0)
    spacing_s = np.minimum(np.abs(np.gradient(context.time_s)), context.cycle_s)
    return np.asarray(6.0 * spacing_s * np.abs(np.gradient(speed)), dtype=np.float64)


def _change_around(usual: Floats, segment: NDArray[np.int64]) -> Floats:
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
