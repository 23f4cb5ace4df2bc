"""Speed, timing and operating states from slot times."""

import numpy as np
import pytest

from miner.engine.delay import usual_delay_s
from miner.engine.speed import cycle_speed_rpm, timing_residual_deg
from miner.engine.states import idle_speed_rpm, operating_states


def slots(rpm, step_deg=180.0):
    """Slot times for a speed at each slot, and their crank angles."""
    return np.cumsum(step_deg / (6.0 * np.asarray(rpm))), step_deg * np.arange(len(rpm))


@pytest.mark.parametrize("n_slots", [1, 2, 3, 4, 5])
def test_speed_is_exact_when_it_does_not_change(n_slots):
    time, crank = slots(np.full(20, 1234.0), 720.0 / n_slots)
    assert cycle_speed_rpm(time, crank, np.zeros(20, int), n_slots) == pytest.approx(np.full(20, 1234.0))


def test_speed_stays_inside_its_segment_and_is_unknown_for_a_lone_slot():
    time, crank = slots([1000.0] * 6 + [2000.0] * 6 + [500.0])
    segment = np.array([0] * 6 + [1] * 6 + [2])
    time[6:] += 5.0
    time[12:] += 5.0
    speed = cycle_speed_rpm(time, crank, segment, 4)
    assert speed[:6] == pytest.approx(np.full(6, 1000.0))
    assert speed[6:12] == pytest.approx(np.full(6, 2000.0))
    assert np.isnan(speed[12])


def test_residual_is_the_displacement_of_the_slot_and_does_not_spread():
    time, crank = slots(np.full(40, 1500.0))
    time[20] += 5.0 / (6.0 * 1500.0)
    residual = timing_residual_deg(time, crank, np.zeros(40, int), np.ones(40, bool))[:, 0]
    assert residual[20] == pytest.approx(5.0, abs=0.01)
    others = np.delete(residual, 20)
    assert np.nanmax(np.abs(others)) < 0.1


def test_residual_follows_steady_acceleration():
    crank = 180.0 * np.arange(40)
    time = (np.sqrt(4800.0**2 + 2 * 6000.0 * crank) - 4800.0) / 6000.0  # 800 rpm and 1000 rpm/s
    residual = timing_residual_deg(time, crank, np.zeros(40, int), np.ones(40, bool))[:, 0]
    assert np.abs(residual[6:-4]).max() < 0.2


def test_residual_needs_neighbours_and_a_pulse():
    time, crank = slots(np.full(12, 1500.0))
    seen = np.ones(12, bool)
    seen[5] = False
    residual = timing_residual_deg(time, crank, np.zeros(12, int), seen)[:, 0]
    assert np.isnan(residual[[0, 1, 5, 10, 11]]).all()
    assert np.isfinite(residual[[2, 4, 6, 9]]).all()


def drive():
    """Crank 1 s, flare, idle at 780, pull to 3000, hold, coast back to idle."""
    speed = np.concatenate([
        np.full(30, 250.0), np.geomspace(250, 1100, 12), np.geomspace(1100, 780, 40), np.full(900, 780.0),
        np.geomspace(780, 3000, 300), np.full(900, 3000.0), np.geomspace(3000, 780, 300), np.full(500, 780.0),
    ])  # fmt: skip
    rng = np.random.default_rng(3)
    return slots(speed * np.exp(rng.normal(0, 0.004, len(speed))))[0], speed


def test_states_of_a_drive():
    time, speed = drive()
    state = operating_states(time, speed, np.zeros(len(time), int))
    assert set(state[:28]) == {"cranking"}
    assert set(state[150:950]) == {"idle"}
    assert set(state[1050:1250]) == {"accelerating"}
    assert set(state[1400:2100]) == {"steady"}
    assert set(state[2250:2400]) == {"decelerating"}
    assert set(state[-400:-30]) == {"idle"}


def test_idle_speed_is_found_in_the_data():
    time, speed = drive()
    assert idle_speed_rpm(time, speed, np.gradient(np.log(speed), time)) == pytest.approx(780, rel=0.04)
    steady = np.full(500, 3000.0)
    assert np.isnan(idle_speed_rpm(slots(steady)[0], steady, np.zeros(500)))


def test_state_is_unknown_without_speed():
    assert operating_states(np.array([1.0]), np.array([np.nan]), np.array([0])).tolist() == ["unknown"]


def test_delay_follows_the_supply_and_survives_absent_feedback():
    command = np.arange(60) * 0.1
    true = np.where(command < 1.0, 0.0020, 0.0007)
    seen = np.ones(60, bool)
    seen[[3, 30, 31]] = False
    found = usual_delay_s(command, (command + true)[seen], command)
    assert found[:9] == pytest.approx(true[:9])
    assert found[12:] == pytest.approx(true[12:])


def test_delay_is_zero_without_pairs():
    assert usual_delay_s(np.zeros(0), np.array([1.0]), np.array([1.0])).tolist() == [0.0]


def test_where_all_timing_steps_every_slot_agrees_with_one_side():
    time, crank = slots(np.full(40, 1500.0))
    time[20:] += 8.0 / (6.0 * 1500.0)
    both, before, after = timing_residual_deg(time, crank, np.zeros(40, int), np.ones(40, bool)).T
    nearest = np.minimum(np.abs(before), np.abs(after))[4:36]
    assert np.nanmax(nearest) < 0.01
    assert abs(before[20]) > 5.0  # the slots before do not see it coming
    assert abs(both[20]) > 1.0


def test_a_lone_displaced_slot_agrees_with_neither_side():
    time, crank = slots(np.full(40, 1500.0))
    time[20] += 5.0 / (6.0 * 1500.0)
    _, before, after = timing_residual_deg(time, crank, np.zeros(40, int), np.ones(40, bool)).T
    assert before[20] == pytest.approx(5.0, abs=0.01)
    assert after[20] == pytest.approx(5.0, abs=0.01)
