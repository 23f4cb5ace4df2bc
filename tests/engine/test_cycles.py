"""Cylinders of made-up drives: starts, stalls, gear changes, fuel cuts, repeated sparks, faults, gaps."""

import numpy as np
import pytest

from miner.engine.cycles import track_cycles
from miner.engine.setup import parse_setup
from tests.engine.layouts import LAYOUTS, engine
from tests.engine.pulse_maker import Habits, gap_table, judge, make, pulse_table

SEEDS = (1, 2)
NO_GAPS = gap_table([])


def habits_of(seed):
    rng = np.random.default_rng(seed + 10**6)
    return Habits(
        timing_deg=rng.choice([0.1, 0.5, 1.5]), wild_timing=rng.choice([0, 0, 0.05, 0.3]),
        unevenness=rng.uniform(0, 0.25), sparks_below_rpm=rng.choice([0, 0, 1000]),
        absent=rng.choice([0.0005, 0.003, 0.01]), bursts=int(rng.choice([0, 2])), extra=rng.choice([0, 0.001, 0.004]),
        gaps=int(rng.choice([0, 0, 4])),
    )  # fmt: skip


@pytest.fixture(scope="module")
def verdicts():
    """Counts of every layout and seed, and where something went wrong."""
    out = {}
    for name, setup in LAYOUTS.items():
        for seed in SEEDS:
            made = make(setup, np.random.default_rng(seed), 20.0, habits_of(seed))
            tracking = track_cycles(made.pulses, made.gaps, setup, end_s=made.end_s)
            out[name, seed] = judge(made, tracking, setup)
    return out


def total(verdicts, what):
    return sum(counts[what] for counts, _ in verdicts.values())


def test_cylinder_is_right_for_9999_in_10000(verdicts):
    wrong, right = total(verdicts, "wrong"), total(verdicts, "right")
    places = {key: where["wrong"] for key, (_, where) in verdicts.items() if where["wrong"]}
    assert right > 80_000
    assert wrong <= 1e-4 * right, places


def test_hardly_a_pulse_is_left_without_cylinder(verdicts):
    assert total(verdicts, "untold") + total(verdicts, "lost") <= 1e-3 * total(verdicts, "right")


def test_absences_are_found_and_none_is_invented(verdicts):
    found = total(verdicts, "found")
    assert found > 200
    assert total(verdicts, "missed") <= 0.05 * found  # mostly the last ones before a stop
    assert total(verdicts, "invented") <= 0.05 * found  # mostly true ones beside a gap, where the truth keeps none


def steady(n_slots, interval_s, *, command_every, skip=(), start_s=1.0, feedback=True):
    """Rows of one command lead (lead 0) and shared feedback (lead 1) at constant speed."""
    rows = []
    for k in range(n_slots):
        at = start_s + k * interval_s
        if k in skip:
            continue
        if k % command_every == 0:
            rows.append((0, at, 0.003))
        if feedback:
            rows.append((1, at + 0.0007, 0.0015))
    return sorted(rows, key=lambda row: row[1])


def test_a_lead_on_six_names_the_next_five_feedback_pulses_one_to_five():
    """Six cylinders, 1-2-3-4-5-6, lead on cylinder 6, feedback 692 us after turn-on (common practice, no source)."""
    setup = parse_setup({
        "engine": {"cylinders": 6, "firing_order": [1, 2, 3, 4, 5, 6]},
        "channel": [{"column": "a", "role": "command", "cylinder": 6}, {"column": "b", "role": "feedback"}],
    })  # fmt: skip
    rows = steady(13, 0.020, command_every=6)
    tracking = track_cycles(pulse_table(rows), NO_GAPS, setup, end_s=2.0)
    assert tracking.cylinder.tolist() == [6, 1, 2, 3, 4, 5, 6, 1, 2, 3, 4, 5, 6]
    assert tracking.rpm == pytest.approx(np.full(13, 1000.0))  # one cylinder fires once in two turns
    assert tracking.delay_s == pytest.approx(np.full(13, 0.0007))


@pytest.mark.parametrize("skip", [(9,), (8,), (9, 10, 11), (8, 9, 10, 11, 12), tuple(range(9, 16)), (4, 8, 12, 16, 20)])
def test_absences_keep_the_count(skip):
    setup = engine(4)
    tracking = track_cycles(pulse_table(steady(40, 0.015, command_every=4, skip=skip)), NO_GAPS, setup, end_s=2.0)
    gone = (tracking.command_row < 0) & (tracking.feedback_row < 0)
    assert np.flatnonzero(gone).tolist() == list(skip)
    assert tracking.cylinder.tolist() == [1, 3, 4, 2] * 10
    assert tracking.turn_on_s == pytest.approx(1.0 + 0.015 * np.arange(40), abs=1e-6)


def test_silence_of_two_cycles_is_a_pause_without_absences():
    first, second = steady(22, 0.015, command_every=4), steady(20, 0.015, command_every=4, start_s=1.0 + 0.015 * 32)
    tracking = track_cycles(pulse_table(first + second), NO_GAPS, engine(4), end_s=3.0)
    assert len(tracking) == 42
    assert tracking.segment.tolist() == [0] * 22 + [1] * 20
    assert tracking.cylinder.tolist() == ([1, 3, 4, 2] * 6)[:22] + [1, 3, 4, 2] * 5


