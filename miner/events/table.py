"""The event table: one row per ignition event that happened or was due."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.engine.cycles import Tracking
from miner.engine.setup import Setup
from miner.events.crank import speed_changes_rpm
from miner.recording.ranges import touches
from miner.schema import EVENTS, QUALITIES
from miner.signal.extraction import spans_of

__all__ = ["build_events"]

COMMAND_COLUMNS = {
    "on_time_us": "duration_us",
    "amplitude_v": "amplitude_v",
    "rise_us": "rise_us",
    "fall_us": "fall_us",
    "ripple_v": "ripple_v",
    "quiet_ripple_v": "quiet_ripple_v",
    "off_level_v": "off_level_v",
    "turn_on_deg": "wheel_on_deg",
    "turn_off_deg": "wheel_off_deg",
}
"""Event columns taken from the command pulse, and their names in the pulse table."""

FEEDBACK_COLUMNS = {
    "feedback_width_us": "duration_us",
    "feedback_amplitude_v": "amplitude_v",
    "feedback_rise_us": "rise_us",
    "feedback_ripple_v": "ripple_v",
}
"""The same for the feedback pulse."""

SHARED_COLUMNS = ("supply_v", "ground_v")
"""Means over the command pulse, over the feedback pulse where there is no command."""

SLOW_SAMPLES = 20.0
"""A pulse of fewer samples is measured coarsely: half a sample at each edge is 5 % of it."""


def build_events(
    pulses: pa.Table,
    gaps: pa.Table,
    tracking: Tracking,
    setup: Setup,
    *,
    rate_hz: float,
    crank: pa.Table | None = None,
) -> pa.Table:
    """Join what was measured on each pulse to its slot.

    Parameters
    ----------
    pulses, gaps : pyarrow.Table
        ``miner.schema.PULSES`` and ``GAPS``, the ones the tracking was made from.
    tracking : Tracking
        Slots in time order.
    setup : Setup
        Engine and leads.
    rate_hz : float
        Sample rate.
    crank : pyarrow.Table, optional
        ``miner.schema.CRANK`` of the same time, where there is a wheel.

    Returns
    -------
    pyarrow.Table
        ``miner.schema.EVENTS``. A feedback pulse that lasts over another coil's answer has no width.
    """
    command, feedback = tracking.command_row, tracking.feedback_row
    time_s = _event_times(pulses, tracking, setup)
    order = np.argsort(time_s, kind="stable")
    columns: dict[str, pa.Array | NDArray[np.generic]] = {
        "cycle": tracking.cycle,
        "cylinder": _nullable(tracking.cylinder, tracking.cylinder >= 0),
        "time_s": time_s,
        "command_seen": _nullable(command >= 0, tracking.command_expected),
        "feedback_seen": _nullable(feedback >= 0, tracking.feedback_expected),
        "delay_us": _measured(_delay_us(pulses, command, feedback)),
        "interval_us": _measured(_intervals_us(tracking, time_s, setup.engine.pattern.cycle_deg)),
        "engine_rpm": _measured(tracking.rpm),
        "timing_residual_deg": _measured(tracking.residual_deg[:, 0]),
        "timing_from_before_deg": _measured(tracking.residual_deg[:, 1]),
        "timing_from_after_deg": _measured(tracking.residual_deg[:, 2]),
        "extra_pulses": tracking.extra,
        "operating_state": tracking.state,
        "quality": _quality(pulses, gaps, tracking, time_s, rate_hz),
        "slot": tracking.slot,
        "cylinder_confidence": _measured(tracking.confidence),
        "segment": tracking.stretch,
    }
    columns |= {name: _take(pulses[source], command) for name, source in COMMAND_COLUMNS.items()}
    columns |= {name: _take(pulses[source], feedback) for name, source in FEEDBACK_COLUMNS.items()}
    columns["feedback_width_us"] = _take(pulses["duration_us"], np.where(tracking.merged, -1, feedback))
    either = np.where(command >= 0, command, feedback)
    columns |= {name: _take(pulses[name], either) for name in SHARED_COLUMNS}
    columns["coil_current_peak_a"] = _measured(
        _of_current_leads(pulses["coil_currents_a"], either, tracking, setup)[:, 0]
    )
    columns |= _charging(pulses, columns["supply_v"], tracking, setup)
    columns["speed_change_rpm"] = _measured(_speed_changes(crank, columns["on_time_us"], time_s, tracking, setup))
    table = pa.table({name: pa.array(values) if isinstance(values, np.ndarray) else values
                      for name, values in columns.items()}).take(order)  # fmt: skip
    table = table.append_column("event_id", pa.array(np.arange(len(order))))
    return EVENTS.validate(table.select([c.name for c in EVENTS.columns]))


def _nullable(values: NDArray[np.generic], known: NDArray[np.bool_]) -> pa.Array:
    return pa.array(values, mask=~known)


def _measured(values: NDArray[np.float64]) -> pa.Array:
    return _nullable(values, np.isfinite(values))


def _take(column: pa.ChunkedArray, rows: NDArray[np.int64]) -> pa.Array:
    """Take pulse rows; -1 becomes null."""
    taken = column.take(_nullable(rows, rows >= 0))
    return taken.combine_chunks() if isinstance(taken, pa.ChunkedArray) else taken


def _charging(pulses: pa.Table, supply_v: pa.Array, tracking: Tracking, setup: Setup) -> dict[str, pa.Array]:
    """Return how the coil charged, and what its current did to supply and ground: resistances by Ohm's law."""
    command = tracking.command_row
    slope, tau_us, ratio, flat_us, rise_a = _of_current_leads(pulses["coil_charges"], command, tracking, setup, 5).T
    droop_v, ground_v = (_of(_floats(pulses[name]), command) for name in ("supply_droop_v", "ground_rise_v"))
    supply = np.where(command >= 0, _floats(supply_v), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        values = {
            "coil_slope_a_per_ms": slope,
            "coil_tau_us": tau_us,
            "coil_resistance_ohm": supply / (slope * tau_us * 1e-3),
            "coil_end_slope_ratio": ratio,
            "coil_flat_top_us": flat_us,
            "supply_droop_v": droop_v,
            "ground_rise_v": ground_v,
            "supply_resistance_ohm": droop_v / rise_a,
            "ground_resistance_ohm": ground_v / rise_a,
        }
    return {name: _measured(column) for name, column in values.items()}


def _floats(column: pa.ChunkedArray | pa.Array) -> NDArray[np.float64]:
    return np.asarray(column.to_numpy(zero_copy_only=False), np.float64)


def _of_current_leads(
    lists: pa.ChunkedArray, rows: NDArray[np.int64], tracking: Tracking, setup: Setup, n_each: int = 1
) -> NDArray[np.float64]:
    """Return ``n_each`` values of each pulse, from the current lead that sees its coil; NaN where none does.

    A lead with `cylinder` or `cylinders` speaks for those coils alone, and goes before one that speaks for all.
    """
    out, seen = np.full((len(rows), n_each), np.nan), rows >= 0
    leads = list(enumerate(channel for _, channel in setup.leads("coil_current")))[::-1]
    each = lists.take(pa.array(rows[seen])) if leads else lists
    for place, channel in sorted(leads, key=lambda lead: lead[1].is_named):  # what comes later goes before
        slots = [setup.engine.pattern.slot_of(cylinder) for cylinder in channel.served(setup.engine)]
        mine = seen & ((tracking.cylinder >= 0) & np.isin(tracking.slot, slots) | (not channel.is_named))
        for k in range(n_each):
            out[mine, k] = _elements(each, place * n_each + k)[mine[seen]]
    return out


def _speed_changes(
    crank: pa.Table | None, on_time_us: pa.Array, time_s: NDArray[np.float64], tracking: Tracking, setup: Setup
) -> NDArray[np.float64]:
    """Return what the crank's speed did after each event, see `miner.events.crank.speed_changes_rpm`."""
    changes = np.full(len(time_s), np.nan)
    if crank is not None and len(crank):
        order = np.argsort(time_s, kind="stable")
        interval_deg = np.array(setup.engine.pattern.intervals_deg())[tracking.slot[order]]
        on_us = on_time_us.to_numpy(zero_copy_only=False)[order]
        changes[order] = speed_changes_rpm(crank, time_s[order], on_us, interval_deg)
    return changes


def _elements(lists: pa.ChunkedArray, place: int) -> NDArray[np.float64]:
    """Return one element of each list, NaN where there is none."""
    if lists.null_count:
        return np.full(len(lists), np.nan)
    return np.asarray(pc.list_element(lists, place).to_numpy(), np.float64)


def _event_times(pulses: pa.Table, tracking: Tracking, setup: Setup) -> NDArray[np.float64]:
    """Return command turn-on, or where it was due; without a command lead, the feedback's asserting edge."""
    start_s = pulses["start_s"].to_numpy()
    commanded = {setup.engine.pattern.slot_of(c.cylinder) for _, c in setup.leads("command") if c.cylinder is not None}
    has_command = np.isin(tracking.slot, list(commanded))
    due = tracking.turn_on_s + np.where(has_command, 0.0, tracking.delay_s)
    by_feedback = ~has_command & (tracking.feedback_row >= 0)
    time_s = np.where(by_feedback, _of(start_s, tracking.feedback_row), due)
    return np.where(tracking.command_row >= 0, _of(start_s, tracking.command_row), time_s)


def _of(values: NDArray[np.float64], rows: NDArray[np.int64]) -> NDArray[np.float64]:
    out = np.full(len(rows), np.nan)
    out[rows >= 0] = values[rows[rows >= 0]]
    return out


def _delay_us(pulses: pa.Table, command: NDArray[np.int64], feedback: NDArray[np.int64]) -> NDArray[np.float64]:
    start_s = pulses["start_s"].to_numpy()
    return (_of(start_s, feedback) - _of(start_s, command)) * 1e6


def _intervals_us(tracking: Tracking, time_s: NDArray[np.float64], cycle_deg: float) -> NDArray[np.float64]:
    """Return the time since the slot's previous turn; null where one of the two did not fire, or over a gap or stop.

    The interval after an absent event would be twice the usual one by arithmetic alone; the absence has its own row.
    """
    interval = np.full(len(time_s), np.nan)
    fired = (tracking.command_row >= 0) | (tracking.feedback_row >= 0)
    for slot in np.unique(tracking.slot):
        rows = np.flatnonzero(tracking.slot == slot)
        now, before = rows[1:], rows[:-1]
        one_turn = np.abs(tracking.crank_deg[now] - tracking.crank_deg[before] - cycle_deg) < 1.0
        same = tracking.segment[now] == tracking.segment[before]
        valid = one_turn & same & fired[now] & fired[before] & ~tracking.broken[now]
        interval[now[valid]] = (time_s[now] - time_s[before])[valid] * 1e6
    return interval


def _quality(
    pulses: pa.Table, gaps: pa.Table, tracking: Tracking, time_s: NDArray[np.float64], rate_hz: float
) -> pa.Array:
    """Join the reasons of command and feedback pulse with those of the slot, in the order of ``QUALITIES``."""
    flags = np.zeros(len(time_s), dtype=np.int64)
    reasons = pulses["quality"].combine_chunks().dictionary_encode()
    bits = np.array([_bits(text) for text in reasons.dictionary.to_pylist()], dtype=np.int64)
    narrow = pulses["duration_us"].to_numpy() * 1e-6 * rate_hz < SLOW_SAMPLES
    per_pulse = bits[reasons.indices.to_numpy()] if len(pulses) else np.zeros(0, dtype=np.int64)
    per_pulse = per_pulse | np.where(narrow, _bits("slow_sampling"), 0)
    for rows in (tracking.command_row, tracking.feedback_row):
        flags[rows >= 0] |= per_pulse[rows[rows >= 0]]
    flags |= np.where(_near_gap(gaps, time_s, tracking.rpm, tracking.broken), _bits("near_gap"), 0)
    flags |= np.where(np.isfinite(tracking.rpm), 0, _bits("no_speed"))
    texts = [",".join(q for k, q in enumerate(QUALITIES) if code >> k & 1) for code in range(1 << len(QUALITIES))]
    return pa.array(texts).take(pa.array(flags))


def _bits(text: str) -> int:
    return sum(1 << QUALITIES.index(reason) for reason in text.split(",") if reason)


def _near_gap(
    gaps: pa.Table, time_s: NDArray[np.float64], rpm: NDArray[np.float64], broken: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return whether a gap of any lead lies within two turns of the crank."""
    near_s = np.where(np.isfinite(rpm), 120.0 / np.maximum(rpm, 60.0), 0.5)
    return np.asarray(broken | touches(spans_of(gaps), time_s - near_s, time_s + near_s))
