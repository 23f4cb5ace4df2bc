"""The truth: every event as its leads carry it, and every planted fault with its size in healthy spreads."""

# ruff: isort: skip_file
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from tests.physical.columns import (
    A_EVENT, A_OFF, A_ON, Course, E_ADVANCE, E_ANSWER_OFF, E_ANSWER_ON, E_CRANKING, E_CYCLE, E_DROPPED, E_END_A,
    E_EXTRA_ON, E_FAULT, E_KNOCK, E_LOAD, E_OFF, E_ON, E_REPEATS, E_RPM, E_SENT, E_SIZE, E_SLOT, E_VOLT, Floats,
    P_OFF,
)  # fmt: skip
from tests.physical.faults import plan_of, seen_cylinders
from tests.physical.layouts import LAYOUTS
from tests.physical.leads import NOTCH_FROM, NOTCH_TO, Marks
from tests.physical.machine import KINDS
from tests.physical.options import Lead, Options
from tests.physical.road import TASK_S

LN2 = float(np.log(2.0))
GROSS_SIGMA = 99.0
"""Size of what is there or not: absent and further pulses."""
MUST_SIGMA, STRETCH_SIGMA = 8.0, 4.0
EDGE_S = 0.4
"""Nothing is judged this near to the recording's ends."""
BESIDE_HOLE_S = 0.4

Bools = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Truth:
    """Columns over all events, in order of time, and the tables made of them."""

    columns: dict[str, NDArray[np.generic]]
    ignore: list[tuple[float, float]]
    n_overlapping: int

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        return np.asarray(self.columns[name], dtype=float)


def first_lead(options: Options, role: str) -> Lead | None:
    return next((lead for lead in options.leads if lead.role == role), None)


def holes_of(options: Options) -> list[tuple[float, float]]:
    """Return the stretches in which a lead carried nothing or nothing was recorded, with what lies beside them."""
    holes = [*options.nulls, *((a, b) for _, a, b in options.clips_off)]
    holes += [options.time_gap] if options.time_gap else []
    return [(a - BESIDE_HOLE_S, b + BESIDE_HOLE_S) for a, b in holes]


def inside(time_s: Floats, stretches: list[tuple[float, float]]) -> Bools:
    out = np.zeros(len(time_s), dtype=bool)
    for a, b in stretches:
        out |= (time_s > a) & (time_s < b)
    return out


def overlapping_answers(course: Course) -> Bools:
    """Say for each event whether its answer runs into another one on the shared line."""
    said = course.answers[np.argsort(course.answers[:, A_ON], kind="stable")]
    out = np.zeros(len(course.events), dtype=bool)
    if len(said) < 2:
        return out
    late = said[1:, A_ON] <= np.maximum.accumulate(said[:, A_OFF])[:-1] + 3e-5
    event = said[:, A_EVENT].astype(int)
    out[event[1:][late]] = True
    out[event[:-1][late]] = True
    return out


def usual_delay(delay_s: Floats, cylinder: NDArray[np.int64]) -> Floats:
    """Return each delay, or the cylinder's median where there is none."""
    out = delay_s.copy()
    for c in np.unique(cylinder):
        mine = cylinder == c
        known = mine & np.isfinite(delay_s)
        out[mine & ~np.isfinite(delay_s)] = float(np.median(delay_s[known])) if known.any() else 7e-4
    return out


def measure_truth(options: Options, course: Course, marks: Marks) -> Truth:
    """Work out what an ideal observer of the recorded leads would measure, without noise."""
    layout = LAYOUTS[options.layout]
    events = course.events
    slot = events[:, E_SLOT].astype(int)
    cylinder, partner = np.array(layout.order)[slot], layout.partner[slot]
    command, answer = first_lead(options, "command"), first_lead(options, "feedback")
    seen = np.isin(cylinder, seen_cylinders(options))
    sent = events[:, E_SENT] > 0.0
    lag_on = LN2 * command.assert_tau_s * marks.slow_edge if command else np.zeros(len(events))
    on = events[:, E_ON] + lag_on
    off = events[:, E_OFF] + (LN2 * command.release_tau_s if command else 0.0)
    said = np.isfinite(events[:, E_ANSWER_ON])
    answer_on = events[:, E_ANSWER_ON] + (LN2 * answer.assert_tau_s if answer else 0.0)
    answer_off = events[:, E_ANSWER_OFF] + (LN2 * answer.release_tau_s if answer else 0.0)
    answer_recorded = np.full(len(events), answer is not None)
    delay = answer_on - on
    time_s = np.where(seen, on, on + usual_delay(delay, cylinder))
    holes = holes_of(options)
    overlapping = overlapping_answers(course)
    group = events[:, E_FAULT].astype(int)
    odd_row = (events[:, E_DROPPED] > 0.0) | (time_s < EDGE_S) | (time_s > options.seconds - EDGE_S)
    ignore = inside(time_s, holes) | odd_row | (overlapping & (answer is not None))
    visible_command, visible_answer = sent & seen, said & answer_recorded
    known = {
        "time_s": time_s,
        "turn_on_s": on,
        "cylinder": cylinder,
        "cylinder_alt": partner,
        "cycle": events[:, E_CYCLE],
        "on_time_us": np.where(visible_command, (off - on) * 1e6, np.nan),
        "delay_us": np.where(visible_command & visible_answer, delay * 1e6, np.nan),
        "feedback_width_us": np.where(visible_answer, (answer_off - answer_on) * 1e6, np.nan),
        "amplitude_v": np.where(visible_command, heights(command, marks.command_size, events[:, E_END_A]), np.nan),
        "feedback_amplitude_v": np.where(
            visible_answer, heights(answer, marks.answer_size, events[:, E_END_A]), np.nan
        ),
        "engine_rpm": cycle_rpm(options, course),
        "supply_v": np.where(visible_command & (first_lead(options, "supply") is not None), events[:, E_VOLT], np.nan),
        "extra_pulses": events[:, E_REPEATS] + np.isfinite(events[:, E_EXTRA_ON]),
        "command_sent": sent,
        "feedback_sent": said,
        "command_lead": seen,
        "feedback_lead": answer_recorded,
        "planted": group >= 0,
        "ignore": ignore,
        "load": events[:, E_LOAD],
        "dropped": events[:, E_DROPPED],
        "cranking": events[:, E_CRANKING],
        "advance_deg": events[:, E_ADVANCE],
        "knock_deg": events[:, E_KNOCK],
    }
    order = np.argsort(time_s, kind="stable")
    columns: dict[str, NDArray[np.generic]] = {k: np.asarray(v)[order] for k, v in known.items()}
    columns["event"] = order
    truth = Truth(columns=columns, ignore=holes, n_overlapping=int((overlapping & (group < 0)).sum()))
    place_in_time(options, truth)
    return truth