@pytest.mark.parametrize("silent", [1, 2, 3, 4])
def test_one_command_alone_counts_up_to_four_silent_cycles_as_absent_when_speed_agrees(silent):
    setup = engine(4, feedback=False)
    rows = [(0, 1 + 0.06 * k, 0.003) for k in range(30) if not 10 <= k < 10 + silent]
    tracking = track_cycles(pulse_table(rows), NO_GAPS, setup, end_s=4.0)
    assert np.flatnonzero(tracking.command_row < 0).tolist() == list(range(10, 10 + silent))


def test_one_command_alone_takes_silence_with_another_speed_after_it_for_a_pause():
    rows = [(0, 1 + 0.04 * k, 0.003) for k in range(10)] + [(0, 1.36 + 0.25 + 0.08 * k, 0.003) for k in range(10)]
    tracking = track_cycles(pulse_table(rows), NO_GAPS, engine(4, feedback=False), end_s=4.0)
    assert len(tracking) == 20
    assert tracking.segment.tolist() == [0] * 10 + [1] * 10


def test_feedback_alone_leaves_the_cylinder_open_and_tracks_the_slot():
    rows = [(0, 1 + 0.015 * k, 0.0015) for k in range(24) if k != 13]
    tracking = track_cycles(pulse_table(rows), NO_GAPS, engine(4, (), feedback=True), end_s=3.0)
    assert (tracking.cylinder == -1).all()
    assert np.isnan(tracking.confidence).all()
    assert tracking.slot.tolist() == [0, 1, 2, 3] * 6
    assert np.flatnonzero(tracking.feedback_row < 0).tolist() == [13]


def test_command_lead_that_fell_off_leaves_the_cylinder_open():
    rows = [(1, 1 + 0.015 * k, 0.0015) for k in range(24)]
    tracking = track_cycles(pulse_table(rows), NO_GAPS, engine(4), end_s=3.0)
    assert (tracking.cylinder == -1).all()


def test_nothing_is_absent_in_a_gap_of_its_lead():
    rows = [r for r in steady(40, 0.015, command_every=4) if not (r[0] == 1 and 1.20 < r[1] < 1.30)]
    tracking = track_cycles(pulse_table(rows), gap_table([(1, 1.198, 1.302)]), engine(4), end_s=3.0)
    unseen = tracking.feedback_expected & (tracking.feedback_row < 0)
    assert not unseen.any()
    lost = (tracking.turn_on_s > 1.21) & (tracking.turn_on_s < 1.29)
    assert lost.any()
    assert not tracking.feedback_expected[lost].any()
    assert (tracking.command_row[lost] >= 0).all()  # slots no lead could show have no entry
    assert (tracking.segment == 0).all()
    after = tracking.turn_on_s > 1.3
    assert tracking.cylinder[after].tolist() == ([1, 3, 4, 2] * 10)[40 - after.sum() :]


def test_a_long_gap_of_all_leads_begins_a_new_segment():
    rows = [r for r in steady(80, 0.015, command_every=4) if not 1.30 < r[1] < 1.70]
    tracking = track_cycles(pulse_table(rows), gap_table([(None, 1.30, 1.70)]), engine(4), end_s=3.0)
    assert set(tracking.segment) == {0, 1}
    assert ((tracking.command_row >= 0) | (tracking.feedback_row >= 0)).all()
    slot = np.round((tracking.turn_on_s - 1.0) / 0.015).astype(int) % 4
    assert tracking.cylinder.tolist() == np.array([1, 3, 4, 2])[slot].tolist()


def test_repeated_sparks_count_once_though_two_leads_show_them():
    rows = []
    for k in range(40):
        at = 1 + 0.05 * k
        for spark in range(3):
            if k % 4 == 0:
                rows.append((0, at + 0.0034 * spark, 0.002))
            rows.append((1, at + 0.0007 + 0.0034 * spark, 0.001))
    tracking = track_cycles(pulse_table(sorted(rows, key=lambda r: r[1])), NO_GAPS, engine(4), end_s=4.0)
    assert tracking.cylinder.tolist() == [1, 3, 4, 2] * 10
    assert tracking.extra.tolist() == [2] * 40


def test_no_pulses_give_no_entries():
    tracking = track_cycles(pulse_table([]), NO_GAPS, engine(4), end_s=4.0)
    assert len(tracking) == 0


def test_paired_coils_keep_the_command_leads_number_once_a_turn():
    setup = engine(4, (4,), layout="paired")
    tracking = track_cycles(pulse_table(steady(24, 0.015, command_every=2)), NO_GAPS, setup, end_s=3.0)
    assert tracking.cylinder.tolist() == [4, 3] * 12
    assert tracking.cycle.tolist() == [k // 4 for k in range(24)]
    assert tracking.rpm == pytest.approx(np.full(24, 2000.0), rel=1e-6)
