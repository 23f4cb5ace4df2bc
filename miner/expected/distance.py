"""How far each measure of each event lies from everything that would be usual.

Usual is a range, not a value: what conditions make usual (`usual.py`), moved by what the events around show. One
ordered list (`_references`) says which; each is a median of neighbours or the conditions of a neighbour, and the range
spans them. Nothing else excuses an event. The difference is that from the nearest end of the range, which is the usual
value that is printed; the noise is `noise.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.expected.context import Context
from miner.expected.least import Resolution, least_difference
from miner.expected.measures import MEASURES, Measure, column_values, judged_values, measured_values, seen_values
from miner.expected.neighbours import MEDIAN_NOISE, medians_beside, medians_of_others
from miner.expected.noise import Noise, fit_noise, local_noise
from miner.expected.robust import resolution
from miner.expected.threads import side_by_side
from miner.expected.usual import Usual, fit_usual

__all__ = ["Distance", "Expectation", "fit_expectations"]

_Floats = NDArray[np.float64]
_Singles = NDArray[np.float32]
_Ints = NDArray[np.int64]

LEAST_EVENTS = 8

LONG_EVENTS, LONG_S = 25, 300.0
"""Neighbours on each side whose median is the level of one cylinder: a burst of twelve does not move it."""

SHORT_EVENTS = 5
"""Neighbours on each side that a short change of level shows in, of one cylinder (own choice)."""

OTHER_EVENTS, OTHER_CYCLES = 4, 2.5
"""Events of the other cylinders on each side, and how near, that a movement of all shows in."""

CHANCE = 2.0
"""A reference that is off by so many of its standard errors counts for half of what it shows: chance must not widen
the range (form and number: own choice)."""

TOLD_APART = 0.35
"""Least noise in steps of a quantised measure: rounding alone makes 1 / sqrt(12)."""


@dataclass(frozen=True, kw_only=True)
class Distance:
    """One measure of every event against what is usual; NaN where not measured.

    Attributes
    ----------
    measure : Measure
    usual : ndarray (n,)
        The nearest value that would be usual, on the scale the measure is judged on.
    residual : ndarray (n,)
        Measured minus usual, same scale.
    sigma : ndarray (n,)
        Noise, same scale.
    z : ndarray (n,)
        Residual in sigma.
    lift : float
        What was added to the measure before its logarithm.
    step : float
        Of its grid, where it is quantised; same scale.
    least : float
        Least difference that matters in a workshop, same scale.
    """

    measure: Measure
    usual: _Singles
    residual: _Singles
    sigma: _Singles
    z: _Singles
    lift: float
    step: float
    least: float

    def usual_in_unit(self, rows: _Ints) -> _Floats:
        """Return the usual value of some rows in the measure's own unit."""
        usual = self.usual[rows].astype(np.float64)
        return usual if self.measure.scale == "linear" else np.exp(usual) - self.lift


@dataclass(frozen=True, kw_only=True)
class Expectation:
    """What a recording taught of one measure: `distance` judges events by it."""

    measure: Measure
    usual: Usual
    noise: Noise
    lift: float
    step: float
    least: float

    def distance(self, events: pa.Table, context: Context) -> Distance:
        """Return the distance of every event."""
        values = _values(events, self.measure, self.lift)
        return _distance(self, values, _around(self.measure, self.usual, values, context), context)


def fit_expectations(events: pa.Table, context: Context, resolution: Resolution) -> list[tuple[Expectation, Distance]]:
    """Learn what is usual of every measure that was recorded, and the noise around it; with the distances themselves."""
    with_timing = np.isfinite(column_values(events, "timing_residual_deg")).mean() > 0.5
    found = []
    for measure in MEASURES:
        if measure.column == "interval_us" and with_timing:
            continue  # the same displacement, measured less well
        _, lift = judged_values(events, measure)
        values = _values(events, measure, lift)
        if np.isfinite(values).sum() >= LEAST_EVENTS:
            edge_us = _median(column_values(events, "feedback_rise_us" if measure.lead == "feedback" else "rise_us"))
            least = least_difference(measure, measured_values(events, measure), resolution, edge_us)
            found.append((measure, values, lift, least))

    def fit(one: tuple[Measure, _Floats, float, float]) -> tuple[Expectation, Distance]:
        return _fit(*one, context)

    return side_by_side(fit, found)


