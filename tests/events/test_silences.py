"""Silences of all leads and of one: what they look like, and that a fallen clip is one line, not a thousand."""

from __future__ import annotations

import numpy as np
import pytest

import miner.events.rows
from miner.engine.cycles import track_cycles
from miner.events.silences import find_silences
from miner.events.table import build_events
from tests.engine.layouts import engine
from tests.engine.pulse_maker import gap_table, pulse_table

CYCLE_DEG = 180.0


def turn_ons(*pieces, start_s=1.0):
    """Instants of slots 180 degrees apart at speeds that run from one to another within a time; None is silence."""
    times, now = [], start_s
    for rpm, to, seconds in pieces:
        begin = now
        if rpm is None:
            now += seconds
            continue
        while now < begin + seconds:
            times.append(now)
            now += CYCLE_DEG / 6.0 / (rpm + (to - rpm) * (now - begin) / seconds)
    return np.array(times)


END_S = 0.02


def mined(times, setup=None, *, lost=None, gaps=(), after_s=END_S):
    """Events and silences; ``lost(lead, time)`` takes a pulse away, the recording lasts ``after_s`` longer."""
    setup = setup or engine(4)
    leads = setup.leads("command", "feedback")
    slots = {index: {setup.engine.pattern.slot_of(c) for c in one.served(setup.engine)} for index, one in leads}
    rows = []
    for number, at in enumerate(times.tolist()):
        for index, one in leads:
            start = at if one.role == "command" else at + 0.0007
            if number % 4 in slots[index] and not (lost and lost(index, at)):
                rows.append((index, start, 0.002))
    pulses, gaps = pulse_table(sorted(rows, key=lambda row: row[1])), gap_table(list(gaps))
    tracking = track_cycles(pulses, gaps, setup, end_s=float(times[-1]) + 1.0)
    events = build_events(pulses, gaps, tracking, setup, rate_hz=1e6)
    return events, find_silences(events, gaps, setup, end_s=float(times[-1]) + after_s).to_pylist()


STARTED = (220, 240, 1.0), (240, 900, 0.4), (900, 850, 3.0)

LOOKS = {
    "stop": ((3000, 3000, 4.0), (3000, 800, 2.0), (800, 800, 3.0), (None, None, 5.0), *STARTED),
    "stalled": ((3000, 900, 4.0), (900, 850, 3.0), (850, 150, 0.3), (None, None, 2.0), *STARTED),
    "cut out, to the starter": ((2800, 3000, 4.0), (None, None, 6.0), *STARTED),
    "cut out, engine turns on": ((2800, 3000, 4.0), (None, None, 1.5), (2500, 3100, 3.0)),
    "overrun": ((3500, 3500, 3.0), (3500, 2500, 1.5), (None, None, 2.0), (1500, 1300, 2.0)),
    "limiter": ((3000, 6000, 3.0), (None, None, 0.2), (5850, 6000, 1.0)),
}


@pytest.mark.parametrize(
    ("name", "kind", "back", "speed"),
    [
        ("stop", "stop", "by the starter", 800),
        ("stalled", "stop", "by the starter", 850),
        ("cut out, to the starter", "cut_out", "by the starter", 2990),
        ("cut out, engine turns on", "cut_out", "still turning", 2990),
        ("overrun", "overrun", "still turning", 2750),
        ("limiter", "limiter", "still turning", 5700),
    ],
)
def test_what_a_silence_of_all_leads_looks_like(name, kind, back, speed):
    pieces = LOOKS[name]
    events, (silence,) = mined(turn_ons(*pieces))
    at = next(k for k, piece in enumerate(pieces) if piece[0] is None)
    assert silence["start_s"] == pytest.approx(1.0 + sum(p[2] for p in pieces[:at]), abs=0.2)
    assert silence["stop_s"] - silence["start_s"] == pytest.approx(pieces[at][2], abs=0.2)
    assert (silence["looks_like"], silence["came_back"]) == (kind, back)
    assert silence["rpm_before"] == pytest.approx(speed, rel=0.06)
    assert silence["leads"] == ["command_1", "feedback"]
    assert (silence["turns_to_silence"] > 0.5) == (name == "stalled")
    assert f"{silence['stop_s'] - silence['start_s']:.2f} s" in silence["sentence"]
    assert events["segment"].to_pylist()[-1] == 1


def test_a_gap_is_no_silence():
    times = turn_ons((2500, 2500, 3.0), (None, None, 2.0), (2500, 2500, 3.0))
    _, silences = mined(times, gaps=[(None, 3.99, 6.0)])
    assert silences == []


