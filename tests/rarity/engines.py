"""Healthy engines made up at event level, harsher than real ones, and faults planted into their event tables.

Independent of ``miner.synthetic``: other physics, other noise (heavy tails, drift that remembers, noise that grows in
transients), so that the ranking cannot be right merely because it assumes what the generator does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from miner.engine.setup import Setup, parse_setup
from miner.schema import EVENTS
from tests.rarity.computers import Computer, restless

ORDERS = {1: [1], 2: [1, 2], 3: [1, 3, 2], 4: [1, 3, 4, 2], 5: [1, 2, 4, 5, 3], 6: [1, 5, 3, 6, 2, 4],
          8: [1, 8, 4, 3, 6, 5, 7, 2], 12: [1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10],
          16: list(range(1, 17))}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Engine:
    minutes: float = 10.0
    cylinders: int = 4
    leads: str = "all"  # all, one_command, commands, feedback
    supply_recorded: bool = True
    tail: float = 0.0  # degrees of freedom of the noise; 0: normal
    memory: float = 0.0  # correlation of successive noise
    map_step_us: float = 0.0  # on-time comes in steps of this
    load_steps: bool = True
    rate_hz: float = 200_000.0
    stops: bool = True
    repeated_sparks: bool = True
    flagged: float = 0.0005
    computer: Computer | None = None  # on-time by its tables, with a restless supply


def setup_for(engine: Engine) -> Setup:
    channels = []
    if engine.leads in ("all", "commands"):
        channels += [{"column": f"c{k}", "role": "command", "cylinder": k} for k in ORDERS[engine.cylinders]]
    if engine.leads == "one_command":
        channels.append({"column": "c1", "role": "command", "cylinder": 1})
    if engine.leads != "commands":
        channels.append({"column": "fb", "role": "feedback"})
    return parse_setup(
        {"engine": {"cylinders": engine.cylinders, "firing_order": ORDERS[engine.cylinders]}, "channel": channels}
    )


def speed_profile(rng: np.random.Generator, engine: Engine) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return (time, rpm, state code) on a 5 ms grid; rpm 0 is a stop."""
    pieces, states = [np.linspace(180, 260, 160)], [np.zeros(160, int)]
    rpm = 900.0
    total = int(engine.minutes * 60 / 0.005)
    pieces.append(np.linspace(260, 1250, 70))
    states.append(np.full(70, 3))
    while sum(p.size for p in pieces) < total:
        rpm = float(pieces[-1][-1])
        choice = rng.choice(["idle", "pull", "cruise", "coast", "stop"], p=[0.2, 0.3, 0.25, 0.2, 0.05])
        if choice == "pull":
            for top in rng.uniform(2200, 4200, rng.integers(1, 4)):
                n = int(rng.uniform(1.5, 6) / 0.005)
                up = rpm + (top - rpm) * np.linspace(0, 1, n) ** rng.uniform(0.8, 1.2)
                shift = np.linspace(top, top * rng.uniform(0.6, 0.75), int(rng.uniform(0.25, 0.5) / 0.005))
                pieces += [up, shift]
                states += [np.full(n, 3 if top > rpm else 4), np.full(shift.size, 4)]
                rpm = float(shift[-1])
        elif choice == "stop" and engine.stops and rpm < 1500:
            down = np.linspace(rpm, 350, 60)
            still = np.zeros(int(rng.uniform(2, 15) / 0.005))
            crank, run = np.linspace(190, 280, int(rng.uniform(0.5, 0.9) / 0.005)), np.linspace(280, 1200, 60)
            pieces += [down, still, crank, run]
            states += [np.full(60, 4), np.full(still.size, 5), np.zeros(crank.size, int), np.full(60, 3)]
        else:
            target = {"idle": 820.0, "coast": 1100.0, "stop": 820.0}.get(str(choice), rng.uniform(1400, 3300))
            n = int(rng.uniform(4, 30) / 0.005)
            wander = np.cumsum(rng.normal(0, 0.6, n))
            path = target + (rpm - target) * np.exp(-np.arange(n) * 0.005 / rng.uniform(0.5, 2)) + wander * 0.3
            pieces.append(np.clip(path, 650, 5500))
            states.append(np.where(np.abs(path - target) > 80, 4, 1 if target < 900 else 2))
    rpm_all = np.concatenate(pieces)[:total]
    return np.arange(total) * 0.005, rpm_all, np.concatenate(states)[:total]


