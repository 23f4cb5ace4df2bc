"""Every ignition event of a drive with its true values: crank angle to time, coil charge to on-time and delay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.engine.firing import FiringPattern
from miner.synthetic.coil import COPPER_PER_KELVIN, charge_time_s, coil_current_a
from miner.synthetic.columns import Columns
from miner.synthetic.drive.speed import CRANKING, DriveTrace
from miner.synthetic.scenario import Lead, Scenario

__all__ = ["CoilBank", "coil_bank", "dwell_table_us", "feedback_values", "fire_events", "interval_us", "level_v"]

F = NDArray[np.float64]
LONGEST_CYCLE_S = 1.5
"""Two turns at 80 rpm: what takes longer was a stop."""

PAUSE_CYCLES = 2
"""Fewer cycles without any spark are no pause."""

EDGE_JITTER = 0.02
"""Relative scatter of transition durations from pulse to pulse."""

LEAST_WIDTH_US = 40.0
"""A feedback pulse shorter than this does not come about: the coil current hardly passed the threshold."""


@dataclass(frozen=True, kw_only=True)
class CoilBank:
    """Resistance at 20 degrees Celsius and inductance of the coil of each slot (shape ``(n_slots,)``)."""

    resistance_ohm: F
    inductance_h: F


def coil_bank(scenario: Scenario) -> CoilBank:
    """Draw each coil's resistance and inductance within the tolerance."""
    coil, n = scenario.coil, scenario.engine.pattern.n_slots
    rng = np.random.default_rng([scenario.seed, 13])
    spread = 1.0 + coil.tolerance * np.clip(rng.standard_normal((2, n)) / 2.0, -1.0, 1.0)
    return CoilBank(resistance_ohm=coil.resistance_ohm * spread[0], inductance_h=1e-3 * coil.inductance_mh * spread[1])


def fire_events(scenario: Scenario, trace: DriveTrace, supply_v: F) -> Columns:
    """Return all ignition events of the drive, healthy, in time order.

    Beside the columns of the event table there are ``resistance_ohm``, ``inductance_h`` (of the coil now),
    ``n_repeats``, and ``sag_v``: a planted drop of the supply.
    """
    rng = np.random.default_rng([scenario.seed, 14])
    off_s, columns = _spark_times(scenario, trace, rng)
    bank, slot = coil_bank(scenario), columns["slot"]
    warm_k = (scenario.coil.end_temperature_c - 20.0) * -np.expm1(-off_s / scenario.coil.warm_up_s)
    columns["resistance_ohm"] = bank.resistance_ohm[slot] * (1.0 + COPPER_PER_KELVIN * warm_k)
    columns["inductance_h"] = bank.inductance_h[slot]
    seen_v = trace.at(supply_v, np.maximum(off_s - 0.01, 0.0))
    on_us = _on_time_us(scenario, trace, off_s, seen_v, columns["engine_rpm"], rng)
    columns["on_time_us"] = on_us
    columns["time_s"] = off_s - 1e-6 * on_us
    columns["supply_v"] = trace.at(supply_v, off_s - 0.5e-6 * on_us)
    inside = (columns["time_s"] > 0.0) & (columns["time_s"] < scenario.duration_s)  # a pulse begun before is no event
    columns = {name: values[inside] for name, values in columns.items()}
    columns["segment"] = _segments(columns["time_s"], columns["cycle"])
    columns["interval_us"] = interval_us(columns["time_s"], columns["slot"], columns["cycle"])
    columns["cycle"] = (columns["cycle"] * scenario.engine.pattern.cycles_per_repeat).astype(np.int64)
    _describe(scenario, trace, columns, rng)
    feedback_values(scenario, columns, rng)
    return columns