def cycle_rpm(options: Options, course: Course) -> Floats:
    """Return the engine speed of each event as the mean over the cycle around it."""
    at, cycle_deg = np.arange(len(course.slow)) * TASK_S, LAYOUTS[options.layout].cycle_deg
    when, rpm = course.events[:, E_ON], np.maximum(course.events[:, E_RPM], 60.0)
    half_s = 0.5 * cycle_deg / (6.0 * rpm)
    turned = np.interp(when + half_s, at, course.slow[:, 2]) - np.interp(when - half_s, at, course.slow[:, 2])
    return np.asarray(turned / (12.0 * half_s))


def heights(lead: Lead | None, size: Floats, end_a: Floats) -> Floats:
    """Return the pulse heights as recorded: the ground under the computer lifts with the coil's mean current."""
    if lead is None:
        return np.full(len(size), np.nan)
    lift = lead.ground_v_per_a * 0.5 * end_a * (1.0 if lead.active == "high" else -1.0)
    return np.asarray(((lead.level_v - lead.low_v) * size + lift) / lead.attenuation)


def place_in_time(options: Options, truth: Truth) -> None:
    """Add intervals, distances between firings, and degrees off the place that the neighbours give."""
    layout = LAYOUTS[options.layout]
    time_s, cylinder, cycle, rpm = truth["time_s"], truth["cylinder"], truth["cycle"], truth["engine_rpm"]
    sent = truth["command_sent"] > 0
    interval = np.full(len(time_s), np.nan)
    for c in np.unique(cylinder):
        at = np.flatnonzero(cylinder == c)
        fits = (np.diff(cycle[at]) == 1.0) & sent[at[1:]] & sent[at[:-1]]
        interval[at[1:]] = np.where(fits, np.diff(time_s[at]), np.nan)
    truth.columns["interval_us"] = interval * 1e6
    firing = np.append(layout.firing_deg, layout.firing_deg[0] + layout.cycle_deg)
    order = list(layout.order)
    slot = np.array([order.index(int(c)) for c in cylinder], dtype=int)
    least = np.minimum(np.diff(firing), np.roll(np.diff(firing), 1))
    truth.columns["firing_interval_s"] = np.clip(least[slot] / (6.0 * np.maximum(rpm, 30.0)), 1e-3, 0.4)
    angle = cycle * layout.cycle_deg + layout.firing_deg[slot]
    off = np.full(len(time_s), np.nan)
    if len(time_s) > 2:
        turned = angle[2:] - angle[:-2]
        share = (angle[1:-1] - angle[:-2]) / np.where(turned > 0, turned, np.nan)
        beside = np.diff(angle) < 1.01 * np.diff(firing).max() + 1.0
        share = np.where(beside[1:] & beside[:-1], share, np.nan)
        off[1:-1] = 6.0 * rpm[1:-1] * (time_s[1:-1] - time_s[:-2] - share * (time_s[2:] - time_s[:-2]))
    truth.columns["timing_deg"] = np.where(sent, off, np.nan)


def events_table(truth: Truth) -> pa.Table:
    """Return the events for scoring; what is not there is null."""
    out = {}
    for name, values in truth.columns.items():
        if values.dtype == bool or np.issubdtype(values.dtype, np.integer):
            out[name] = pa.array(values)
        else:
            out[name] = pa.array(np.asarray(values, dtype=float), from_pandas=True)
    return pa.table(out)


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