def _noise(rng: np.random.Generator, n: int, engine: Engine) -> np.ndarray:
    if engine.tail > 0:
        x = rng.standard_t(engine.tail, n) / np.sqrt(engine.tail / (engine.tail - 2))
    else:
        x = rng.standard_normal(n)
    if engine.memory > 0:
        from scipy.signal import lfilter

        x = lfilter([np.sqrt(1 - engine.memory**2)], [1, -engine.memory], x)
    return x


SUPPLY_NOISE_V, SUPPLY_V, DWELL_POWER, ANSWER_SHARE = 0.02, 14.1, 1.25, 0.18


def roughness(rpm: np.ndarray, cranking: np.ndarray, cylinders: int) -> np.ndarray:
    """Return how many times the noise of a calm engine an event has."""
    accel = np.gradient(np.log(rpm)) * cylinders
    return 1 + np.minimum(np.abs(accel) * 12, 3) + 2.0 * cranking + 0.6 * (rpm < 1000)


def true_sigmas(events: pa.Table, engine: Engine) -> dict[str, np.ndarray]:
    """Return the noise each event really had, per measure: all that the recorded conditions do not explain."""
    rpm = events["engine_rpm"].to_numpy()
    rough = roughness(rpm, events["operating_state"].to_numpy(zero_copy_only=False) == "cranking", engine.cylinders)
    on = np.nan_to_num(events["on_time_us"].to_numpy(zero_copy_only=False))
    unseen = np.zeros_like(on) if engine.supply_recorded else on * DWELL_POWER * SUPPLY_NOISE_V / SUPPLY_V
    on_sigma = np.hypot(4 * rough, unseen)
    return {
        "on_time_us": on_sigma,
        "delay_us": np.hypot(2.5 * rough, ANSWER_SHARE * on_sigma),
        "feedback_width_us": 7 * rough,
        "amplitude_v": np.full(rpm.size, 0.004),
        "feedback_amplitude_v": np.full(rpm.size, 0.006),
        "timing_residual_deg": 0.25 * rough,
    }