@pytest.mark.parametrize(
    ("setup", "lead", "column"),
    [
        (engine(4), 0, "command_1"),
        (engine(4), 1, "feedback"),
        (engine(4, (1, 2, 3, 4)), 4, "feedback"),
        (engine(4, (1, 2, 3, 4), feedback=False), 2, "command_3"),
    ],
)
def test_a_clip_that_fell_off_is_one_line_and_no_absence(setup, lead, column):
    times = turn_ons((2000, 2500, 30.0))
    events, (silence,) = mined(times, setup, lost=lambda index, at: index == lead and 10.0 < at < 20.0)
    assert (silence["looks_like"], silence["leads"]) == ("clip_off", [column])
    assert silence["start_s"] == pytest.approx(10.0, abs=0.1)
    assert silence["stop_s"] == pytest.approx(20.0, abs=0.1)
    seen = "feedback_seen" if column == "feedback" else "command_seen"
    assert False not in events[seen].to_pylist()
    inside = (events["time_s"].to_numpy() > 10.1) & (events["time_s"].to_numpy() < 19.9)
    mine = inside if column == "feedback" else inside & (events["cylinder"].to_numpy() == int(column[-1]))
    rows = events.filter(mine)
    assert rows[seen].null_count == rows.num_rows
    assert set(rows["quality"].to_pylist()) <= {"near_gap"}
    assert rows.num_rows > 80 or not setup.leads("feedback")


def test_a_clip_that_stays_off_lasts_to_the_end():
    times = turn_ons((2000, 2500, 30.0))
    _, (silence,) = mined(times, lost=lambda index, at: index == 0 and at > 10.0)
    assert silence["stop_s"] is None
    assert silence["came_back"] == "none"
    assert "to the end of the recording" in silence["sentence"]


def test_a_coil_whose_command_and_answer_stay_away_is_a_fault_and_no_clip():
    times = turn_ons((2000, 2500, 20.0))
    dead = set(times[::4][60:].tolist())
    events, silences = mined(times, lost=lambda index, at: at in dead)
    assert silences == []
    assert events["command_seen"].to_pylist().count(False) > 50


def test_pieces_change_nothing(monkeypatch):
    times = turn_ons(*LOOKS["stop"], (None, None, 3.0), *LOOKS["cut out, engine turns on"])
    events, silences = mined(times, lost=lambda index, at: index == 0 and 2.0 < at < 6.0)
    monkeypatch.setattr(miner.events.rows, "PIECE_EVENTS", 97)
    ended = float(times[-1]) + END_S
    assert find_silences(events, gap_table([]), engine(4), end_s=ended).to_pylist() == silences
    assert [silence["looks_like"] for silence in silences] == ["clip_off", "stop", "pause", "cut_out"]
    assert [silence["silence_id"] for silence in silences] == [1, 2, 3, 4]


ENDINGS = {
    "cut out": ((2800, 3000, 4.0), 3.0, "cut_out", 2990),
    "switched off": ((900, 850, 4.0), 3.0, "stop", 856),
    "braked to a stop": ((3000, 1400, 4.0), 3.0, "stop", 1600),
    "limiter": ((3000, 6000, 4.0), 0.3, "limiter", 5600),
}


def test_an_event_that_was_due_before_a_pause_and_lies_after_it_makes_no_second_one():
    events, silences = mined(turn_ons((2800, 3000, 4.0), (None, None, 6.0), *STARTED))
    segment = events["segment"].to_numpy().copy()
    begun = int(np.flatnonzero(np.diff(segment))[0]) + 1
    segment[begun + 1] = segment[begun - 1]
    mixed = events.set_column(events.column_names.index("segment"), "segment", [segment])
    at = float(events["time_s"].to_numpy()[-1]) + END_S
    assert find_silences(mixed, gap_table([]), engine(4), end_s=at).to_pylist() == silences


@pytest.mark.parametrize("name", ENDINGS)
def test_a_silence_that_lasts_to_the_end_has_its_row(name, monkeypatch):
    piece, after_s, kind, speed = ENDINGS[name]
    times = turn_ons(piece)
    events, (silence,) = mined(times, after_s=after_s)
    assert (silence["looks_like"], silence["came_back"], silence["stop_s"]) == (kind, "none", None)
    assert silence["start_s"] == pytest.approx(float(times[-1]), abs=1e-3)  # of a command, or of its answer
    assert silence["rpm_before"] == pytest.approx(speed, rel=0.04)
    assert "to the end of the recording" in silence["sentence"]
    monkeypatch.setattr(miner.events.rows, "PIECE_EVENTS", 11)
    pieces = find_silences(events, gap_table([]), engine(4), end_s=float(times[-1]) + after_s).to_pylist()
    assert pieces == [silence]


@pytest.mark.parametrize("setup", [engine(4), engine(4, feedback=False), engine(1)])
def test_a_recording_that_ends_while_the_engine_runs_ends_in_no_silence(setup):
    times = turn_ons((2000, 2000, 4.0))
    for after_s in (0.001, 0.03, 0.1):
        _, silences = mined(times, setup, after_s=after_s)
        assert silences == []


def test_a_gap_to_the_end_is_no_silence():
    times = turn_ons((2500, 2500, 3.0))
    ended = float(times[-1])
    _, silences = mined(times, after_s=4.0, gaps=[(None, ended + 0.005, ended + 4.0)])
    assert silences == []
