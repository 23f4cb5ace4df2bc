"""The plan of a synthetic recording: every event with its true values, every planted fault, every pulse to draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.synthetic.columns import MEASURED_COLUMNS, Columns, events_table
from miner.synthetic.drive.speed import DriveTrace, run_drive
from miner.synthetic.drive.supply import supply_trace_v
from miner.synthetic.faults.events import (
    FEEDBACK_COLUMNS,
    Tie,
    apply_fault,
    faults_table,
    next_of_coil,
    shows_as,
    unit_of,
)
from miner.synthetic.firings import fire_events
from miner.synthetic.scenario import FaultSpec, Scenario

__all__ = ["Plan", "plan_drive"]

COMMAND_COLUMNS = ("on_time_us", "amplitude_v", "rise_us", "fall_us", "ripple_v", "off_level_v", "quiet_ripple_v")
CLEARANCE = 3
"""Healthy cycles kept on either side of a planted fault."""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Truth of one synthetic recording.

    Attributes
    ----------
    scenario : Scenario
        What it was made from.
    events : pa.Table
        `EVENTS` with the true values, as far as the scenario's leads can show them: columns of a lead that is not
        there, or that has a gap at that moment, are null.
    faults : pa.Table
        `FAULTS`; ``event_id`` is that of ``events``.
    truth : dict of ndarray
        The same events with every value, also of cylinders without a lead; NaN for what did not happen.
        ``time_s`` is always the command's turn-on.
    trace : DriveTrace
        Engine speed, crank angle and modes.
    supply_v : ndarray of float64
        Supply voltage on the trace's grid, before ripple and the coils' sag.
    """

    scenario: Scenario
    events: pa.Table
    faults: pa.Table
    truth: Columns
    trace: DriveTrace
    supply_v: NDArray[np.float64]


def plan_drive(scenario: Scenario) -> Plan:
    """Drive, fire and plant: the event-level truth of a scenario, in seconds of work for an hour of drive."""
    trace = run_drive(scenario)
    supply_v = supply_trace_v(scenario, trace)
    truth = fire_events(scenario, trace, supply_v)
    planted = _plant(scenario, truth)
    order = np.argsort(truth["time_s"], kind="stable")
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    truth = {name: values[order] for name, values in truth.items()}
    truth["event_id"] = np.arange(len(order))
    visible = visible_columns(scenario, truth)
    faults = faults_table(visible, [(int(place[fault[0]]), *fault[1:]) for fault in planted], tie_of(scenario))
    return Plan(
        scenario=scenario, events=events_table(visible), faults=faults, truth=truth, trace=trace, supply_v=supply_v
    )


def tie_of(scenario: Scenario) -> Tie:
    """Return how this scenario's feedback follows the command's end."""
    if scenario.feedback.asserts == "turn_off":
        return "delay"
    return "width" if scenario.feedback.width == "until_turn_off" else "none"


def _plant(scenario: Scenario, truth: Columns) -> list[tuple[int, str, float, str, int]]:
    """Plant all faults of the scenario in place; return (row, kind, size, unit, burst) of each."""
    rng = np.random.default_rng([scenario.seed, 15])
    n = len(truth["time_s"])
    truth["event_id"] = np.arange(n)
    after, tie = next_of_coil(truth), tie_of(scenario)
    margin = CLEARANCE * scenario.engine.pattern.n_slots
    free = ~in_gaps(scenario, truth, margin_s=0.5)
    free[:margin] = free[max(n - margin, 0) :] = False
    visible = visible_columns(scenario, truth)
    planted: list[tuple[int, str, float, str, int]] = []
    burst_id = 0
    for fault in scenario.faults:
        fits = _fitting(fault, truth, visible, tie)
        for _ in range(fault.count):
            rows = _burst_rows(fault, np.flatnonzero(fits & free), free, after, rng)
            for row in rows:
                size = fault.size
                if fault.kind in ("odd_feedback_width", "uneven_interval") and rng.random() < 0.5:
                    size = -size
                apply_fault(truth, row, fault.kind, size, tie=tie, after=int(after[row]))
                planted.append((row, fault.kind, size, unit_of(fault.kind), burst_id))
                free[max(row - margin, 0) : row + margin + 1] = False
            burst_id += bool(rows)
    return planted