def healthy_events(seed: int, engine: Engine | None = None) -> pa.Table:
    engine = engine or Engine()
    rng = np.random.default_rng(seed)
    grid_s, grid_rpm, grid_state = speed_profile(rng, engine)
    angle = np.concatenate([[0.0], np.cumsum(6 * grid_rpm[:-1] * 0.005)])
    n_cyl = engine.cylinders
    due_deg = np.arange(1, int(angle[-1] / (720 / n_cyl))) * (720 / n_cyl)
    time = np.interp(due_deg, angle, grid_s)
    rpm = np.interp(time, grid_s, grid_rpm)
    running = rpm > 150
    due_deg, time, rpm = due_deg[running], time[running], rpm[running]
    n = time.size
    slot = (np.round(due_deg / (720 / n_cyl)).astype(int)) % n_cyl
    cylinder = np.array(ORDERS[n_cyl])[slot]
    state = grid_state[np.minimum((time / 0.005).astype(int), grid_state.size - 1)]
    accel = np.gradient(np.log(rpm)) * n_cyl
    rough = roughness(rpm, state == 0, n_cyl)
    load = np.zeros(n)
    if engine.load_steps:
        for at in rng.integers(0, n, max(2, n // 3000)):
            load[at:] += rng.normal(0, 0.01)
    charging = 0.4 / (1 + np.exp((1500 - rpm) / 120))
    supply = SUPPLY_V - 0.25 * np.sin(time / 37) - 3.2 * (state == 0) + charging + rng.normal(0, SUPPLY_NOISE_V, n)
    offsets = {k: rng.normal(0, 1, 6) for k in range(1, n_cyl + 1)}
    off = np.array([offsets[int(c)] for c in cylinder])
    sample_us = 1e6 / engine.rate_hz
    nominal = 2900.0 * (14.0 / supply) ** DWELL_POWER * (1 - 0.06 * np.log(rpm / 1500)) * np.exp(load)
    if engine.computer is not None:
        supply = supply + restless(rng, time, rpm)
        nominal = engine.computer.on_time_us(rng, time, rpm, supply, n_cyl)
    if engine.map_step_us:
        nominal = np.round(nominal / engine.map_step_us) * engine.map_step_us
    on = nominal * (1 + 0.01 * off[:, 0]) + _noise(rng, n, engine) * 4 * rough + rng.normal(0, 0.03, n) * sample_us
    delay = on * ANSWER_SHARE + 170 + 6 * off[:, 1] + _noise(rng, n, engine) * 2.5 * rough
    width = 900 + 20 * off[:, 2] + 0.02 * rpm + _noise(rng, n, engine) * 7 * rough
    drift = 0.05 * np.sin(time / 400 + off[:, 3] * 0)
    amp = 4.9 + 0.03 * off[:, 3] + drift + _noise(rng, n, engine) * 0.004
    famp = 5.1 + 0.03 * off[:, 4] + drift + _noise(rng, n, engine) * 0.006
    ripple = 0.02 * np.sqrt(rng.chisquare(60, n) / 60)
    rise = 8 + 0.3 * rng.uniform(-1, 1, n) * sample_us / 5 + rng.normal(0, 0.2, n)
    fall = 6 + 0.3 * rng.uniform(-1, 1, n) * sample_us / 5 + rng.normal(0, 0.2, n)
    timing = _noise(rng, n, engine) * 0.25 * rough + 3 * np.clip(np.gradient(accel) * n_cyl, -0.2, 0.2)
    jitter_s = timing / (6 * rpm)
    time = time + jitter_s
    extra = np.zeros(n, dtype=int)
    if engine.repeated_sparks:
        extra = np.where((rpm < 1150 + rng.normal(0, 30, n)) & (rng.random(n) < 0.97), 2, 0)
    interval = np.full(n, np.nan)
    for c in range(1, n_cyl + 1):
        rows = np.flatnonzero(cylinder == c)
        gap = np.diff(time[rows]) * 1e6
        interval[rows[1:]] = np.where(gap > 2.5 * 120e6 / rpm[rows[1:]], np.nan, gap)
    has_command = {"all": np.ones(n, bool), "commands": np.ones(n, bool), "one_command": cylinder == 1,
                   "feedback": np.zeros(n, bool)}[engine.leads]  # fmt: skip
    has_feedback = np.full(n, engine.leads != "commands")
    columns = {
        "event_id": np.arange(n), "cycle": (due_deg // 720).astype(int),
        "cylinder": cylinder if engine.leads != "feedback" else np.full(n, np.nan), "time_s": time,
        "on_time_us": np.where(has_command, on, np.nan),
        "delay_us": np.where(has_command & has_feedback, delay, np.nan),
        "feedback_width_us": np.where(has_feedback, width, np.nan),
        "amplitude_v": np.where(has_command, amp, np.nan),
        "feedback_amplitude_v": np.where(has_feedback, famp, np.nan),
        "rise_us": np.where(has_command, rise, np.nan), "fall_us": np.where(has_command, fall, np.nan),
        "ripple_v": np.where(has_command, ripple, np.nan), "interval_us": interval, "engine_rpm": rpm,
        "timing_residual_deg": timing, "supply_v": supply if engine.supply_recorded else np.full(n, np.nan),
        "extra_pulses": extra, "slot": slot, "cylinder_confidence": np.full(n, 0.9999),
        "segment": np.cumsum(np.diff(time, prepend=time[:1]) > 1.5 * 120 / n_cyl / rpm),
    }  # fmt: skip
    names = np.array(["cranking", "idle", "steady", "accelerating", "decelerating", "unknown"])[state]
    quality = np.where(rng.random(n) < engine.flagged, "near_gap", "")
    arrays = {
        "command_seen": pa.array(has_command, mask=~has_command),
        "feedback_seen": pa.array(has_feedback, mask=~has_feedback),
        "operating_state": pa.array(names.tolist()), "quality": pa.array(quality.tolist()),
    }  # fmt: skip
    return table_of(columns, arrays, n)


def table_of(columns: dict[str, np.ndarray], arrays: dict[str, pa.Array], n: int) -> pa.Table:
    made = []
    for field in EVENTS.schema:
        if field.name in arrays:
            made.append(arrays[field.name].cast(field.type))
        elif field.name in columns:
            values = np.asarray(columns[field.name], dtype=float)
            made.append(pa.array(values, mask=~np.isfinite(values)).cast(field.type))
        else:
            made.append(pa.nulls(n, field.type))
    return EVENTS.validate(pa.Table.from_arrays(made, schema=EVENTS.schema))


def change(events: pa.Table, row: int | np.ndarray, **changes: object) -> pa.Table:
    """Return the table with some rows changed: a number replaces, a callable is applied to the old values."""
    rows = np.atleast_1d(row)
    for name, new in changes.items():
        field = events.schema.field(name)
        values = events[name].to_pylist()
        for r in rows.tolist():
            values[r] = new(values[r]) if callable(new) else new
        events = events.set_column(events.schema.get_field_index(name), field, pa.array(values, field.type))
    return events
