"""Made-up event and suspect tables: healthy columns, to be overwritten by the tests."""

import numpy as np
import pyarrow as pa

from miner.engine.setup import parse_setup
from miner.schema import EVENTS, SUSPECTS


def make_setup(order=(1, 3, 4, 2), commands=None, feedback=True, roles=(), **engine):
    """Return a setup with command leads on all (or the given) cylinders and one shared feedback lead."""
    commands = order if commands is None else commands
    channel = [{"column": f"command_{c}", "role": "command", "cylinder": c} for c in commands]
    channel += [{"column": "feedback", "role": "feedback"}] if feedback else []
    channel += [{"column": role, "role": role} for role in roles]
    return parse_setup({"engine": {"cylinders": len(order), "firing_order": list(order), **engine}, "channel": channel})


def make_columns(setup, n_cycles, rpm=1500.0, seed=1, supply_v=13.8):
    """Return healthy EVENTS columns as a dict of arrays; measures carry noise of a few per mille."""
    rng = np.random.default_rng(seed)
    pattern = setup.engine.pattern
    n = n_cycles * pattern.n_slots
    cycle, slot = np.divmod(np.arange(n), pattern.n_slots)
    rpm = np.broadcast_to(np.asarray(rpm, dtype=float), n_cycles).repeat(pattern.n_slots)
    step_s = np.tile(pattern.intervals_deg(), n_cycles) / (6.0 * rpm)
    command = {setup.engine.pattern.slot_of(c.cylinder) for _, c in setup.leads("command")}
    has_command = np.isin(slot, list(command))
    has_feedback = np.full(n, bool(setup.leads("feedback")))

    def measured(usual, spread, where):
        return np.where(where, usual + spread * rng.standard_normal(n), np.nan)

    return {
        "event_id": np.arange(n),
        "cycle": cycle,
        "cylinder": np.array([pattern.cylinders[s][0] for s in slot]),
        "time_s": np.concatenate([[0.0], np.cumsum(step_s)])[:n],
        "command_seen": [True if h else None for h in has_command],
        "feedback_seen": [True if h else None for h in has_feedback],
        "on_time_us": measured(3000.0, 8.0, has_command),
        "delay_us": measured(690.0, 3.0, has_command & has_feedback),
        "feedback_width_us": measured(1400.0, 10.0, has_feedback),
        "amplitude_v": measured(5.0, 0.02, has_command),
        "feedback_amplitude_v": measured(5.0, 0.02, has_feedback),
        "rise_us": measured(3.0, 0.1, has_command),
        "fall_us": measured(3.0, 0.1, has_command),
        "ripple_v": measured(0.02, 0.001, has_command),
        "interval_us": measured(1.2e8 / 1500.0, 100.0, cycle > 0),
        "engine_rpm": rpm,
        "timing_residual_deg": measured(0.0, 0.1, cycle >= 0),
        "supply_v": measured(supply_v, 0.05, np.full(n, bool(setup.leads("supply")))),
        "extra_pulses": np.zeros(n, dtype=int),
        "operating_state": np.full(n, "steady", dtype=object),
        "quality": np.full(n, "", dtype=object),
        "slot": slot,
        "cylinder_confidence": np.ones(n),
        "segment": np.zeros(n, dtype=int),
    }


def to_events(columns):
    """Turn columns into a validated EVENTS table; missing ones are null, NaN is null."""
    n = len(columns["event_id"])
    if not np.any(columns["segment"]):  # no cycle made up here lasts a second
        columns = {**columns, "segment": np.cumsum(np.diff(columns["time_s"], prepend=columns["time_s"][:1]) > 1.0)}
    arrays = [
        pa.array(columns[c.name], c.type, from_pandas=True) if c.name in columns else pa.nulls(n, c.type)
        for c in EVENTS.columns
    ]
    return EVENTS.validate(pa.Table.from_arrays(arrays, schema=EVENTS.schema))


def to_suspects(columns, entries):
    """Turn (event_id, kind, false alarms per hour) into a SUSPECTS table, worst first."""
    rows = [
        {
            "rank": rank,
            "event_id": event_id,
            "time_s": float(columns["time_s"][event_id]),
            "cylinder": None if columns["cylinder"][event_id] is None else int(columns["cylinder"][event_id]),
            "kind": kind,
            "score": -np.log10(rate),
            "false_alarms_per_hour": rate,
            "reason": "made up",
            "window_start_s": 0.0,
            "window_end_s": 1.0,
        }
        for rank, (event_id, kind, rate) in enumerate(sorted(entries, key=lambda e: e[2]), start=1)
    ]
    return SUSPECTS.validate(pa.Table.from_pylist(rows, schema=SUSPECTS.schema))
