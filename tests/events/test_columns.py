"""Every column of the event table against small cases worked by hand.

The engine has four cylinders, fires 1-3-4-2 and turns 1000 rpm: 30 ms from slot to slot, 120 ms a cycle.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from miner.engine.cycles import track_cycles
from miner.engine.setup import parse_setup
from miner.events.table import build_events
from miner.schema import EVENTS, PULSES
from tests.engine.pulse_maker import gap_table, pulse_table

SLOT_S = 0.030
ON_S, DELAY_S, WIDTH_S = 0.003, 0.0007, 0.0015
FIRST_S = 1.0

COMMAND = {"column": "a", "role": "command", "cylinder": 1}
SECOND = {"column": "c", "role": "command", "cylinder": 4}
FEEDBACK = {"column": "b", "role": "feedback"}


def four(*channels, **engine):
    return parse_setup({"engine": {"cylinders": 4, "firing_order": [1, 3, 4, 2], **engine}, "channel": list(channels)})


def command(k, at=None, on_s=ON_S):
    return (0, FIRST_S + k * SLOT_S if at is None else at, on_s)


def feedback(k, at=None, lead=1):
    return (lead, FIRST_S + k * SLOT_S + DELAY_S if at is None else at, WIDTH_S)


def steady(n, *, skip_command=(), skip_feedback=()):
    """Pulses of ``n`` slots: a command lead on cylinder 1 (every fourth slot) and the shared feedback."""
    rows = [command(k) for k in range(0, n, 4) if k not in skip_command]
    return rows + [feedback(k) for k in range(n) if k not in skip_feedback]


def events_of(rows, setup, *, gaps=(), end_s=60.0, rate_hz=1e6, **measured):
    order = sorted(range(len(rows)), key=lambda i: rows[i][1])
    pulses = pulse_table(
        [rows[i] for i in order], **{name: [values[i] for i in order] for name, values in measured.items()}
    )
    gap_rows = gap_table(list(gaps))
    tracking = track_cycles(pulses, gap_rows, setup, end_s=end_s)
    return build_events(pulses, gap_rows, tracking, setup, rate_hz=rate_hz).to_pydict()


def test_running_numbers_slots_cylinders_and_cycles():
    events = events_of(steady(12), four(COMMAND, FEEDBACK))
    assert events["event_id"] == list(range(12))
    assert events["slot"] == [0, 1, 2, 3] * 3
    assert events["cylinder"] == [1, 3, 4, 2] * 3
    assert events["cycle"] == [0] * 4 + [1] * 4 + [2] * 4
    assert min(events["cylinder_confidence"]) > 0.99


def test_seen_is_null_without_such_a_lead_and_true_where_a_pulse_came():
    events = events_of(steady(12), four(COMMAND, FEEDBACK))
    assert events["command_seen"] == [True, None, None, None] * 3
    assert events["feedback_seen"] == [True] * 12


def test_command_lead_alone_says_nothing_of_feedback():
    events = events_of([command(k) for k in range(0, 32, 4)], four(COMMAND))
    assert events["command_seen"] == [True] * 8
    assert events["feedback_seen"] == [None] * 8
    assert events["delay_us"] == [None] * 8
    assert events["feedback_width_us"] == [None] * 8


def test_time_is_the_turn_on_or_the_feedback_of_a_cylinder_without_command():
    events = events_of(steady(8), four(COMMAND, FEEDBACK))
    due = [FIRST_S + k * SLOT_S + (0.0 if k % 4 == 0 else DELAY_S) for k in range(8)]
    assert events["time_s"] == pytest.approx(due, abs=1e-12)


def test_absent_feedback_is_due_where_its_neighbours_put_it():
    events = events_of(steady(24, skip_feedback=(10,)), four(COMMAND, FEEDBACK))
    assert len(events["time_s"]) == 24
    assert events["feedback_seen"][10] is False
    assert events["command_seen"][10] is None
    assert events["cylinder"][10] == 4
    assert events["time_s"][10] == pytest.approx(FIRST_S + 10 * SLOT_S + DELAY_S, abs=1e-9)
    for name in ("on_time_us", "delay_us", "feedback_width_us", "interval_us", "timing_residual_deg", "supply_v"):
        assert events[name][10] is None


def test_absent_command_is_due_at_turn_on_though_its_feedback_came():
    events = events_of(steady(24, skip_command=(12,)), four(COMMAND, FEEDBACK))
    assert events["command_seen"][12] is False
    assert events["feedback_seen"][12] is True
    assert events["time_s"][12] == pytest.approx(FIRST_S + 12 * SLOT_S, abs=1e-9)
    assert events["on_time_us"][12] is None
    assert events["delay_us"][12] is None
    assert events["feedback_width_us"][12] == pytest.approx(WIDTH_S * 1e6)


def test_absent_command_and_feedback_are_one_event():
    events = events_of(steady(24, skip_command=(12,), skip_feedback=(12,)), four(COMMAND, FEEDBACK))
    assert len(events["time_s"]) == 24
    assert (events["command_seen"][12], events["feedback_seen"][12]) == (False, False)
    assert events["time_s"][12] == pytest.approx(FIRST_S + 12 * SLOT_S, abs=1e-9)


def test_due_time_follows_a_speed_that_changes():
    """At constant acceleration the crank angle is a quadratic of time; halfway between two slots is not halfway."""
    start, gain = 4000.0, 6000.0  # deg/s, deg/s^2
    crank = 180.0 * np.arange(32)
    at = FIRST_S + (np.sqrt(start**2 + 2 * gain * crank) - start) / gain
    rows = [(0, t, ON_S) for t in at[::4]] + [(1, t + DELAY_S, WIDTH_S) for k, t in enumerate(at) if k != 18]
    events = events_of(rows, four(COMMAND, FEEDBACK))
    step = at[19] - at[18]
    assert events["feedback_seen"][18] is False
    assert events["time_s"][18] == pytest.approx(at[18] + DELAY_S, abs=0.03 * step)


def test_delay_is_feedback_after_command():
    rows = [(lead, at + (0.0004 if lead == 1 and 1.2399 < at < 1.242 else 0.0), on) for lead, at, on in steady(24)]
    events = events_of(rows, four(COMMAND, FEEDBACK))
    assert [k for k, d in enumerate(events["delay_us"]) if d is not None] == [0, 4, 8, 12, 16, 20]
    assert events["delay_us"][4] == pytest.approx(700.0, abs=1e-6)
    assert events["delay_us"][8] == pytest.approx(1100.0, abs=1e-6)


def test_interval_is_the_time_since_the_same_cylinder():
    rows = steady(16)
    rows = [(lead, at + 0.001 if lead == 1 and abs(at - (FIRST_S + 9 * SLOT_S + DELAY_S)) < 1e-9 else at, on)
            for lead, at, on in rows]  # fmt: skip
    events = events_of(rows, four(COMMAND, FEEDBACK))
    assert events["interval_us"][:4] == [None] * 4
    usual = [120_000.0] * 12
    usual[9 - 4], usual[13 - 4] = 121_000.0, 119_000.0
    assert events["interval_us"][4:] == pytest.approx(usual, abs=1e-3)


def test_interval_of_paired_coils_is_one_turn():
    rows = [(0, FIRST_S + k * 2 * SLOT_S, ON_S) for k in range(8)]
    rows += [(1, FIRST_S + k * SLOT_S + DELAY_S, WIDTH_S) for k in range(16)]
    events = events_of(rows, four({**COMMAND, "cylinder": 4}, FEEDBACK, layout="paired"))
    assert events["cylinder"] == [4, 3] * 8  # a command lead's number stays; else the first of the pair in the order
    assert events["interval_us"][2:] == pytest.approx([60_000.0] * 14, abs=1e-3)
    assert events["cycle"] == [k // 4 for k in range(16)]
    assert events["engine_rpm"] == pytest.approx([1000.0] * 16)


def test_interval_is_null_beside_an_absent_event_and_over_a_pause():
    absent = events_of(steady(24, skip_feedback=(10,)), four(COMMAND, FEEDBACK))
    assert [k for k, v in enumerate(absent["interval_us"]) if v is None] == [0, 1, 2, 3, 10, 14]
    pause = 2.0
    later = [(lead, at + 16 * SLOT_S + pause, on) for lead, at, on in steady(16)]
    stopped = events_of(steady(16) + later, four(COMMAND, FEEDBACK))
    assert len(stopped["time_s"]) == 32
    assert [k for k, v in enumerate(stopped["interval_us"]) if v is None] == [0, 1, 2, 3, 16, 17, 18, 19]
    assert not any(seen is False for name in ("command_seen", "feedback_seen") for seen in stopped[name])


def test_gap_of_a_lead_makes_seen_null_and_the_interval_too():
    first, last = 9, 12  # feedback of these slots lies in the gap
    start, stop = FIRST_S + first * SLOT_S - 0.005, FIRST_S + last * SLOT_S + 0.005
    rows = [r for r in steady(32) if not (r[0] == 1 and start < r[1] < stop)]
    events = events_of(rows, four(COMMAND, FEEDBACK), gaps=[(1, start, stop)])
    turn_on = np.array(events["time_s"])
    inside = (turn_on > start) & (turn_on < stop)
    assert np.array(events["cylinder"])[inside].tolist() == [1]  # only the command lead could show one: slot 12
    assert [events["feedback_seen"][k] for k in np.flatnonzero(inside)] == [None]
    assert False not in events["feedback_seen"]
    assert events["cylinder"][-8:] == [1, 3, 4, 2] * 2
    after = [k for k in range(len(turn_on)) if stop < turn_on[k] < stop + 3.5 * SLOT_S]
    assert [events["interval_us"][k] for k in after] == [None] * len(after)
    assert "near_gap" in events["quality"][after[0]]
    assert events["quality"][0] == events["quality"][-1] == ""


def test_gap_of_all_leads_hides_events_and_makes_none_absent():
    start, stop = FIRST_S + 9.5 * SLOT_S, FIRST_S + 12.5 * SLOT_S
    rows = [r for r in steady(32) if not start < r[1] < stop]
    events = events_of(rows, four(COMMAND, FEEDBACK), gaps=[(None, start, stop)])
    assert len(events["time_s"]) == 29
    assert events["cylinder"] == [c for k, c in enumerate([1, 3, 4, 2] * 8) if k not in (10, 11, 12)]
    assert False not in events["feedback_seen"] + events["command_seen"]


def test_nothing_is_absent_after_the_end():
    events = events_of(steady(17), four(COMMAND, FEEDBACK), end_s=FIRST_S + 16 * SLOT_S + 0.004)
    assert len(events["time_s"]) == 17
    assert False not in events["feedback_seen"]


@pytest.mark.parametrize("rpm", [200.0, 780.0, 6000.0])
def test_speed_is_two_turns_over_the_cycle_length(rpm):
    rows = [(lead, FIRST_S + (at - FIRST_S) * 1000.0 / rpm, 0.0005) for lead, at, _ in steady(24)]
    events = events_of(rows, four(COMMAND, FEEDBACK))
    assert events["engine_rpm"] == pytest.approx([rpm] * 24, rel=1e-9)


def test_late_is_positive_and_in_crank_degrees():
    """At 1000 rpm a millisecond is six degrees (degrees = 6 rpm seconds)."""
    rows = [(lead, at + 0.001 if at == command(16)[1] or at == feedback(16)[1] else at, on)
            for lead, at, on in steady(48)]  # fmt: skip
    rows = [(lead, at - 0.0005 if at == feedback(30)[1] else at, on) for lead, at, on in rows]
    events = events_of(rows, four(COMMAND, FEEDBACK))
    assert events["timing_residual_deg"][16] == pytest.approx(6.0, abs=0.05)
    assert events["timing_residual_deg"][30] == pytest.approx(-3.0, abs=0.05)
    others = [v for k, v in enumerate(events["timing_residual_deg"]) if k not in (16, 30) and v is not None]
    assert np.abs(others).max() < 0.1


def test_extra_pulses_are_counted_in_their_slot():
    rows = [*steady(24), (1, FIRST_S + 9 * SLOT_S + 0.012, WIDTH_S), (0, FIRST_S + 16 * SLOT_S + 0.011, 0.001)]
    events = events_of(rows, four(COMMAND, FEEDBACK))
    assert len(events["time_s"]) == 24
    assert {k: n for k, n in enumerate(events["extra_pulses"]) if n} == {9: 1, 16: 1}
    assert events["on_time_us"][16] == pytest.approx(ON_S * 1e6)


def test_feedback_alone_has_no_cylinder_but_a_slot():
    events = events_of([feedback(k, lead=0) for k in range(12) if k != 6], four(FEEDBACK))
    assert events["cylinder"] == [None] * 12
    assert events["cylinder_confidence"] == [None] * 12
    assert np.diff(events["slot"]).tolist() == [1, 1, 1, -3, 1, 1, 1, -3, 1, 1, 1]
    assert events["command_seen"] == [None] * 12
    assert [k for k, seen in enumerate(events["feedback_seen"]) if not seen] == [6]


MEASURES = ["amplitude_v", "off_level_v", "rise_us", "fall_us", "ripple_v", "supply_v", "ground_v"]


def measured_rows():
    """Slots with every measure of every pulse a number of its own: lead * 1000 + place in the list."""
    rows = steady(12, skip_command=(4,))
    values = {name: [1000.0 * (i + 1) + m for i in range(len(rows))] for m, name in enumerate(MEASURES)}
    return rows, values


def test_each_measure_comes_from_its_own_pulse():
    rows, values = measured_rows()
    events = events_of(rows, four(COMMAND, FEEDBACK), **values)
    of_command = {k: rows.index(command(k)) for k in (0, 8)}
    of_feedback = {k: rows.index(feedback(k)) for k in range(12)}
    for k in range(12):
        c, f = of_command.get(k), of_feedback[k]
        for name in ("amplitude_v", "off_level_v", "rise_us", "fall_us", "ripple_v"):
            assert events[name][k] == (None if c is None else values[name][c])
        for name in ("amplitude_v", "rise_us", "ripple_v"):
            assert events[f"feedback_{name}"][k] == values[name][f]
        for name in ("supply_v", "ground_v"):
            assert events[name][k] == values[name][f if c is None else c]
    assert [v for v in events["on_time_us"] if v is not None] == pytest.approx([3000.0, 3000.0])
    assert [k for k, v in enumerate(events["on_time_us"]) if v is not None] == [0, 8]
    assert events["feedback_width_us"] == pytest.approx([1500.0] * 12)


def test_what_was_not_measured_is_null_not_zero():
    events = events_of(steady(12), four(COMMAND, FEEDBACK))
    for name in ("amplitude_v", "feedback_amplitude_v", "rise_us", "supply_v", "ground_v", "coil_current_peak_a"):
        assert events[name] == [None] * 12


def clamp(column, **cylinders):
    return {"column": column, "role": "coil_current", **cylinders}


@pytest.mark.parametrize(
    ("clamps", "of_slot"),
    [
        ([clamp("i")], [0, 0, 0, 0]),
        ([clamp("i"), clamp("j")], [0, 0, 0, 0]),
        ([clamp("i", cylinder=1)], [0, None, None, None]),
        ([clamp("i", cylinder=4)], [None, None, 0, None]),
        ([clamp("i", cylinders=[3, 2])], [None, 0, None, 0]),
        ([clamp("i", cylinder=3), clamp("j", cylinder=1)], [1, 0, None, None]),
        ([clamp("i"), clamp("j", cylinder=3)], [0, 1, 0, 0]),
    ],
    ids=["one for all", "two for all", "own command", "another cylinder", "two cylinders", "two clamps", "all but one"],
)
@pytest.mark.parametrize("supply", [False, True])
@pytest.mark.parametrize("commands", [1, 2])
def test_a_clamp_speaks_for_the_coils_it_sees(clamps, of_slot, supply, commands):
    """The order of firing is 1, 3, 4, 2; the largest current is that of the command, else of the feedback."""
    others = [{"column": "u", "role": "supply"}] if supply else []
    leads = [COMMAND, FEEDBACK, *([SECOND] if commands == 2 else []), *others, *clamps]
    rows = steady(12)
    if commands == 2:
        rows += [(2, FIRST_S + k * SLOT_S, ON_S) for k in range(2, 12, 4)]
    currents = [[10.0 * i + place for place in range(len(clamps))] for i in range(len(rows))]
    events = events_of(rows, four(*leads), coil_currents_a=currents, supply_v=[13.0] * len(rows))
    for k in range(12):
        slot = k % 4
        own = [i for i, row in enumerate(rows) if row[0] != 1 and abs(row[1] - FIRST_S - k * SLOT_S) < 1e-9]
        i = own[0] if own else rows.index(feedback(k))
        place = of_slot[slot]
        assert events["coil_current_peak_a"][k] == (None if place is None else currents[i][place])
        assert events["supply_v"][k] == 13.0


def test_a_clamp_on_a_paired_coil_speaks_for_both_cylinders():
    rows = [(0, FIRST_S + 2 * k * SLOT_S, ON_S) for k in range(8)]
    rows += [(1, FIRST_S + (2 * k + 1) * SLOT_S, ON_S) for k in range(8)]
    second = {"column": "c", "role": "command", "cylinder": 3}
    currents = [[5.0 + i] for i in range(len(rows))]
    setup = four(COMMAND, second, clamp("i", cylinder=4), layout="paired")
    events = events_of(rows, setup, coil_currents_a=currents)
    assert events["cylinder"][:4] == [1, 3, 1, 3]
    assert events["coil_current_peak_a"][0::2] == [5.0 + i for i in range(8)]
    assert events["coil_current_peak_a"][1::2] == [None] * 8


def test_a_clamp_says_nothing_of_a_cylinder_that_cannot_be_told():
    rows = [feedback(k, lead=0) for k in range(12)]
    currents = [[7.0]] * 12
    events = events_of(rows, four(FEEDBACK, clamp("i", cylinder=1)), coil_currents_a=currents)
    assert events["coil_current_peak_a"] == [None] * 12
    assert events_of(rows, four(FEEDBACK, clamp("i")), coil_currents_a=currents)["coil_current_peak_a"] == [7.0] * 12


def test_quality_joins_the_reasons_of_both_pulses_once_in_declared_order():
    rows = steady(12)
    quality = [""] * len(rows)
    quality[rows.index(command(4))] = "cut_off"
    quality[rows.index(feedback(4))] = "clipped,cut_off"
    quality[rows.index(feedback(6))] = "clipped"
    events = events_of(rows, four(COMMAND, FEEDBACK), quality=quality)
    assert {k: q for k, q in enumerate(events["quality"]) if q} == {4: "clipped,cut_off", 6: "clipped"}


def test_pulse_of_few_samples_is_slow_sampling():
    events = events_of(steady(12), four(COMMAND, FEEDBACK), rate_hz=10_000.0)  # 30 samples of command, 15 of feedback
    assert events["quality"] == ["slow_sampling"] * 12
    events = events_of([command(k) for k in range(0, 32, 4)], four(COMMAND), rate_hz=10_000.0)
    assert events["quality"] == [""] * 8


def test_lone_event_has_no_speed_and_says_so():
    events = events_of([command(0), feedback(0)], four(COMMAND, FEEDBACK))
    assert events["engine_rpm"] == [None]
    assert events["quality"] == ["no_speed"]
    assert events["operating_state"][0] in ("cranking", "unknown")


def test_no_pulses_make_an_empty_table_of_the_declared_shape():
    pulses, gaps, setup = PULSES.empty(), gap_table([]), four(COMMAND, FEEDBACK)
    tracking = track_cycles(pulses, gaps, setup, end_s=10.0)
    table = build_events(pulses, gaps, tracking, setup, rate_hz=1e6)
    assert table.schema.equals(EVENTS.schema)
    assert len(table) == 0


def phases():
    """Speed over a drive with known phases: (name, seconds, rpm at its begin, at its end)."""
    return [
        ("cranking", 1.5, 220.0, 220.0),
        ("start", 0.5, 220.0, 1100.0),
        ("settle", 1.5, 1100.0, 800.0),
        ("idle", 8.0, 800.0, 800.0),
        ("accelerating", 4.0, 800.0, 3200.0),
        ("steady", 6.0, 3200.0, 3200.0),
        ("decelerating", 4.0, 3200.0, 1000.0),
        ("settle", 1.0, 1000.0, 800.0),
        ("idle", 8.0, 800.0, 800.0),
    ]


def test_operating_states_of_a_drive_with_known_phases():
    step = 0.001
    rpm = np.concatenate([np.linspace(a, b, round(s / step)) for _, s, a, b in phases()])
    crank = np.cumsum(6.0 * rpm * step)
    time = FIRST_S + step * np.arange(1, len(rpm) + 1)
    at = np.interp(180.0 * np.arange(1, int(crank[-1] // 180.0)), crank, time)
    rows = [(0, t, 0.002) for t in at[::4]] + [(1, t + 0.0005, 0.001) for t in at]
    events = events_of(rows, four(COMMAND, FEEDBACK))
    when, state = np.array(events["time_s"]), np.array(events["operating_state"])
    begin = FIRST_S
    for name, seconds, _, _ in phases():
        inner = (when > begin + 0.6) & (when < begin + seconds - 0.6)
        if name in ("cranking", "idle", "accelerating", "steady", "decelerating"):
            assert inner.any()
            assert set(state[inner]) == {name}, (name, set(state[inner]))
        begin += seconds
    assert pa.array(state).null_count == 0
