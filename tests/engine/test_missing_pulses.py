"""Missing pulses are found at every speed, on few leads: an engine cannot halve its speed for one interval."""

from __future__ import annotations

import numpy as np
import pytest

from miner.engine.cycles import Tracking, track_cycles
from tests.engine.layouts import engine
from tests.engine.pulse_maker import gap_table, pulse_table

STEP_S = 0.001
SECONDS = 30.0
SPEEDS = ("idle", "low", "middle", "up and down", "top")
PATTERNS = ("one in 300", "one in 50", "twos", "threes")
LEADS = [("command", 4), *(("answers", n) for n in (1, 2, 3, 4, 6)), *(("both", n) for n in (1, 2, 3, 4, 6))]


def speed_rpm(name: str, rng: np.random.Generator) -> np.ndarray:
    """Idle that hunts, steady driving, pulls of up to 1,700 rpm a second; all wander by some percent."""
    t = np.arange(0.0, SECONDS, STEP_S)
    rpm = {
        "idle": 780 + 60 * np.sin(2 * np.pi * t / 1.7) + 25 * np.sin(2 * np.pi * t / 0.6),
        "low": 1150 + 40 * np.sin(2 * np.pi * t / 2.3),
        "middle": 2400 + 150 * np.sin(2 * np.pi * t / 5),
        "up and down": 2700 + 1900 * np.sin(2 * np.pi * t / 7),
        "top": 6200 + 200 * np.sin(2 * np.pi * t / 4),
    }[name]
    wander = np.cumsum(rng.normal(0, 0.0009, len(t)))
    wander -= np.convolve(wander, np.ones(2000) / 2000, mode="same")
    return rpm * np.exp(np.clip(wander, -0.1, 0.1))


def missing(pattern: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Return which of n events are missing, none of the first and last ones."""
    gone = np.zeros(n, bool)
    if pattern.startswith("one"):
        gone = rng.random(n) < 1 / int(pattern.rsplit(maxsplit=1)[-1])
    else:
        length = {"twos": 2, "threes": 3}[pattern]
        for start in range(8, n - 70, 25 * length):
            at = start + int(rng.integers(0, 15))
            gone[at : at + length] = True
    gone[:8] = gone[-8:] = False
    return gone


def driven(leads: str, n: int, speed: str, pattern: str) -> tuple[Tracking, np.ndarray, np.ndarray]:
    """Return tracking, turn-on of every event that a lead speaks for, and (n, 2) which pulses are missing."""
    rng = np.random.default_rng([SPEEDS.index(speed), PATTERNS.index(pattern), n])
    setup = engine(n, () if leads == "answers" else (1,), feedback=leads != "command")
    pattern_of = setup.engine.pattern
    crank = np.cumsum(6 * speed_rpm(speed, rng) * STEP_S)
    turns = np.arange(int(crank[-1] // pattern_of.cycle_deg))
    angle = (turns[:, None] * pattern_of.cycle_deg + np.array(pattern_of.angles_deg)).ravel()
    slot = np.tile(np.arange(pattern_of.n_slots), len(turns))
    angle, slot = (angle[slot == 0], slot[slot == 0]) if leads == "command" else (angle, slot)
    due = np.interp(angle + 20 + rng.normal(0, 0.5, len(angle)), crank, np.arange(len(crank)) * STEP_S)
    gone, which = missing(pattern, len(due), rng), rng.integers(0, 3, len(due))  # both, command, answer
    commanded, answers = (slot == 0) & (leads != "answers"), np.full(len(due), leads != "command")
    lost = np.stack([gone & commanded & ((which < 2) | ~answers), gone & answers & ((which != 1) | ~commanded)], axis=1)
    rows = [(0, at, 0.0025) for at in due[commanded & ~lost[:, 0]]]
    rows += [(int(leads == "both"), at + 0.0026, 0.0013) for at in due[answers & ~lost[:, 1]]]
    rows.sort(key=lambda row: row[1])
    tracking = track_cycles(pulse_table(rows), gap_table([]), setup, end_s=SECONDS)
    return tracking, due + 0.0026 * (leads == "answers"), lost


def called(tracking: Tracking) -> np.ndarray:
    """Return (n, 2): command, answer called absent."""
    command = tracking.command_expected & (tracking.command_row < 0)
    return np.stack([command, tracking.feedback_expected & (tracking.feedback_row < 0)], axis=1)


def count(leads: str, n: int, speed: str) -> np.ndarray:
    """Return events, missing ones, missing ones found in their places, and ones called missing that were not."""
    counts = np.zeros(4, dtype=np.int64)
    for pattern in PATTERNS:
        tracking, due, lost = driven(leads, n, speed, pattern)
        said = called(tracking)
        before = np.clip(np.searchsorted(tracking.turn_on_s, due), 1, len(tracking) - 1)
        near = before - (due - tracking.turn_on_s[before - 1] < tracking.turn_on_s[before] - due)
        apart = np.minimum(np.diff(due, append=np.inf), np.diff(due, prepend=-np.inf))
        there = np.abs(tracking.turn_on_s[near] - due) < 0.3 * apart
        right = there & (said[near] == lost).all(axis=1) & lost.any(axis=1)
        true = there & lost.any(axis=1) & said[near].any(axis=1)
        counts += [len(due), lost.any(axis=1).sum(), right.sum(), said.any(axis=1).sum() - true.sum()]
    return counts


@pytest.mark.parametrize(("leads", "n"), LEADS)
def test_missing_pulses_are_found_in_their_places(leads: str, n: int) -> None:
    """At least 99 of 100 over all speeds; at no speed fewer than 95 of 100."""
    counts = np.array([count(leads, n, speed) for speed in SPEEDS])
    found = counts[:, 2] / counts[:, 1]
    assert (found >= 0.95).all(), dict(zip(SPEEDS, found, strict=True))
    events, due, right, invented = counts.sum(axis=0).tolist()
    assert right >= 0.99 * due, f"{right} of {due}"
    assert invented <= 5 + 1e-4 * events
