"""Leads that say less than they seem to: answers that stay away, overlap, come early, or belong to a repeated spark."""

import numpy as np
import pytest

from miner.engine.cycles import track_cycles
from miner.engine.delay import usual_delay_s
from miner.events.table import build_events
from tests.engine.layouts import engine
from tests.engine.pulse_maker import gap_table, pulse_table

NO_GAPS = gap_table([])
DELAY_S = 0.0026  # feedback after the charge: later than the next coil's turn-on at high speed


def sweep(n_cylinders, rpm, *, start_s=1.0):
    """Turn-on times of slots whose speed is given one by one."""
    return start_s + np.cumsum(120.0 / n_cylinders / np.asarray(rpm, dtype=float))


def rows_of(turn_on, n, width_s, *, no_command=(), no_feedback=(), early_s=None):
    """Rows of a command lead on the first slot and a shared feedback lead whose overlapping pulses are one."""
    rows, answers = [], []
    for k, at in enumerate(turn_on):
        if k % n == 0 and k not in no_command:
            rows.append((0, at, 0.0025))
        if k not in no_feedback:
            start = at + DELAY_S - (early_s or {}).get(k, 0.0)
            answers.append((start, start + width_s[k % len(width_s)]))
    answers.sort()
    merged = [list(answers[0])]
    for start, stop in answers[1:]:
        if start - merged[-1][1] < 60e-6:
            merged[-1][1] = max(merged[-1][1], stop)
        else:
            merged.append([start, stop])
    rows += [(1, start, stop - start) for start, stop in merged]
    return sorted(rows, key=lambda r: r[1])


def tracked(rows, setup, end_s=60.0):
    pulses = pulse_table(rows)
    tracking = track_cycles(pulses, NO_GAPS, setup, end_s=end_s)
    return tracking, build_events(pulses, NO_GAPS, tracking, setup, rate_hz=1e6)


def slot_at(tracking, turn_on):
    """Return the nearest true slot of each entry."""
    after = np.clip(np.searchsorted(turn_on, tracking.turn_on_s), 1, len(turn_on) - 1)
    return after - (tracking.turn_on_s - turn_on[after - 1] < turn_on[after] - tracking.turn_on_s)


def assert_cylinders(tracking, turn_on, order):
    expected = np.array(order)[slot_at(tracking, turn_on) % len(order)]
    assert np.array_equal(tracking.cylinder, expected)


@pytest.mark.parametrize("silent", [3, 15, 60])
@pytest.mark.parametrize("rpm", [800, 2600, 6000])
def test_a_coil_that_stays_silent_does_not_lend_its_neighbours_answer(silent, rpm):
    """The next coil answers after the silent one's command: its time is no delay."""
    turn_on = sweep(4, np.full(480, rpm))
    gone = set(range(160, 160 + 4 * silent, 4))
    tracking, _ = tracked(rows_of(turn_on, 4, [0.0015], no_feedback=gone), engine(4))
    assert tracking.delay_s == pytest.approx(np.full(480, DELAY_S))
    assert_cylinders(tracking, turn_on, [1, 3, 4, 2])
    assert set(np.flatnonzero(tracking.feedback_expected & (tracking.feedback_row < 0))) == gone
    assert (tracking.command_row[::4] >= 0).all()


def test_delay_is_the_one_that_stays_while_the_speed_moves():
    """With twelve cylinders over 4,000 rpm another coil always answers first."""
    turn_on = sweep(12, np.concatenate((np.linspace(800, 7000, 1200), np.linspace(7000, 3000, 1200))))
    found = usual_delay_s(turn_on[::12], turn_on + DELAY_S, turn_on)
    assert found == pytest.approx(np.full(len(turn_on), DELAY_S))


@pytest.mark.parametrize(("n", "width_s"), [(8, [0.0023, 0.0027]), (12, [0.0013, 0.0019, 0.0016])])
def test_answers_that_overlap_keep_their_cylinders_and_are_not_called_absent(n, width_s):
    setup = engine(n)
    turn_on = sweep(n, np.concatenate((np.full(5 * n, 800), np.linspace(800, 6800, 100 * n), np.full(20 * n, 6800))))
    tracking, events = tracked(rows_of(turn_on, n, width_s), setup)
    assert_cylinders(tracking, turn_on, setup.engine.firing_order)
    assert False not in events["command_seen"].to_pylist()
    assert False not in events["feedback_seen"].to_pylist()
    assert (tracking.merged & (tracking.feedback_row >= 0)).sum() > 5 * n
    widths = np.array(events["feedback_width_us"][:-n].drop_null())
    assert widths.max() < 1e6 * max(width_s) + 1  # a pulse of two answers has no width of its own


