"""How far each measure of each event lies from everything that would be usual.

Usual is a range, not a value: what conditions make usual (`usual.py`), moved by what the events around show. One
ordered list (`references.py`) says which, and the range spans them. Nothing else excuses an event. The difference is
that from the nearest end of the range, which is the usual value that is printed; the noise is `noise.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.events.columns import column_values, median_of_known, seen_values
from miner.expected.context import Context
from miner.expected.least import Least, Resolution, least_difference
from miner.expected.measures import MEASURES, Measure, judged_values, lift_of, measured_values
from miner.expected.noise import Noise, fit_noise, local_noise
from miner.expected.references import Around, find_around, series_of
from miner.expected.robust import resolution
from miner.expected.threads import side_by_side
from miner.expected.usual import Usual, fit_usual

__all__ = ["Distance", "Expectation", "fit_expectations"]

_Floats = NDArray[np.float64]
_Singles = NDArray[np.float32]
_Ints = NDArray[np.int64]

LEAST_EVENTS = 8

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
    least : ndarray (n,)
        Least difference that matters in a workshop, same scale.
    """

    measure: Measure
    usual: _Singles
    residual: _Singles
    sigma: _Singles
    z: _Singles
    lift: float
    step: float
    least: _Singles

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
    least: Least

    def distance(self, events: pa.Table, context: Context) -> Distance:
        """Return the distance of every event."""
        values = _values(events, measured_values(events, self.measure), self.measure, self.lift)
        known = _with_inferred(events, self.measure, values)
        return _distance(self, values, find_around(self.measure, self.usual, known, context), context)


def fit_expectations(events: pa.Table, context: Context, resolution: Resolution) -> list[tuple[Expectation, Distance]]:
    """Learn what is usual of every measure that was recorded, and the noise; with the distances themselves."""
    with_timing = np.isfinite(column_values(events, "timing_residual_deg")).mean() > 0.5
    found = []
    for measure in MEASURES:
        if measure.column == "interval_us" and with_timing:
            continue  # the same displacement, measured less well
        measured = measured_values(events, measure)
        edge_us = median_of_known(
            column_values(events, "feedback_rise_us" if measure.lead == "feedback" else "rise_us")
        )
        least = least_difference(measure, measured, resolution, edge_us)
        lift = lift_of(measured, measure, least.told)
        values = _values(events, measured, measure, lift)
        if np.isfinite(values).sum() >= LEAST_EVENTS:
            found.append((measure, values, _with_inferred(events, measure, values), lift, least))

    def fit(one: tuple[Measure, _Floats, _Floats, float, Least]) -> tuple[Expectation, Distance]:
        return _fit(*one, context)

    return side_by_side(fit, found)


def _values(events: pa.Table, measured: _Floats, measure: Measure, lift: float) -> _Floats:
    """Return the values on the scale they are judged on, of pulses that were seen."""
    values = judged_values(measured, measure, lift)
    if measure.lead != "any":
        values[seen_values(events, f"{measure.lead}_seen") == 0] = np.nan
    return values


ENDS_TOGETHER, LEAST_BOTH = 0.01, 50
"""Of the on-time, by which an answer may end sooner or later than its command and still end with it; and the events
that must show it (own choices)."""


def _with_inferred(events: pa.Table, measure: Measure, values: _Floats) -> _Floats:
    """Return the values with on-times of cylinders whose command nobody recorded, where the answers tell them.

    Many coils answer until the command ends; then on-time is delay and width of the answer together, and what the
    engine computer does to one cylinder can be seen on all.
    """
    if measure.column != "on_time_us":
        return values
    delay, width = (column_values(events, name) for name in ("delay_us", "feedback_width_us"))
    after = np.exp(values) - width  # from the command's rise to the answer's
    both = after[np.isfinite(after) & np.isfinite(delay)]
    if both.size < LEAST_BOTH:
        return values
    usual = float(np.median(both))
    apart = np.abs(after - delay)
    if np.nanmedian(apart) > ENDS_TOGETHER * np.exp(np.nanmedian(values)):
        return values
    unseen = np.isnan(values) & (seen_values(events, "command_seen") < 0)
    return np.where(unseen, np.log(width + usual), values)


def _fit(
    measure: Measure, values: _Floats, inferred: _Floats, lift: float, least: Least, context: Context
) -> tuple[Expectation, Distance]:
    known = np.isfinite(values)
    taught = np.flatnonzero(known & context.learns)
    taught = taught if taught.size >= LEAST_EVENTS else np.flatnonzero(known)
    teach = np.flatnonzero(np.isfinite(inferred) & context.learns)
    usual = fit_usual(
        inferred,
        teach if teach.size >= LEAST_EVENTS else taught,
        context,
        supply=measure.column != "supply_v",
        placed=measure.moves == "place",
        tabled=measure.moves == "tables",
    )
    step = max((resolution(values[own]) for own in series_of(measure, taught, context) if own.size > 1), default=0.0)
    around = find_around(measure, usual, inferred, context)
    quick = around.off - around.middle
    rows = taught[np.isfinite(quick[taught])]
    noise = fit_noise(quick[rows], _noise_inputs(context, around, rows))
    fitted = Expectation(measure=measure, usual=usual, noise=noise, lift=lift, step=step, least=least)
    return fitted, _distance(fitted, values, around, context)


def _noise_inputs(context: Context, around: Around, rows: _Ints) -> NDArray[np.float32]:
    """Return (rows, q) what the noise may depend on."""
    pull = context.steady_pull
    jerk = np.abs(np.gradient(pull))[rows] if pull.size > 1 else np.zeros(rows.size)
    columns = [
        np.log(context.rpm[rows]), np.nan_to_num(context.supply_v[rows], nan=-1.0), context.state[rows],
        np.minimum(context.since[rows], 50.0), np.minimum(context.until[rows], 10.0), np.abs(pull[rows]), jerk,
        around.lag[rows], context.turning_deg[rows],
    ]  # fmt: skip
    return np.column_stack(columns).astype(np.float32)


def _distance(fitted: Expectation, values: _Floats, around: Around, context: Context) -> Distance:
    rows = around.rows[np.isfinite(values[around.rows])]
    residual = around.off - np.clip(around.off, around.low, around.high)
    usual = values - residual
    in_unit = usual if fitted.measure.scale == "linear" else np.exp(usual)
    least_noise = np.maximum(
        max(fitted.measure.floor, TOLD_APART * fitted.step), fitted.least.noise_at(in_unit, fitted.measure)
    )
    sigma = np.full(values.size, np.nan)
    sigma[rows] = np.maximum(fitted.noise.at(_noise_inputs(context, around, rows)), least_noise[rows])
    quick = around.off - around.middle
    for own in series_of(fitted.measure, rows, context):
        sigma[own] *= local_noise(quick[own] / sigma[own])
    return Distance(
        measure=fitted.measure,
        usual=usual.astype(np.float32),
        residual=residual.astype(np.float32),
        sigma=sigma.astype(np.float32),
        z=(residual / sigma).astype(np.float32),
        lift=fitted.lift,
        step=fitted.step,
        least=fitted.least.at(in_unit, fitted.measure).astype(np.float32),
    )