def _segments(time_s: F, cycle: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the number of the stretch between stops and pauses: cycles without any spark, as the tracking has it."""
    skipped = np.diff(cycle, prepend=cycle[:1]) > PAUSE_CYCLES
    return np.asarray(np.cumsum(skipped | (np.diff(time_s, prepend=time_s[:1]) > LONGEST_CYCLE_S)))


def _spark_times(scenario: Scenario, trace: DriveTrace, rng: np.random.Generator) -> tuple[F, Columns]:
    """Return turn-off times and the columns known from the crank: slot, cycle, cylinder, speed, timing."""
    drive, pattern = scenario.drive, scenario.engine.pattern
    n_cycles = int(trace.angle_deg[-1] / pattern.cycle_deg) + 2
    cycle = np.repeat(np.arange(n_cycles), pattern.n_slots)
    slot = np.tile(np.arange(pattern.n_slots), n_cycles)
    due_deg = cycle * pattern.cycle_deg + np.array(pattern.angles_deg)[slot]
    own_deg = drive.cylinder_spread_deg * rng.standard_normal(pattern.n_slots)
    jitter_deg = drive.timing_jitter_deg * rng.standard_normal(len(due_deg))
    advance_deg = _advance_deg(trace, trace.time_of_angle(due_deg), rng)
    spark_deg = due_deg - advance_deg + own_deg[slot] + jitter_deg
    inside = (spark_deg > trace.angle_deg[0] + 30.0) & (spark_deg < trace.angle_deg[-1])
    off_s = trace.time_of_angle(spark_deg)
    inside &= trace.is_true(trace.ignition, off_s)
    inside &= np.concatenate([[True], np.diff(off_s) > 2e-4])
    off_s, cycle, slot = off_s[inside], cycle[inside], slot[inside]
    columns: Columns = {
        "slot": slot.astype(np.int16),
        "cycle": cycle,
        "cylinder": _slot_cylinders(scenario)[slot],
        "timing_residual_deg": (jitter_deg + own_deg[np.tile(np.arange(pattern.n_slots), n_cycles)])[inside],
        "engine_rpm": _cycle_rpm(trace, due_deg[inside], off_s, pattern),
    }
    return off_s, columns


def _slot_cylinders(scenario: Scenario) -> NDArray[np.int16]:
    """Return the cylinder of each slot; of a pair the one its command lead is named after, or the first."""
    named = {lead.cylinder for lead in scenario.leads if lead.role == "command"}
    served = scenario.engine.pattern.cylinders
    return np.array([next((c for c in pair if c in named), pair[0]) for pair in served], np.int16)


def _advance_deg(trace: DriveTrace, due_s: F, rng: np.random.Generator) -> F:
    """Return spark advance before top dead centre: with speed, less with load, restless at idle."""
    rpm, load = trace.at(trace.rpm, due_s), trace.at(trace.load, due_s)
    base = np.interp(rpm, [0.0, 500.0, 900.0, 2500.0, 5000.0], [5.0, 6.0, 10.0, 26.0, 32.0]) - 14.0 * (load - 0.2)
    idle = np.interp(rpm, [600.0, 1100.0], [1.0, 0.1])
    steps = rng.standard_normal(len(due_s))
    return np.asarray(base + 1.2 * idle * _lagged(steps, 0.9))


def _lagged(steps: F, memory: float) -> F:
    """Return a first-order autoregressive series of unit size."""
    from scipy.signal import lfilter

    return np.asarray(lfilter([np.sqrt(1.0 - memory**2)], [1.0, -memory], steps), np.float64)


def _cycle_rpm(trace: DriveTrace, due_deg: F, off_s: F, pattern: FiringPattern) -> F:
    """Return engine speed over the cycle that ends at each event, at once after a start."""
    span = np.minimum(pattern.cycle_deg, np.maximum(due_deg - trace.angle_deg[0], 1.0))
    took_s = trace.time_of_angle(due_deg) - trace.time_of_angle(due_deg - span)
    mean = span / 6.0 / np.maximum(took_s, 1e-6)
    now = trace.at(trace.rpm, off_s)
    return np.where(np.abs(mean / np.maximum(now, 1.0) - 1.0) < 0.5, mean, now)


def _on_time_us(scenario: Scenario, trace: DriveTrace, off_s: F, seen_v: F, rpm: F, rng: np.random.Generator) -> F:
    """Return the command pulse duration: table over supply voltage, limited at speed, with the computer's errors.

    The error of a turn-on scheduled ahead of time is ``-x * h**2 / 2`` for a relative acceleration ``x`` over the
    horizon ``h`` from scheduling to the spark: second-order Taylor of the crank angle.
    """
    dwell, pattern = scenario.dwell, scenario.engine.pattern
    aimed_us = np.minimum(dwell_table_us(scenario, seen_v), 1e3 * dwell.longest_ms)
    interval_us = 1e6 * min(pattern.intervals_deg()) / (6.0 * np.maximum(rpm, 30.0))
    limited_us = np.minimum(aimed_us, dwell.largest_duty * interval_us)
    on_us = np.maximum(np.floor(limited_us / dwell.step_us) * dwell.step_us, 150.0)
    if dwell.predicted:
        horizon_s = np.minimum(1e-6 * on_us + 60.0 / (6.0 * np.maximum(rpm, 100.0)), 0.03)
        change = trace.at(trace.accel_rpm_s, off_s) / np.maximum(rpm, 100.0)
        running = ~trace.is_true(trace.mode == CRANKING, off_s)
        on_us = on_us - 1e6 * 0.5 * running * np.clip(change, -3.0, 3.0) * horizon_s**2
    return np.asarray(np.maximum(on_us + dwell.jitter_us * rng.standard_normal(len(on_us)), 120.0))


def dwell_table_us(scenario: Scenario, supply_v: F) -> F:
    """Return the engine computer's on-time for the target current over supply voltage, from the nominal coil."""
    coil, dwell = scenario.coil, scenario.dwell
    stepped_v = np.round(supply_v / dwell.voltage_step_v) * dwell.voltage_step_v
    hot_ohm = coil.resistance_ohm * (1.0 + COPPER_PER_KELVIN * 0.5 * (coil.end_temperature_c - 20.0))
    fixed = {"resistance_ohm": np.full_like(stepped_v, hot_ohm),
             "inductance_h": np.full_like(stepped_v, 1e-3 * coil.inductance_mh)}  # fmt: skip
    return 1e6 * charge_time_s(np.full_like(stepped_v, dwell.target_a), supply_v=stepped_v, **fixed)


def interval_us(time_s: F, slot: NDArray[np.int16], cycle: NDArray[np.int64]) -> F:
    """Return the time since the coil's event one cycle before, NaN where none was due or the engine stood."""
    out = np.full(len(time_s), np.nan)
    for one in np.unique(slot):
        rows = np.flatnonzero(slot == one)
        follows = (np.diff(cycle[rows]) == 1) & (np.diff(time_s[rows]) < LONGEST_CYCLE_S)
        out[rows[1:]] = np.where(follows, 1e6 * np.diff(time_s[rows]), np.nan)
    return out


def _describe(scenario: Scenario, trace: DriveTrace, columns: Columns, rng: np.random.Generator) -> None:
    """Add levels, edges, current, operating state and repeated sparks."""
    n, dwell = len(columns["time_s"]), scenario.dwell
    command = _first_lead(scenario, "command")
    columns["amplitude_v"] = _height_v(scenario, command, columns) + command.level_jitter_v * rng.standard_normal(n)
    for name, edge_us in (("rise_us", command.rise_us), ("fall_us", command.fall_us)):
        columns[name] = edge_us * (1.0 + EDGE_JITTER * rng.standard_normal(n))
    columns["ripple_v"] = command.noise_v * (1.0 + 0.02 * rng.standard_normal(n))
    columns["quiet_ripple_v"] = columns["ripple_v"].copy()
    for name in ("timing_from_before_deg", "timing_from_after_deg"):
        columns[name] = columns["timing_residual_deg"].copy()  # the truth of each event, whichever side asks
    columns["off_level_v"] = level_v(command, columns["time_s"])
    if command.pulled_to_supply and command.off_v > command.on_v:
        columns["off_level_v"] += command.off_v * (columns["supply_v"] / scenario.supply.charging_v - 1.0)
    columns["coil_current_peak_a"] = coil_current_a(
        1e-6 * columns["on_time_us"], supply_v=columns["supply_v"], resistance_ohm=columns["resistance_ohm"],
        inductance_h=columns["inductance_h"],
    )  # fmt: skip
    columns["supply_v"] = columns["supply_v"] - 0.5 * scenario.supply.sag_v_per_a * columns["coil_current_peak_a"]
    ground = _first_lead(scenario, "ground")
    columns["ground_v"] = level_v(ground, columns["time_s"])
    columns["ground_v"] += 0.5 * ground.ground_v_per_a * columns["coil_current_peak_a"]
    repeats = (columns["engine_rpm"] < dwell.repeat_below_rpm) & (columns["engine_rpm"] > 350.0)
    columns["n_repeats"] = np.where(repeats, dwell.n_repeats, 0)
    columns["extra_pulses"] = columns["n_repeats"].astype(np.int16)
    columns["operating_state"] = _states(scenario, trace, columns)
    columns["command_seen"] = np.ones(n, np.int8)
    columns["sag_v"] = np.zeros(n)
    columns["cylinder_confidence"] = np.ones(n)
    cut = columns["time_s"] + 1e-6 * columns["on_time_us"] > scenario.duration_s - 1e-3
    columns["quality"] = np.where(cut, "cut_off", "").astype(object)


def _states(scenario: Scenario, trace: DriveTrace, columns: Columns) -> NDArray[np.object_]:
    """Return the operating state: changes over 4 % of speed a second count as accelerating or decelerating."""
    time_s, rpm = columns["time_s"], np.maximum(columns["engine_rpm"], 1.0)
    change = trace.at(trace.accel_rpm_s, time_s) / rpm
    state = np.full(len(time_s), "steady", object)
    state[(rpm < 1.25 * scenario.drive.idle_rpm) & (trace.at(trace.speed_kmh, time_s) < 3.0)] = "idle"
    state[change > 0.06] = "accelerating"
    state[change < -0.06] = "decelerating"
    state[trace.is_true(trace.mode == CRANKING, time_s)] = "cranking"
    return state


def feedback_values(scenario: Scenario, columns: Columns, rng: np.random.Generator) -> None:
    """Add the feedback's delay, width, levels and whether it comes about, from the coil's own charge."""
    logic, n = scenario.feedback, len(columns["time_s"])
    on_us = columns["on_time_us"]
    if logic.asserts == "turn_off":
        delay_us = on_us + logic.lag_us
    else:
        delay_us = logic.lag_us + 1e6 * charge_time_s(
            np.full(n, logic.threshold_a), supply_v=columns["supply_v"], resistance_ohm=columns["resistance_ohm"],
            inductance_h=columns["inductance_h"],
        )  # fmt: skip
    delay_us = np.where(np.isfinite(delay_us), delay_us, 1e9) + logic.jitter_us * rng.standard_normal(n)
    width_us = np.full(n, logic.fixed_us) + 2.0 * logic.jitter_us * rng.standard_normal(n)
    if logic.asserts == "current":
        until_us = on_us + logic.lag_us - delay_us
        width_us = until_us if logic.width == "until_turn_off" else np.where(until_us > 0.0, width_us, 0.0)
    comes = width_us > LEAST_WIDTH_US
    columns["delay_us"] = np.where(comes, delay_us, np.nan)
    columns["feedback_width_us"] = np.where(comes, width_us, np.nan)
    lead = _first_lead(scenario, "feedback")
    own = 1.0 + lead.cylinder_spread * rng.standard_normal(scenario.engine.pattern.n_slots)
    amplitude = _height_v(scenario, lead, columns) * own[columns["slot"]]
    amplitude = amplitude + lead.level_jitter_v * rng.standard_normal(n)
    for name, values in (
        ("feedback_amplitude_v", amplitude),
        ("feedback_rise_us", lead.rise_us * (1.0 + EDGE_JITTER * rng.standard_normal(n))),
        ("feedback_ripple_v", np.full(n, lead.noise_v) * (1.0 + 0.02 * rng.standard_normal(n))),
    ):
        columns[name] = np.where(comes, values, np.nan)
    columns["feedback_seen"] = comes.astype(np.int8)


def level_v(lead: Lead, time_s: F) -> F:
    """Return a lead's off-state level with drift, without hum, in volts."""
    swing = np.sin(2.0 * np.pi * (time_s / lead.drift_period_s + 0.13 * len(lead.column)))
    return np.asarray(lead.off_v + lead.drift_v * swing)


def _height_v(scenario: Scenario, lead: Lead, columns: Columns) -> F:
    """Return the distance between a lead's levels at each event, larger with the supply where it is pulled to it."""
    ratio = columns["supply_v"] / scenario.supply.charging_v if lead.pulled_to_supply else 1.0
    high, low = max(lead.on_v, lead.off_v), min(lead.on_v, lead.off_v)
    return np.broadcast_to(np.asarray(high * ratio - low), columns["supply_v"].shape)


def _first_lead(scenario: Scenario, role: str) -> Lead:
    """Return the first lead of a role, or a plain one where none is recorded: its pulses are there all the same."""
    return next((lead for lead in scenario.leads if lead.role == role), Lead(column="", role="other"))
