"""The truth: every event as its leads carry it, and every planted fault with its size in healthy spreads."""

# ruff: isort: skip_file
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tests.physical.columns import (
    A_EVENT, A_OFF, A_ON, Course, E_ADVANCE, E_ANSWER_OFF, E_ANSWER_ON, E_CRANKING, E_CYCLE, E_DROPPED, E_END_A,
    E_EXTRA_ON, E_FAULT, E_KNOCK, E_LOAD, E_OFF, E_ON, E_REPEATS, E_RPM, E_SENT, E_SLOT, E_VOLT, Floats,
)  # fmt: skip
from tests.physical.faults import seen_cylinders
from tests.physical.layouts import LAYOUTS
from tests.physical.leads import Marks
from tests.physical.options import Lead, Options
from tests.physical.road import TASK_S

LN2 = float(np.log(2.0))
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
