"""One lead, one pulse a cycle: missing pulses right after a start, and a cylinder that cannot be another."""

from __future__ import annotations

import numpy as np
import pytest

from miner.engine.cycles import Tracking, track_cycles
from miner.engine.setup import Setup
from tests.engine.layouts import engine
from tests.engine.pulse_maker import gap_table, pulse_table

STARTS = {
    "quick": (260, 520, 800, 950, 1030, 1060, 1060, 1050, 1040),
    "slow": (230, 238, 225, 410, 590, 720, 850, 930, 960, 950, 940),
    "flare": (250, 640, 1150, 1500, 1620, 1500, 1350, 1200, 1080),
}
SETUPS = {"answers": engine(1, ()), "one command": engine(4, feedback=False), "both": engine(1)}
CAUGHT_RPM = 600
SOONEST = {"quick": 2, "slow": 2, "flare": 3}
"""Before the engine has caught, nothing tells a missing pulse from the starter's slow turns; and where it triples its
speed within two turns, nothing tells of the one after."""


def started(setup: Setup, rpms: tuple[int, ...], missing: set[int]) -> tuple[Tracking, np.ndarray]:
    turn_on = 1.0 + np.cumsum(120.0 / np.array([rpms[0], *rpms, *[rpms[-1]] * 60]))
    rows = []
    for index, channel in setup.leads("command", "feedback"):
        late = 0.0007 if channel.role == "feedback" else 0.0
        rows += [(index, at + late, 0.0015) for number, at in enumerate(turn_on.tolist()) if number not in missing]
    rows.sort(key=lambda row: row[1])
    return track_cycles(pulse_table(rows), gap_table([]), setup, end_s=float(turn_on[-1]) + 0.05), turn_on


def called_s(tracking: Tracking) -> np.ndarray:
    empty = (tracking.command_row < 0) & (tracking.feedback_row < 0)
    return tracking.turn_on_s[empty & (tracking.command_expected | tracking.feedback_expected)]


@pytest.mark.parametrize("leads", SETUPS)
@pytest.mark.parametrize("start", STARTS)
def test_a_start_with_nothing_missing_has_no_absence(start, leads):
    tracking, _ = started(SETUPS[leads], STARTS[start], set())
    assert len(called_s(tracking)) == 0


@pytest.mark.parametrize("leads", SETUPS)
@pytest.mark.parametrize(("start", "later"), [(start, k) for start in STARTS for k in range(SOONEST[start], 12)])
def test_one_pulse_missing_soon_after_a_start(start, leads, later):
    number = 1 + later + next(k for k, rpm in enumerate(STARTS[start]) if rpm > CAUGHT_RPM)
    tracking, turn_on = started(SETUPS[leads], STARTS[start], {number})
    (at_s,) = called_s(tracking)
    assert at_s == pytest.approx(turn_on[number], abs=0.02)


@pytest.mark.parametrize("n_extra", [1, 3])
def test_one_cylinder_is_never_another(n_extra):
    setup = SETUPS["answers"]
    turn_on = 1.0 + np.cumsum(120.0 / np.linspace(250, 4000, 300))
    extra = [(0, at + 0.004, 0.0008) for at in turn_on[150 : 150 + n_extra].tolist()]
    rows = sorted([*extra, *[(0, at, 0.0015) for at in turn_on.tolist()]], key=lambda row: row[1])
    tracking = track_cycles(pulse_table(rows), gap_table([]), setup, end_s=float(turn_on[-1]) + 0.05)
    assert set(tracking.cylinder.tolist()) == {1}
    assert tracking.extra.sum() == n_extra
