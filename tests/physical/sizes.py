"""How far out a planted fault lies: its size in units of the healthy spread of the measure that shows it."""

# ruff: isort: skip_file
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from scipy.ndimage import median_filter

from tests.physical.columns import (
    A_EVENT, Course, E_DROPPED, E_END_A, E_EXTRA_ON, E_FAULT, E_OFF, E_ON, E_SIZE, Floats, P_OFF,
)  # fmt: skip
from tests.physical.faults import plan_of
from tests.physical.leads import NOTCH_FROM, NOTCH_TO, Marks
from tests.physical.machine import KINDS
from tests.physical.options import Lead, Options
from tests.physical.truth import EDGE_S, Bools, Truth, first_lead, inside

GROSS_SIGMA = 99.0
"""Size of what is there or not: absent and further pulses."""
MUST_SIGMA, STRETCH_SIGMA = 8.0, 4.0


def edge_error_s(options: Options, lead: Lead | None) -> float:
    """Return the standard error of one edge's time: sampling where the edge is quicker than samples, and noise."""
    if lead is None:
        return 0.0
    rise = 2.2 * lead.assert_tau_s
    sampling = 0.29 / options.rate_hz * float(np.clip(1.5 - rise * options.rate_hz, 0.15, 1.0))
    swing = lead.level_v - lead.low_v
    return float(np.hypot(sampling, lead.noise_v * max(rise, 0.3 / options.rate_hz) / (0.8 * swing)))


def ripple_v(options: Options, course: Course, marks: Marks) -> Floats:
    """Return the deviation expected within each event's on-state: noise, notch, converter, spikes of other coils."""
    lead = first_lead(options, "command")
    if lead is None:
        return np.ones(len(course.events))
    events = course.events
    long = np.maximum(events[:, E_OFF] - events[:, E_ON], 1e-4)
    step = lead.converter.step_v * lead.attenuation
    noise2 = (lead.noise_v * np.maximum(marks.noisy, 1.0)) ** 2 + step**2 / 12.0 + lead.hum_v**2 / 4.0
    share = NOTCH_TO - NOTCH_FROM
    notch2 = (marks.notch * (lead.level_v - lead.low_v)) ** 2 * share * (1.0 - share)
    lift2 = (lead.ground_v_per_a * events[:, E_END_A]) ** 2 / 12.0
    spark_s = np.sort(course.pulses[:, P_OFF]) + 2e-5
    n = np.searchsorted(spark_s, events[:, E_OFF]) - np.searchsorted(spark_s, events[:, E_ON])
    spikes2 = n * lead.spike_v**2 * (1.0 + lead.spike_spread**2) * lead.spike_tau_s / 4.0 / long
    return np.asarray(np.sqrt(noise2 + notch2 + lift2 + spikes2))


def faults_table(options: Options, course: Course, marks: Marks, truth: Truth) -> pa.Table:
    """Return the planted faults that left a mark, with kind, size in healthy spreads and label."""
    plan = plan_of(options.faults)
    values = measures(options, course, marks, truth)
    events, order = course.events, truth.columns["event"].astype(int)
    rows: list[dict[str, object]] = []
    columns = {
        k: truth[k]
        for k in (
            "time_s",
            "turn_on_s",
            "cylinder",
            "cylinder_alt",
            "firing_interval_s",
            "engine_rpm",
            "command_lead",
            "command_sent",
            "feedback_sent",
            "feedback_lead",
            "ignore",
        )
    }
    dropped = events[order, E_DROPPED] > 0.0
    for i in np.flatnonzero(truth["planted"] > 0):
        row = events[order[i]]
        group = int(row[E_FAULT])
        hole = columns["ignore"][i] and (
            dropped[i]
            or inside(columns["time_s"][i : i + 1], truth.ignore)[0]
            or not EDGE_S < columns["time_s"][i] < options.seconds - EDGE_S
        )
        seen, answers = columns["command_lead"][i] > 0, columns["feedback_lead"][i] > 0
        kind = KINDS[plan.kind[group]]
        silent = answers and not columns["feedback_sent"][i] and columns["command_sent"][i]
        if (
            kind not in ("short_on_time", "weak_command", "distorted_command", "extra_pulse", "uneven_interval")
            and silent
        ):
            kind = "absent_feedback"
        if hole or (kind == "extra_pulse" and not seen and not extra_answered(course, order[i], answers)):
            continue
        sigma = GROSS_SIGMA
        if kind not in ("absent_command", "absent_feedback", "extra_pulse"):
            sigma = distance(values, kind, int(plan.way[group]), truth, i)
        label = "must_find" if sigma >= MUST_SIGMA else "stretch" if sigma >= STRETCH_SIGMA else "beyond"
        alt = row[E_EXTRA_ON] if np.isfinite(row[E_EXTRA_ON]) else columns["turn_on_s"][i]
        rows.append(
            {
                "time_s": columns["time_s"][i],
                "alt_time_s": alt,
                "cylinder": int(columns["cylinder"][i]),
                "cylinder_alt": int(columns["cylinder_alt"][i]),
                "kind": kind,
                "size": float(row[E_SIZE]),
                "size_sigma": sigma,
                "label": label,
                "firing_interval_s": columns["firing_interval_s"][i],
                "engine_rpm": columns["engine_rpm"][i],
                "command_lead": bool(seen),
            }
        )
    schema = pa.schema(
        [
            ("time_s", pa.float64()),
            ("alt_time_s", pa.float64()),
            ("cylinder", pa.int16()),
            ("cylinder_alt", pa.int16()),
            ("kind", pa.string()),
            ("size", pa.float64()),
            ("size_sigma", pa.float64()),
            ("label", pa.string()),
            ("firing_interval_s", pa.float64()),
            ("engine_rpm", pa.float64()),
            ("command_lead", pa.bool_()),
        ]
    )
    return pa.Table.from_pylist(rows, schema=schema)


