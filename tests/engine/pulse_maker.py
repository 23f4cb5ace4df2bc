"""Pulse tables made from a crank that turns, with the truth about every pulse and every absence."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa

from miner.engine.setup import Setup
from miner.schema import GAPS, PULSES

STEP_S = 0.0005
SPARKS_APART_S = 0.0034


@dataclass
class Habits:
    """What this engine does, and what is planted."""

    timing_deg: float = 0.3  # event to event
    wild_timing: float = 0.0  # share of events with up to 10 degrees more
    unevenness: float = 0.2  # of the speed within a cycle while cranking
    sparks_below_rpm: float = 0.0  # repeated sparks below this speed
    first_charge: float = 1.0  # spacing of the first two sparks over that of the later ones
    absent: float = 0.002
    bursts: int = 2
    extra: float = 0.001
    near_transients: bool = True
    gaps: int = 0


@dataclass
class Made:
    """Pulses, gaps and truth."""

    pulses: pa.Table
    gaps: pa.Table
    end_s: float
    slot: np.ndarray  # of each pulse row: place in the firing pattern
    main: np.ndarray  # whether it is the slot's first pulse on its lead
    absent: list = field(default_factory=list)  # (time, slot) where nothing at all fired
    transients: list = field(default_factory=list)


def speed_profile(rng, seconds, *, paused=True):
    """Return rpm and a mask of ignition on, every half millisecond, and the times of sharp changes."""
    rpm, fires, changes = [], [], []
    idle = rng.uniform(620, 950)
    level = rng.choice([0.0, idle, 2500.0])

    def ramp(to, took, on=True):
        nonlocal level
        n = max(2, round(took / STEP_S))
        changes.append(len(rpm) * STEP_S)
        rpm.extend(np.linspace(level, to, n))
        fires.extend([on] * n)
        level = to

    def hold(took, on=True):
        n = round(took / STEP_S)
        wobble = np.cumsum(rng.normal(0, 0.0006, n))
        wobble -= np.linspace(0, wobble[-1], n)
        rpm.extend(level * np.exp(np.clip(wobble, -0.2, 0.2)))
        fires.extend([on] * n)

    def start():
        ramp(rng.uniform(150, 300), 0.15)
        hold(rng.uniform(0.4, 1.2))
        ramp(rng.uniform(900, 1500), rng.uniform(0.25, 0.6))
        ramp(idle, 0.8)

    def stop():
        ramp(0.0, rng.uniform(0.25, 1.2), on=rng.random() < 0.4)
        hold(rng.uniform(0.5, 3.0))

    while len(rpm) * STEP_S < seconds:
        if level < 100:
            hold(rng.uniform(0.3, 1.0))
            start()
        move = rng.choice(["idle", "rev", "pull", "gears", "cut", "dropped", "stop", "stall", "brake"])
        match move:
            case "idle":
                ramp(idle, rng.uniform(0.4, 2.0))
                hold(rng.uniform(1, 4))
            case "rev":
                top = rng.uniform(3000, 6500)
                ramp(top, (top - level) / rng.uniform(3000, 7500) if top > level else 0.5)
                ramp(idle, rng.uniform(0.6, 1.5))
            case "pull":
                ramp(rng.uniform(1500, 6000), rng.uniform(1, 5))
                hold(rng.uniform(0.5, 3))
            case "gears":
                for _ in range(3):
                    ramp(max(level, 900) * rng.uniform(1.4, 2.2) if level < 3500 else 5500, rng.uniform(0.8, 2))
                    ramp(level * rng.uniform(0.6, 0.75), rng.uniform(0.08, 0.3))
            case "cut":
                ramp(max(level * 0.5, idle), rng.uniform(1, 3))
            case "dropped" if paused:
                ramp(rng.uniform(2000, 4000), 1.0)
                ramp(rng.uniform(1100, 1700), rng.uniform(0.8, 2.5), on=False)
                hold(0.5)
            case "stop" if paused:
                stop()
            case "stall" if paused:
                ramp(0.0, rng.uniform(0.15, 0.5))
                hold(rng.uniform(0.6, 2))
            case "brake":
                ramp(max(level * rng.uniform(0.3, 0.6), 500), rng.uniform(0.08, 0.4))
                hold(0.3)
    return np.array(rpm), np.array(fires), np.array(changes)


def make(setup: Setup, rng, seconds: float, habits: Habits, *, paused=True) -> Made:
    """Turn the crank and let the leads answer."""
    pattern = setup.engine.pattern
    rpm, fires, changes = speed_profile(rng, seconds, paused=paused)
    time = np.arange(len(rpm)) * STEP_S
    crank = np.cumsum(6.0 * rpm * STEP_S) + rng.uniform(0, pattern.cycle_deg)
    crank += habits.unevenness * _lumps(crank, rpm, pattern)
    crank = np.maximum.accumulate(crank)
    turns = np.arange(int(crank[-1] // pattern.cycle_deg) + 1)
    angle = (turns[:, None] * pattern.cycle_deg + np.array(pattern.angles_deg)).ravel()
    slot = np.tile(np.arange(pattern.n_slots), len(turns))
    inside = (angle > crank[0]) & (angle < crank[-1] - 60)
    angle, slot = angle[inside], slot[inside]
    exact = np.interp(angle, crank, time)
    here = np.minimum((exact / STEP_S).astype(int), len(rpm) - 1)
    advance = np.interp(rpm[here], [300, 1500, 6000], [0, 15, 25])
    moved = angle - advance + rng.normal(0, habits.timing_deg, len(angle))
    moved += np.where(rng.random(len(angle)) < habits.wild_timing, rng.uniform(-10, 10, len(angle)), 0)
    turn_on = np.interp(moved, crank, time)
    alive = fires[here] & (rpm[here] > 40)
    speed = rpm[here]
    rows = _Rows(setup, rng, habits, changes)
    rows.fire(turn_on[alive], slot[alive], speed[alive])
    return rows.finish(len(rpm) * STEP_S)


def _lumps(crank, rpm, pattern):
    """Crank angle that compression adds and takes while the starter turns: slow before each firing, fast after."""
    per = pattern.cycle_deg / pattern.n_slots
    weight = np.clip((400 - rpm) / 200, 0, 1)
    return weight * per / (2 * np.pi) * np.sin(2 * np.pi * crank / per * 0.5)


class _Rows:
    def __init__(self, setup, rng, habits, changes):
        self.setup, self.rng, self.habits, self.changes = setup, rng, habits, changes
        self.pattern = setup.engine.pattern
        self.leads = [
            (i, c.role, {self.pattern.slot_of(k) for k in c.served(setup.engine)})
            for i, c in setup.leads("command", "feedback")
        ]
        self.rows, self.absent = [], []

    def fire(self, turn_on, slot, rpm):
        rng, habits = self.rng, self.habits
        command_gone, feedback_gone, extra = self._plant(turn_on, slot)
        delay = 0.0007 * (1 + 1.5 * np.clip((400 - rpm) / 200, 0, 1)) + rng.normal(0, 4e-6, len(rpm))
        dwell = np.minimum(0.003, 0.5 * 60 / np.maximum(rpm, 50))
        for k in range(len(turn_on)):
            room = 0.4 * min(self.pattern.intervals_deg()) / (6 * rpm[k])
            sparks = 1
            if rpm[k] < habits.sparks_below_rpm:
                sparks = 1 + int(min(6, room / SPARKS_APART_S)) - int(rng.random() < 0.05)
            seen = False
            apart = SPARKS_APART_S / habits.first_charge
            for s in range(max(sparks, 1)):
                at = turn_on[k] + SPARKS_APART_S + (s - 1) * apart if s else turn_on[k]
                seen |= self._pulse(at, slot[k], delay[k], dwell[k], command_gone[k], feedback_gone[k], s == 0)
            observable = any(slot[k] in served for _, _, served in self.leads)
            if not seen and observable:
                self.absent.append((turn_on[k], slot[k], rpm[k]))
            if extra[k] and k + 1 < len(turn_on):
                self._stray(turn_on[k], turn_on[k + 1], slot[k], extra[k])

    def _pulse(self, at, slot, delay, dwell, no_command, no_feedback, main):
        seen = False
        for lead, role, served in self.leads:
            if slot not in served or (no_command if role == "command" else no_feedback):
                continue
            start = at if role == "command" else at + delay
            self.rows.append((lead, start, dwell if role == "command" else 0.0015, slot, main))
            seen = True
        return seen

    def _stray(self, at, following, slot, kind):
        """Plant an extra pulse somewhere before the next slot."""
        when = at + self.rng.uniform(0.15, 0.85) * (following - at)
        for lead, role, served in self.leads:
            if role == kind and (role == "command" or slot in served):
                self.rows.append((lead, when, 0.001, slot, False))
                return

    def _plant(self, turn_on, slot):
        rng, habits, n = self.rng, self.habits, len(turn_on)
        both, feedback = rng.random(n) < habits.absent, rng.random(n) < habits.absent
        command = rng.random(n) < habits.absent / 2
        extra = np.where(rng.random(n) < habits.extra, rng.choice(["feedback", "command"], n), "")
        if habits.near_transients and len(self.changes) and n:
            near = np.searchsorted(turn_on, rng.choice(self.changes, len(self.changes) // 3)) + rng.integers(0, 8)
            both[near[near < n]] = True
        for _ in range(habits.bursts if n > 100 else 0):
            at, length = rng.integers(20, n - 60), rng.integers(2, self.pattern.n_slots + 2)
            both[at : at + length] = True
            one = rng.integers(20, n - 60)
            both[one : one + 8 * self.pattern.n_slots : self.pattern.n_slots] = self.pattern.n_slots > 1
        self._keep_pauses_short(turn_on, both)
        return command | both, feedback | both, extra

    def _keep_pauses_short(self, turn_on, both):
        """Silence of two cycles is a pause by definition, so no burst may reach it."""
        longest = 2 * self.pattern.n_slots - 1 if self.pattern.n_slots > 1 else 3
        run = 0
        for k in range(len(both)):
            run = run + 1 if both[k] else 0
            if run >= longest:
                both[k], run = False, 0

    def _between(self, absent, fired):
        """Whether the absence lies between pulses less than two cycles apart: else it is part of a pause."""
        k = np.searchsorted(fired, absent[0])
        return 0 < k < len(fired) and fired[k] - fired[k - 1] < 2 * self.pattern.cycle_deg / 6 / absent[2]

    def finish(self, end_s):
        rng, gaps = self.rng, []
        for _ in range(self.habits.gaps):
            start = rng.uniform(1, end_s - 1)
            lead = int(rng.choice([i for i, _, _ in self.leads])) if rng.random() < 0.5 else None
            gaps.append((lead, start, start + rng.choice([0.003, 0.02, 0.1, 0.5, 2.0])))
        kept = [r for r in self.rows if not any((g[0] in (None, r[0])) and g[1] - r[2] < r[1] < g[2] for g in gaps)]
        kept.sort(key=lambda r: (r[1], r[0]))
        fired = np.array([r[1] for r in kept])
        gaps.sort(key=lambda g: g[1])
        return Made(
            pulses=pulse_table([r[:3] for r in kept]),
            gaps=gap_table(gaps),
            end_s=end_s,
            slot=np.array([r[3] for r in kept]),
            main=np.array([r[4] for r in kept]),
            absent=[
                a
                for a in self.absent
                if self._between(a, fired) and not any(g[1] - 0.03 < a[0] < g[2] + 0.03 for g in gaps)
            ],
            transients=list(self.changes),
        )


def pulse_table(rows, *, rate_hz=1e6, **extra) -> pa.Table:
    """Return PULSES from (lead, start_s, duration_s)."""
    lead = np.array([r[0] for r in rows], dtype=np.int16)
    start, duration = (np.array([r[k] for r in rows], dtype=np.float64) for k in (1, 2))
    known = {
        "lead": pa.array(lead),
        "start_sample": pa.array(start * rate_hz),
        "start_s": pa.array(start),
        "stop_s": pa.array(start + duration),
        "duration_us": pa.array(duration * 1e6),
        "quality": pa.array([""] * len(rows)),
    } | {name: pa.array(values) for name, values in extra.items()}
    return PULSES.validate(pa.table({c.name: known.get(c.name, pa.nulls(len(rows), c.type)) for c in PULSES.columns}))


def gap_table(rows) -> pa.Table:
    """Return GAPS from (lead or None, start_s, stop_s)."""
    columns = {name: [r[k] for r in rows] for k, name in enumerate(("lead", "start_s", "stop_s"))}
    return pa.table({c.name: pa.array(columns[c.name], c.type) for c in GAPS.columns})


def judge(made: Made, tracking, setup: Setup):
    """Return counts: right, wrong, untold, late and lost pulses, absences found, missed and invented; and where."""
    pattern = setup.engine.pattern
    wrong_at, late_at, right, untold = [], [], 0, 0
    main = {}
    for k in range(len(tracking)):
        for row in (tracking.command_row[k], tracking.feedback_row[k]):
            if row < 0:
                continue
            main[row] = True
            if not made.main[row]:
                late_at.append(made.pulses["start_s"][int(row)].as_py())
            if tracking.cylinder[k] < 0:
                untold += 1
            elif tracking.cylinder[k] in pattern.cylinders[made.slot[row]]:
                right += 1
            else:
                wrong_at.append(made.pulses["start_s"][int(row)].as_py())
    lost = [made.pulses["start_s"][int(r)].as_py() for r in np.flatnonzero(made.main) if r not in main]
    empty = (tracking.command_row < 0) & (tracking.feedback_row < 0)
    called = [(tracking.turn_on_s[k], tracking.slot[k]) for k in np.flatnonzero(empty)]
    found = missed = 0
    missed_at = []
    for at, slot, _ in made.absent:
        near = [c for c in called if c[1] == slot and abs(c[0] - at) < 0.25 * 120 / 200]
        if near:
            called.remove(min(near, key=lambda c: abs(c[0] - at)))
            found += 1
        else:
            missed += 1
            missed_at.append(at)
    where = {"wrong": wrong_at, "late": late_at, "lost": lost, "missed": missed_at, "invented": [c[0] for c in called]}
    counts = {"right": right, "untold": untold, "found": found, "missed": missed, "invented": len(called)}
    return counts | {"wrong": len(wrong_at), "late": len(late_at), "lost": len(lost)}, where
