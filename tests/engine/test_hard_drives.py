"""Limiters, displaced bursts, recordings that begin while the engine runs, and all cylinders silent for a moment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from miner.engine.cycles import Tracking, track_cycles
from miner.engine.setup import Setup
from tests.engine.layouts import engine
from tests.engine.pulse_maker import gap_table, pulse_table

STEP_S = 0.0005
DELAY_S = 0.0007
SETUPS = {
    "one command and answers": engine(4),
    "answers": engine(4, ()),
    "all commands": engine(4, (1, 2, 3, 4), feedback=False),
    "all": engine(6, range(1, 7)),
    "three": engine(3),
    "eight": engine(8),
}


@dataclass(frozen=True, kw_only=True)
class Run:
    """Every firing of an engine whose speed is given: when, in which slot, and which of them were left out."""

    setup: Setup
    time_s: np.ndarray
    slot: np.ndarray
    rpm: np.ndarray
    gone: np.ndarray

    def tracked(self) -> Tracking:
        rows = []
        for index, channel in self.setup.leads("command", "feedback"):
            slots = {self.setup.engine.pattern.slot_of(c) for c in channel.served(self.setup.engine)}
            late = DELAY_S if channel.role == "feedback" else 0.0
            mine = ~self.gone & np.isin(self.slot, list(slots))
            rows += [(index, at + late, 0.0012) for at in self.time_s[mine].tolist()]
        rows.sort(key=lambda row: row[1])
        return track_cycles(pulse_table(rows), gap_table([]), self.setup, end_s=float(self.time_s[-1]) + 0.01)

    @property
    def late_s(self) -> float:
        """What the tracked instants are later than the firings by: an answer's usual delay, where no command tells."""
        return 0.0 if self.setup.leads("command") else DELAY_S