def test_an_absent_answer_under_another_pulse_shows_where_the_pulse_ends():
    """At 6,000 rpm of eight cylinders the slot is 2.5 ms; the pulse of 2.7 ms would have been prolonged."""
    turn_on = sweep(8, np.concatenate((np.full(40, 800), np.linspace(800, 6000, 400), np.full(400, 6000))))
    tracking, _ = tracked(rows_of(turn_on, 8, [0.0027], no_feedback={700}), engine(8))
    absent = tracking.feedback_expected & (tracking.feedback_row < 0)
    assert slot_at(tracking, turn_on)[absent].tolist() == [700]


def test_repeated_sparks_answer_after_their_own_shorter_charge():
    turn_on = sweep(6, np.concatenate((np.full(120, 800), np.linspace(800, 3000, 240))))
    rows = rows_of(turn_on, 6, [0.00035])
    for k in range(120):
        for spark in (1, 2):
            at = turn_on[k] + 0.0025 + 0.0016 * spark
            rows += [(0, at - 0.0009, 0.0009)] * (k % 6 == 0) + [(1, at + 0.0001, 0.0003)]
    tracking, _ = tracked(sorted(rows, key=lambda r: r[1]), engine(6))
    assert_cylinders(tracking, turn_on, [1, 5, 3, 6, 2, 4])
    assert tracking.extra.tolist() == [2] * 120 + [0] * 240
    assert tracking.delay_s == pytest.approx(np.full(360, DELAY_S))


@pytest.mark.parametrize("rpm_after", [3100, 8200])
def test_a_gear_change_on_one_command_alone_is_neither_absence_nor_extra_pulse(rpm_after):
    """The speed falls, or rises, by more than a third within a cycle and a half."""
    rpm = [5400] * 20 + [0.5 * (5400 + rpm_after)] + [rpm_after] * 20
    rows = [(0, at, 0.0025) for at in sweep(1, rpm)]
    tracking, _ = tracked(rows, engine(6, feedback=False))
    assert (tracking.command_row == np.arange(41)).all()
    assert (tracking.extra == 0).all()
    assert (tracking.segment == 0).all()


def test_feedback_of_a_coil_switched_off_early_stays_with_its_command():
    """A charge half as long as usual: feedback comes 1.3 ms early, before the usual delay says its slot began."""
    turn_on = sweep(4, np.full(80, 2700))
    tracking, events = tracked(rows_of(turn_on, 4, [0.0015], early_s={40: 0.0013}), engine(4))
    assert len(tracking) == 80
    assert (tracking.extra == 0).all()
    assert events["feedback_seen"].to_pylist() == [True] * 80
    assert events["delay_us"][40].as_py() == pytest.approx(1300.0)


def test_a_start_that_fails_and_the_next_one_have_no_absences_between_them():
    """Less than two cycles of the starter, but longer than any engine that turns is silent."""
    first = sweep(4, np.full(12, 160.0))
    second = sweep(4, np.full(12, 165.0), start_s=first[-1] + 1.3)
    both = np.concatenate((first, second))
    tracking, _ = tracked(rows_of(both, 4, [0.0015]), engine(4))
    assert len(tracking) == 24
    assert tracking.segment.tolist() == [0] * 12 + [1] * 12


@pytest.mark.parametrize("share", [2.0, 3.0, 4.0])
def test_an_engine_that_catches_within_a_cycle_of_the_starter_has_no_absences_before_it(share):
    """One command alone: a cycle of the starter lasts as long as several cycles of the engine that has just fired."""
    rpm = [200.0, 1200.0 / share, *np.full(30, 1200.0)]
    rows = [(0, at, 0.003) for at in sweep(1, rpm)]
    tracking, _ = tracked(rows, engine(4, feedback=False))
    assert (tracking.command_row == np.arange(32)).all()
    assert (tracking.extra == 0).all()


@pytest.mark.parametrize(("cycles", "absent"), [(6, 6), (80, 0)])
def test_a_command_that_stays_away_while_its_coil_answers_is_a_clip_that_fell_off(cycles, absent):
    turn_on = sweep(4, np.full(600, 2500))
    gone = set(range(200, 200 + 4 * cycles, 4))
    tracking, events = tracked(rows_of(turn_on, 4, [0.0015], no_command=gone), engine(4))
    assert_cylinders(tracking, turn_on, [1, 3, 4, 2])
    seen = events["command_seen"].to_pylist()
    assert seen.count(False) == absent
    back = events["quality"].to_pylist()[max(gone) + 4]
    assert back == ("" if absent else "near_gap")
