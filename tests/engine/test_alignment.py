"""The fast alignment against every reading of short rows of pulses, and its windows against none."""

import numpy as np
import pytest

import miner.engine.alignment as alignment
from miner.engine.kernels import EXTRA
from miner.engine.slots import plan_slots
from tests.engine.layouts import engine
from tests.naive_engine import cheapest


def no_gaps(plan):
    return alignment.LeadGaps(
        first=np.zeros(len(plan.lead) + 1, dtype=np.int64), start_s=np.zeros(0), stop_s=np.zeros(0)
    )


def short_row(rng, plan, n):
    """A few slots at a wandering speed, some silent, with stray pulses."""
    at, place, rows = 0.0, int(rng.integers(plan.n_slots)), []
    speed = rng.uniform(1200, 18000)
    for _ in range(n):
        speed *= np.exp(rng.normal(0, 0.2))
        turns = (place + 1) // plan.n_slots
        after = (place + 1) % plan.n_slots
        at += (turns * plan.cycle_deg + plan.angle_deg[after] - plan.angle_deg[place]) / speed
        place = after
        for lead in np.flatnonzero(plan.serves[:, place]):
            if rng.random() > 0.15:
                rows.append((at + lead * 1e-5, int(lead)))
        if rng.random() < 0.15:
            rows.append((at + rng.uniform(0.001, 0.02), int(rng.integers(len(plan.lead)))))
    rows.sort()
    return np.array([r[0] for r in rows]), np.array([r[1] for r in rows], dtype=np.int64)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize(
    "setup", [engine(2), engine(3), engine(4, layout="paired"), engine(1), engine(2, firing_angles_deg=[0, 315])]
)
def test_finds_the_cheapest_of_all_readings(setup, seed):
    plan = plan_slots(setup)
    turn_on, lead = short_row(np.random.default_rng(seed), plan, 5)
    turn_on, lead = turn_on[:6], lead[:6]
    delay = np.full(len(lead), 0.0007)
    intervals = alignment.lead_intervals(turn_on, lead)
    best = cheapest(turn_on, lead, delay, *intervals, plan)
    found = alignment.align(turn_on, lead, delay, plan, no_gaps(plan))
    assert tuple((int(a), int(c)) for a, c in zip(found.action, found.count, strict=True)) in best


def test_windows_do_not_change_a_long_alignment(monkeypatch):
    plan = plan_slots(engine(4))
    turn_on, lead = short_row(np.random.default_rng(7), plan, 900)
    delay = np.zeros(len(lead))
    whole = alignment.align(turn_on, lead, delay, plan, no_gaps(plan))
    monkeypatch.setattr(alignment, "WINDOW", 256)
    parts = alignment.align(turn_on, lead, delay, plan, no_gaps(plan))
    assert np.array_equal(whole.action, parts.action)
    assert np.array_equal(whole.count, parts.count)
    assert (whole.action == EXTRA).any()


def test_even_feedback_alone_has_one_place_to_start_and_uneven_has_all():
    assert plan_slots(engine(4, ())).n_starts == 1
    assert plan_slots(engine(4, (1,))).n_starts == 4
    assert plan_slots(engine(6, (), firing_angles_deg=[0, 150, 240, 390, 480, 630])).n_starts == 2
    assert plan_slots(engine(4, (), firing_angles_deg=[0, 270, 450, 540])).n_starts == 4


def test_cylinders_without_a_lead_have_no_slot():
    plan = plan_slots(engine(8, (1, 6), feedback=False))
    assert plan.cylinder.tolist() == [1, 6]
    assert plan.angle_deg.tolist() == [0.0, 360.0]