def _median(values: _Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def _values(events: pa.Table, measure: Measure, lift: float) -> _Floats:
    values = measured_values(events, measure)
    if measure.scale == "log":
        values = np.log(np.where(values > 0, values, np.nan) + lift)
    if measure.lead != "any":
        values[seen_values(events, f"{measure.lead}_seen") == 0] = np.nan
    return values


def _fit(measure: Measure, values: _Floats, lift: float, least: float, context: Context) -> tuple[Expectation, Distance]:
    known = np.isfinite(values)
    taught = np.flatnonzero(known & context.learns)
    taught = taught if taught.size >= LEAST_EVENTS else np.flatnonzero(known)
    usual = fit_usual(values, taught, context, supply=measure.column != "supply_v", tabled=measure.moves == "tables")
    group = np.zeros_like(context.group) if measure.pooled else context.group
    step = max((resolution(values[taught[group[taught] == g]]) for g in np.unique(group[taught]) if (group[taught] == g).sum() > 1), default=0.0)
    around = _around(measure, usual, values, context)
    quick = around.off - around.middle
    rows = taught[np.isfinite(quick[taught])]
    noise = fit_noise(quick[rows], _noise_inputs(context, around, rows))
    fitted = Expectation(measure=measure, usual=usual, noise=noise, lift=lift, step=step, least=least)
    return fitted, _distance(fitted, values, around, context)


@dataclass(frozen=True, kw_only=True)
class _Around:
    """What the conditions and the events around each one say, on the judged scale less what conditions make usual."""

    rows: _Ints
    at: _Floats
    off: _Floats
    low: _Floats
    high: _Floats
    middle: _Floats
    lag: _Floats


def _around(measure: Measure, usual: Usual, values: _Floats, context: Context) -> _Around:
    """Return the range of usual values of each event."""
    n = values.size
    rows = np.flatnonzero(np.isfinite(values))
    at = np.full(n, np.nan)
    at[rows] = usual.at(context, rows)
    off = values - at
    taught = np.where(context.learns, off, np.nan)
    group = np.zeros_like(context.group) if measure.pooled else context.group
    before, after, lag_low, lag_high = np.zeros((4, n))
    n_around = np.zeros(n)
    for g in np.unique(group[rows]):
        own = rows[group[rows] == g]
        sides = medians_beside(taught[own], context.time_s[own], LONG_EVENTS, LONG_S)
        middle = float(np.nanmedian(off[own]))
        b, a = sides.before, sides.after
        before[own] = np.where(sides.n_before >= 5, b, np.where(sides.n_after >= 5, a, middle))
        after[own] = np.where(sides.n_after >= 5, a, np.where(sides.n_before >= 5, b, middle))
        n_around[own] = sides.n_before + sides.n_after
        if measure.moves == "tables" and own.size > 1:
            earlier, later = np.append(at[own[:1]], at[own[:-1]]), np.append(at[own[1:]], at[own[-1:]])
            lag_low[own] = np.minimum(np.minimum(earlier, later) - at[own], 0.0)
            lag_high[own] = np.maximum(np.maximum(earlier, later) - at[own], 0.0)
    low, high = np.minimum(before, after), np.maximum(before, after)
    middle = (before + after) / 2
    quick = off - middle
    scale = _scale(quick[rows])
    excuses = [(np.zeros(n), np.zeros(n))]
    if measure.moves == "tables":
        excuses.append((_believed(lag_low, scale), _believed(lag_high, scale)))
    if measure.moves in ("tables", "level") and context.n_groups > 1 and not measure.pooled:
        excuses.append(_common(np.where(context.learns, quick, np.nan), scale, context, measure.reach))
        middle = middle + (excuses[-1][0] + excuses[-1][1])
    alone = np.unique(group[rows]).size == 1
    if measure.moves in ("place", "supply") or (alone and measure.moves == "tables"):
        short_low, short_high = np.zeros((2, n))
        for g in np.unique(group[rows]):
            own = rows[group[rows] == g]
            sides = medians_beside(np.where(context.learns, quick, np.nan)[own], context.time_s[own], SHORT_EVENTS, LONG_S)
            error = CHANCE * MEDIAN_NOISE * scale / np.sqrt(SHORT_EVENTS)
            moved = [np.clip(_shrunk(np.nan_to_num(m), error), -measure.reach, measure.reach) for m in (sides.before, sides.after)]
            short_low[own], short_high[own] = np.minimum(*moved).clip(max=0), np.maximum(*moved).clip(min=0)
        excuses.append((short_low, short_high))
    low = low + np.minimum.reduce([e[0] for e in excuses])
    high = high + np.maximum.reduce([e[1] for e in excuses])
    return _Around(rows=rows, at=at, off=off, low=low, high=high, middle=middle, lag=lag_high - lag_low)


def _common(quick: _Floats, scale: float, context: Context, reach: float) -> tuple[_Floats, _Floats]:
    """Return (low, high): how far the other cylinders have moved just before, just after or around each event."""
    within_s = OTHER_CYCLES * context.cycle_s
    sides = medians_of_others(quick, context.time_s, context.group, OTHER_EVENTS, within_s)
    moved = []
    for median, count in ((sides.before, sides.n_before), (sides.after, sides.n_after)):
        error = CHANCE * MEDIAN_NOISE * scale / np.sqrt(np.maximum(count, 1))
        moved.append(np.clip(_shrunk(np.where(count >= 3, median, 0.0), error), -reach, reach))
    return np.minimum(*moved).clip(max=0.0), np.maximum(*moved).clip(min=0.0)


def _scale(quick: _Floats) -> float:
    from miner.expected.robust import mad_sigma

    known = quick[np.isfinite(quick)]
    return max(mad_sigma(known), 1e-12)


def _believed(lag: _Floats, scale: float) -> _Floats:
    return _shrunk(lag, scale)


def _shrunk(x: _Floats, doubt: _Floats | float) -> _Floats:
    square = x * x
    return np.asarray(x * square / np.maximum(square + np.asarray(doubt) ** 2, 1e-300), dtype=np.float64)


def _noise_inputs(context: Context, around: _Around, rows: _Ints) -> NDArray[np.float32]:
    """Return (rows, q) what the noise may depend on."""
    pull = context.steady_pull
    jerk = np.abs(np.gradient(pull))[rows] if pull.size > 1 else np.zeros(rows.size)
    columns = [
        np.log(context.rpm[rows]), np.nan_to_num(context.supply_v[rows], nan=-1.0), context.state[rows],
        np.minimum(context.since[rows], 50.0), np.minimum(context.until[rows], 10.0), np.abs(pull[rows]), jerk,
        around.lag[rows], context.turning_deg[rows],
    ]  # fmt: skip
    return np.column_stack(columns).astype(np.float32)


def _distance(fitted: Expectation, values: _Floats, around: _Around, context: Context) -> Distance:
    rows = around.rows
    sigma = np.full(values.size, np.nan)
    sigma[rows] = np.maximum(fitted.noise.at(_noise_inputs(context, around, rows)), max(fitted.measure.floor, TOLD_APART * fitted.step))
    group = np.zeros_like(context.group) if fitted.measure.pooled else context.group
    quick = around.off - around.middle
    for g in np.unique(group[rows]):
        own = rows[group[rows] == g]
        sigma[own] *= local_noise(quick[own] / sigma[own])
    residual = around.off - np.clip(around.off, around.low, around.high)
    return Distance(
        measure=fitted.measure,
        usual=(values - residual).astype(np.float32),
        residual=residual.astype(np.float32),
        sigma=sigma.astype(np.float32),
        z=(residual / sigma).astype(np.float32),
        lift=fitted.lift,
        step=fitted.step,
        least=fitted.least,
    )