def extra_answered(course: Course, event: int, answers: bool) -> bool:
    """Say whether a further pulse charged the coil far enough to be answered."""
    return answers and int((course.answers[:, A_EVENT] == event).sum()) > 1


@dataclass(frozen=True, kw_only=True)
class Measure:
    """One measure of all events in order of time, and its own error of measurement."""

    values: Floats
    error: Floats


def measures(options: Options, course: Course, marks: Marks, truth: Truth) -> dict[str, Measure]:
    """Return what each kind of fault shows in: logarithms of times and heights, degrees, volts."""
    command, answer, order = (
        first_lead(options, "command"),
        first_lead(options, "feedback"),
        truth.columns["event"].astype(int),
    )
    two_edges = float(np.hypot(edge_error_s(options, command), edge_error_s(options, command)))
    mixed = float(np.hypot(edge_error_s(options, command), edge_error_s(options, answer)))
    answer_edges = 1.41 * edge_error_s(options, answer)
    first_edge = edge_error_s(options, command or answer)
    samples = np.maximum(np.nan_to_num(truth["on_time_us"], nan=1000.0) * 1e-6 * options.rate_hz, 4.0)

    def height_error(lead: Lead | None, n: Floats) -> Floats:
        if lead is None:
            return np.ones(len(n))
        step = lead.converter.step_v * lead.attenuation
        return np.asarray((lead.noise_v / np.sqrt(n) + 0.2 * step + 0.3 * lead.hum_v) / (lead.level_v - lead.low_v))

    def logs(name: str, error_s: float) -> Measure:
        with np.errstate(divide="ignore", invalid="ignore"):
            return Measure(values=np.log(truth[name]), error=error_s * 1e6 / truth[name])

    supply = first_lead(options, "supply")
    supply_error = 0.0 if supply is None else 0.03 + supply.converter.step_v * supply.attenuation * 0.2
    rise_s = 2.2 * (command.assert_tau_s if command else 1e-6) * marks.slow_edge[order]
    edge_s = np.hypot(rise_s, 0.8 / options.rate_hz)  # what sampling leaves of a quick edge
    return {
        "on": logs("on_time_us", two_edges),
        "delay": logs("delay_us", mixed),
        "width": logs("feedback_width_us", answer_edges),
        "height": Measure(values=np.log(np.abs(truth["amplitude_v"])), error=height_error(command, samples)),
        "answer": Measure(
            values=np.log(np.abs(truth["feedback_amplitude_v"])), error=height_error(answer, samples / 2)
        ),
        "timing": Measure(values=truth["timing_deg"], error=first_edge * 6.0 * truth["engine_rpm"]),
        "volts": Measure(values=truth["supply_v"], error=np.full(len(samples), supply_error)),
        "ripple": Measure(
            values=np.log(ripple_v(options, course, marks)[order]), error=np.hypot(0.08, 1.0 / np.sqrt(2.0 * samples))
        ),
        "edge": Measure(values=np.log(edge_s), error=np.hypot(0.06, 0.3 / (options.rate_hz * edge_s))),
    }


SHOWS_IN = {
    "short_on_time": "on",
    "long_on_time": "on",
    "late_feedback": "delay",
    "early_feedback": "delay",
    "weak_command": "height",
    "weak_feedback": "answer",
    "odd_feedback_width": "width",
    "uneven_interval": "timing",
    "supply_sag": "volts",
}


def distance(values: dict[str, Measure], kind: str, way: int, truth: Truth, i: int) -> float:
    """Return how far out an event's fault lies in the measure that shows it."""
    measure = values[("ripple", "edge", "ripple")[way] if kind == "distorted_command" else SHOWS_IN[kind]]
    mine = (truth["cylinder"] == truth["cylinder"][i]) & (truth["planted"] == 0) & (truth["ignore"] == 0)
    return sigmas_out(measure, mine, i)


def sigmas_out(measure: Measure, healthy: Bools, i: int) -> float:
    """Return the distance of event ``i`` from its healthy neighbours in time, in their spread and the error together.

    0 where it cannot be measured, or fewer than 20 healthy events tell what is usual.
    """
    mine = np.flatnonzero(healthy & np.isfinite(measure.values))
    if not np.isfinite(measure.values[i]) or len(mine) < 20:
        return 0.0
    k = int(np.searchsorted(mine, i))
    near, around = measure.values[mine[max(k - 30, 0) : k + 30]], measure.values[mine[max(k - 5, 0) : k + 5]]
    spread = half_range(near - median_filter(near, 7, mode="nearest"))
    return float(abs(measure.values[i] - np.median(around)) / max(np.hypot(spread, measure.error[i]), 1e-9))


def half_range(x: Floats) -> float:
    """Return half the distance between the 16 % and 84 % quantiles: one sigma of a normal distribution."""
    low, high = np.quantile(x, [0.16, 0.84])
    return float(high - low) / 2.0