def _fitting(fault: FaultSpec, truth: Columns, visible: Columns, tie: Tie) -> NDArray[np.bool_]:
    """Return the events a fault may go to: in its window, and where the leads can show it."""
    fits = (truth["time_s"] >= fault.from_s) & (truth["time_s"] < fault.to_s)
    fits &= (truth["engine_rpm"] >= fault.rpm_low) & (truth["engine_rpm"] <= fault.rpm_high)
    if fault.states is not None:
        fits &= np.isin(truth["operating_state"].astype(str), fault.states)
    if fault.kind not in ("absent_command", "weak_command", "distorted_command", "short_on_time", "long_on_time"):
        fits &= truth["feedback_seen"] == 1
    if fault.cylinders is not None:
        return np.asarray(fits & np.isin(truth["cylinder"], fault.cylinders))
    return np.asarray(fits & np.isin(truth["slot"], _showing_slots(fault.kind, truth, visible, tie)))


def _showing_slots(kind: str, truth: Columns, visible: Columns, tie: Tie) -> list[int]:
    """Return the slots whose leads can show a kind: outside gaps that is the same for all events of a slot."""
    recorded = (visible["command_seen"] >= 0) | (visible["feedback_seen"] >= 0)
    firsts = [np.flatnonzero(recorded & (truth["slot"] == slot))[:1] for slot in np.unique(truth["slot"])]
    rows = [int(first[0]) for first in firsts if len(first)]
    return [int(truth["slot"][row]) for row in rows if shows_as(visible, kind, row, tie) is not None]


def _burst_rows(
    fault: FaultSpec, first: NDArray[np.int64], free: NDArray[np.bool_], after: NDArray[np.int64],
    rng: np.random.Generator,
) -> list[int]:  # fmt: skip
    """Return the rows of one burst: one coil's events in turn, all coils' in turn for a supply sag."""
    if not len(first):
        return []
    row = int(rng.choice(first))
    if fault.kind == "supply_sag":
        return [i for i in range(row, min(row + fault.burst, len(free))) if free[i]]
    rows_of_burst = [row]
    while len(rows_of_burst) < fault.burst and (row := int(after[row])) >= 0 and free[row]:
        rows_of_burst.append(row)
    return rows_of_burst


def visible_columns(scenario: Scenario, truth: Columns) -> Columns:
    """Return the events as the scenario's leads can show them at best."""
    out = {name: values.copy() for name, values in truth.items()}
    has = {role: any(lead.role == role for lead in scenario.leads) for role in ("supply", "ground", "coil_current")}
    for role, name in (("supply", "supply_v"), ("ground", "ground_v"), ("coil_current", "coil_current_peak_a")):
        if not has[role]:
            out[name][:] = np.nan
    commanded, answered = _leads_on(scenario, truth, "command"), _leads_on(scenario, truth, "feedback")
    for name in COMMAND_COLUMNS:
        out[name][~commanded] = np.nan
    out["command_seen"] = np.where(commanded, out["command_seen"], np.int8(-1)).astype(np.int8)
    for name in FEEDBACK_COLUMNS:
        out[name][~answered] = np.nan
    out["feedback_seen"] = np.where(answered, out["feedback_seen"], np.int8(-1)).astype(np.int8)
    out["delay_us"][~commanded] = np.nan
    from_feedback = ~commanded & np.isfinite(truth["delay_us"])
    out["time_s"][from_feedback] += 1e-6 * truth["delay_us"][from_feedback]
    gone = in_gaps(scenario, truth, margin_s=0.0)
    for name in MEASURED_COLUMNS:
        out[name][gone] = np.nan
    out["command_seen"][gone] = out["feedback_seen"][gone] = -1
    out["quality"][gone] = "near_gap"
    return out


def _leads_on(scenario: Scenario, truth: Columns, role: str) -> NDArray[np.bool_]:
    """Return which events have a lead of a role on their coil."""
    pattern = scenario.engine.pattern
    slots = {pattern.slot_of(c) for _, channel in scenario.setup.leads(role) for c in channel.served(scenario.engine)}
    return np.isin(truth["slot"], list(slots))


def in_gaps(scenario: Scenario, truth: Columns, *, margin_s: float) -> NDArray[np.bool_]:
    """Return which events touch a stretch in which a command or feedback lead was not recorded."""
    pulse_columns = {lead.column for lead in scenario.leads if lead.role in ("command", "feedback")}
    stop_s = truth["time_s"] + 1e-6 * np.nan_to_num(truth["on_time_us"]) + 1e-3
    out: NDArray[Any] = np.zeros(len(stop_s), np.bool_)
    for gap in scenario.gaps:
        if gap.columns is None or pulse_columns & set(gap.columns):
            out |= (stop_s > gap.start_s - margin_s) & (truth["time_s"] < gap.start_s + gap.duration_s + margin_s)
    return out