def run_of(setup: Setup, rpm: np.ndarray, *, seed: int = 0, moved_deg: dict[int, float] | None = None) -> Run:
    """Turn the crank at ``rpm`` (every half millisecond); single firings may be moved by some degrees."""
    rng = np.random.default_rng(seed)
    pattern = setup.engine.pattern
    crank = np.cumsum(6.0 * rpm * STEP_S) + rng.uniform(0.0, pattern.cycle_deg)
    turns = np.arange(int(crank[-1] // pattern.cycle_deg) + 1)
    angle = (turns[:, None] * pattern.cycle_deg + np.array(pattern.angles_deg)).ravel()
    slot = np.tile(np.arange(pattern.n_slots), len(turns))
    inside = (angle > crank[0] + 60.0) & (angle < crank[-1] - 60.0)
    angle, slot = angle[inside], slot[inside]
    moved = angle + rng.normal(0.0, 0.4, len(angle))
    for number, by_deg in (moved_deg or {}).items():
        moved[number] += by_deg
    at = np.arange(len(rpm)) * STEP_S
    time_s = np.interp(moved, crank, at)
    return Run(setup=setup, time_s=time_s, slot=slot, rpm=np.interp(time_s, at, rpm), gone=np.zeros(len(slot), bool))


def wander(rpm: float, seconds: float, seed: int = 1) -> np.ndarray:
    """A speed that wanders by a few per cent."""
    steps = np.random.default_rng(seed).normal(0.0, 0.0006, int(seconds / STEP_S))
    slow = np.cumsum(steps) - np.linspace(0.0, steps.sum(), len(steps))
    return rpm * np.exp(np.clip(slow, -0.05, 0.05))


def absent(tracking: Tracking) -> np.ndarray:
    command = tracking.command_expected & (tracking.command_row < 0)
    return command | (tracking.feedback_expected & (tracking.feedback_row < 0))


def nearest(tracking: Tracking, run: Run) -> np.ndarray:
    """Return for each tracked slot the firing that is nearest to it."""
    at = tracking.turn_on_s - run.late_s
    k = np.clip(np.searchsorted(run.time_s, at), 1, len(run.time_s) - 1)
    return k - (at - run.time_s[k - 1] < run.time_s[k] - at)


def wrong_slots(tracking: Tracking, run: Run) -> int:
    """Count slots that were told a cylinder and are not its own."""
    cylinders = np.array([run.setup.engine.pattern.cylinders[s][0] for s in run.slot])
    told = tracking.cylinder >= 0
    return int(np.sum(told & (cylinders[nearest(tracking, run)] != tracking.cylinder)))


READ_SLOWER = {
    "one command and answers": (3, 4, 5, 6), "answers": (2, 3, 4, 5, 6), "all commands": (5, 6), "three": (3, 4, 5, 6),
    "eight": (3, 4, 5, 6),
}  # fmt: skip
"""Sets of leads, and turns, where a limiter is still read as a slower engine with repeated sparks."""


def limiters() -> list[object]:
    reason = "silent turns cost more than a pause, a new start of unknown speed, and repeated sparks ever after"
    mark = pytest.mark.xfail(strict=True, reason=reason)
    return [
        pytest.param(leads, turns, marks=[mark] if turns in READ_SLOWER.get(leads, ()) else [])
        for leads in SETUPS
        for turns in (2, 3, 4, 5, 6)
    ]


@pytest.mark.parametrize(("leads", "turns"), limiters())
def test_a_limiter_that_fires_in_one_turn_of_some_is_no_slower_engine(leads: str, turns: int) -> None:
    setup = SETUPS[leads]
    up = np.linspace(3000.0, 6400.0, int(4.0 / STEP_S))
    run = run_of(setup, np.concatenate([up, wander(6400.0, 3.0), np.linspace(6400.0, 3000.0, int(3.0 / STEP_S))]))
    pattern = setup.engine.pattern
    cycle = np.cumsum(np.diff(run.slot, prepend=run.slot[0]) < 0)
    turn = (cycle * pattern.cycle_deg + np.array(pattern.angles_deg)[run.slot]) // 360.0
    limited = (run.time_s > 4.0) & (run.time_s < 7.0) & (turn % turns > 0)
    run = Run(**{**vars(run), "gone": limited})
    tracking = run.tracked()
    assert tracking.extra.sum() == 0
    steady = (tracking.turn_on_s > 4.2) & (tracking.turn_on_s < 6.8)
    assert np.median(tracking.rpm[steady] / run.rpm[nearest(tracking, run)][steady]) == pytest.approx(1.0, abs=0.03)
    driven = (tracking.turn_on_s < 4.0) | (tracking.turn_on_s > 7.3)
    assert not absent(tracking)[driven].any()
    assert wrong_slots(tracking, run) == 0


def displaced() -> list[object]:
    reason = (
        "33 of the 90 degrees between two firings: cheaper read as further pulses of the slot before, and an absence"
    )
    mark = pytest.mark.xfail(strict=True, reason=reason)
    return [pytest.param(leads, marks=[mark] if leads == "eight" else []) for leads in SETUPS]


@pytest.mark.parametrize("rpm", [900.0, 2400.0, 5200.0])
@pytest.mark.parametrize("leads", displaced())
def test_a_burst_of_displaced_events_is_neither_absent_nor_extra(leads: str, rpm: float) -> None:
    setup = SETUPS[leads]
    n = setup.engine.pattern.n_slots
    coil = setup.engine.pattern.slot_of(1)
    first = next(k for k in range(60 * n // 4, 120 * n) if run_of(setup, wander(rpm, 20.0)).slot[k] == coil)
    burst = {first: -33.0, first + n: 16.0, first + 2 * n: -18.0}
    run = run_of(setup, wander(rpm, 20.0), moved_deg=burst)
    tracking = run.tracked()
    assert tracking.extra.sum() == 0
    assert not absent(tracking).any()
    assert wrong_slots(tracking, run) == 0
    at = nearest(tracking, run)
    for number, by_deg in burst.items():
        off = tracking.residual_deg[at == number, 0]
        assert off == pytest.approx([by_deg], abs=0.35 * abs(by_deg) + 2.0)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("rpm", [800.0, 2600.0, 5800.0])
@pytest.mark.parametrize("leads", SETUPS)
def test_a_recording_may_begin_while_the_engine_runs(leads: str, rpm: float, seed: int) -> None:
    run = run_of(SETUPS[leads], wander(rpm, 8.0, seed), seed=seed)
    tracking = run.tracked()
    assert tracking.extra.sum() == 0
    assert not absent(tracking).any()
    assert wrong_slots(tracking, run) == 0
    assert len(np.unique(tracking.segment)) == 1
    if SETUPS[leads].leads("command"):
        assert (tracking.cylinder >= 0).all()
    first = run.rpm[nearest(tracking, run)][: 3 * run.setup.engine.pattern.n_slots]
    assert tracking.rpm[: len(first)] == pytest.approx(first, rel=0.06)


@pytest.mark.parametrize("n_silent", [1, 2])
@pytest.mark.parametrize("rpm", [800.0, 2600.0, 5800.0])
@pytest.mark.parametrize("leads", [name for name in SETUPS if SETUPS[name].leads("feedback") or name == "all commands"])
def test_all_cylinders_silent_for_one_or_two_events_are_absences_in_their_places(
    leads: str, rpm: float, n_silent: int
) -> None:
    run = run_of(SETUPS[leads], wander(rpm, 20.0))
    gone = np.zeros(len(run.slot), bool)
    for start in range(40, len(gone) - 40, 41):
        gone[start : start + n_silent] = True
    run = Run(**{**vars(run), "gone": gone})
    tracking = run.tracked()
    at = nearest(tracking, run)
    assert sorted(at[absent(tracking)].tolist()) == np.flatnonzero(gone).tolist()
    assert tracking.extra.sum() == 0
    assert wrong_slots(tracking, run) == 0
