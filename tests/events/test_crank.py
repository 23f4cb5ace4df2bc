"""What the crank did around events: closed forms, a crank pushed by combustion strokes, and silences."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from miner.events.crank import CrankPath, speed_changes_rpm, turning_between
from miner.events.silences import find_silences
from miner.mining.crank_rows import CrankRows
from miner.mining.section_file import write_extraction
from miner.schema import CRANK, GAPS, PULSES
from miner.signal.extraction import Extraction
from tests.engine.layouts import engine
from tests.engine.pulse_maker import gap_table
from tests.events.test_silences import mined, turn_ons


def marks(time_s, *, broken=()):
    """CRANK rows of marks 30 degrees apart; the crank stood, or was not seen, before the marks in ``broken``."""
    time_s = np.asarray(time_s, np.float64)
    rpm = np.concatenate([[np.nan], 5.0 / np.diff(time_s)])
    rpm[list(broken)] = np.nan
    none = np.zeros(time_s.size, np.int16)
    columns = {
        "time_s": time_s,
        "rpm": pa.array(rpm, from_pandas=True),
        "angle_deg": pa.nulls(time_s.size, pa.float64()),
    }
    return CRANK.validate(pa.table({**columns, "n_missing": none, "n_extra": none}))


def turned(*pieces, start_s=0.0):
    """Marks of a crank at even speeds (rpm, s); 0 rpm is a stand, after which a new stretch begins."""
    times, broken, now = [], [0], start_s
    for rpm, seconds in pieces:
        if rpm:
            n = round(seconds * rpm / 5.0)
            times.extend(now + (np.arange(n) + 1) * 5.0 / rpm)
        else:
            broken.append(len(times))
        now += seconds
    return marks(times, broken=broken)


def test_a_step_of_speed_is_the_change_of_the_event_that_lies_half_an_interval_before():
    step_s = np.concatenate([np.full(120, 5.0 / 1000), np.full(120, 5.0 / 1100)])  # the step at mark 120
    crank = marks(np.concatenate([[1.0], 1.0 + np.cumsum(step_s)]))
    path = CrankPath.of(crank)
    at_step_deg = path.angle_deg[120]
    off_s = path.time_at(at_step_deg - 90.0 - np.array([-720.0, 0.0, 90.0, 720.0]))
    on_us = np.full(4, 2000.0)
    change = speed_changes_rpm(crank, off_s - 2e-3, on_us, np.full(4, 180.0))
    assert change[1] == pytest.approx(100.0, abs=1e-6)
    # a quarter turn earlier half of the second segment is fast: 2 / (1/1000 + 1/1100) - 1000
    assert change[2] == pytest.approx(2.0 / (1.0 / 1000 + 1.0 / 1100) - 1000.0, abs=1e-6)
    assert change[[0, 3]] == pytest.approx(0.0, abs=1e-6)
    absent = speed_changes_rpm(crank, off_s - 2e-3, np.array([2000.0, np.nan, 2000.0, 2000.0]), np.full(4, 180.0))
    np.testing.assert_allclose(absent, change)


def test_no_change_is_told_over_a_stand_or_of_coarse_marks():
    crank = turned((1000, 1.0), (0, 2.0), (1000, 1.0))
    on_us, at = np.full(3, 2000.0), np.array([0.5, 0.98, 3.5])
    change = speed_changes_rpm(crank, at, on_us, np.full(3, 180.0))
    assert np.isnan(change).tolist() == [False, True, False]
    assert np.isnan(speed_changes_rpm(crank, at, on_us, np.full(3, 30.0))).all()


def pushed(n_cylinders, rpm, inertia, absent, *, spread=0.05, n_events=90):
    """Marks and spark times of a crank under combustion strokes, compression and a steady load, integrated in steps."""
    rng = np.random.default_rng(n_cylinders)
    delta, load, step_s = 720.0 / n_cylinders, 8.0 * n_cylinders, 1e-4
    push = (1.0 + spread * rng.standard_normal(n_events + 2)) * load * delta * np.pi / 300.0
    push[list(absent)] = 0.0
    omega = begin = rpm * np.pi / 30.0
    angle, now, mark_s, spark_s = 0.0, 0.0, [], []
    while angle < (n_events + 1) * delta:
        last = int(angle // delta)
        torque = (
            -load - 0.05 * n_cylinders * (omega - begin) - 5.0 * n_cylinders * np.sin(np.deg2rad(360.0 * angle / delta))
        )
        for k in (last - 1, last):  # a lobe of 150 degrees from dead centre on
            if k >= 0 and 0.0 < angle - k * delta < 150.0:
                torque += push[k] * np.sin(np.pi * (angle - k * delta) / 150.0)
        omega += torque / inertia * step_s
        turned_deg = np.rad2deg(omega) * step_s
        for places, every, ahead in ((mark_s, 30.0, 0.0), (spark_s, delta, 20.0)):
            due = len(places) * every + (delta - ahead if ahead else 0.0)
            if angle + turned_deg >= due:
                places.append(now + (due - angle) / turned_deg * step_s)
        angle, now = angle + turned_deg, now + step_s
    return marks(mark_s), np.array(spark_s)  # spark k fires push k + 1


@pytest.mark.parametrize(("n_cylinders", "rpm", "inertia"), [(2, 900, 0.15), (4, 800, 0.15), (4, 2500, 0.15),
                                                            (6, 800, 0.2), (8, 1500, 0.3)])  # fmt: skip
def test_absent_combustion_costs_speed(n_cylinders, rpm, inertia):
    absent = (30, 50, 71)
    crank, spark_s = pushed(n_cylinders, rpm, inertia, absent)
    spark_s = spark_s[10:80]  # speed has settled
    delta = 720.0 / n_cylinders
    change = speed_changes_rpm(crank, spark_s - 3e-3, np.full(spark_s.size, 3000.0), np.full(spark_s.size, delta))
    lost = np.isin(np.arange(11, 81), absent)
    assert change[lost].max() < change[~lost].min()
    assert np.median(change[lost]) < np.median(change[~lost]) - 5.0 * np.std(change[~lost])


def test_turning_is_summed():
    crank = turned((600, 2.0), (0, 3.0), (1200, 1.0))
    whole = turning_between([crank.slice(0, 50), crank.slice(50)], 0.5, 6.0)
    assert (whole.seconds, whole.turns) == (pytest.approx(2.5, abs=0.02), pytest.approx(35.0, abs=0.2))
    assert whole.stood
    assert not turning_between([crank], 0.5, 1.9).stood
    assert turning_between([crank], 0.5, 4.0).stood
    assert turning_between([crank], 2.5, 4.0).turns == 0.0


CUT_OUT = (2800, 3000, 4.0), (None, None, 6.0), (220, 240, 1.0), (240, 900, 0.4), (900, 850, 3.0)
IDLE = (900, 850, 3.0), (None, None, 3.0), (850, 850, 3.0)


@pytest.mark.parametrize(
    ("pieces", "crank", "kind", "turned_on"),
    [
        (CUT_OUT, turned((3000, 6.0), (2000, 2.0), (0, 2.5), (230, 8.0)), "cut_out", False),
        (CUT_OUT, turned((3000, 30.0)), "cut_out", True),
        (IDLE, turned((850, 4.3), (0, 2.2), (850, 10.0)), "stop", False),
        (IDLE, turned((850, 20.0)), "pause", True),
    ],
)
def test_the_wheel_tells_a_stop_from_an_ignition_that_is_gone(pieces, crank, kind, turned_on):
    times = turn_ons(*pieces)
    events, _ = mined(times)
    found = find_silences(events, gap_table([]), engine(4), end_s=75.0, crank=lambda *_: [crank]).to_pylist()
    (silence,) = (one for one in found if one["looks_like"] != "no_ignition" and one["stop_s"] is not None)
    assert (silence["looks_like"], silence["crank_turned"]) == (kind, turned_on)
    assert ("stood" in silence["sentence"]) is not turned_on


def test_ignition_gone_before_the_first_event_and_after_the_last():
    times = turn_ons((900, 850, 3.0), start_s=20.0)
    events, silences = mined(times)
    assert silences == []
    crank = turned((200, 15.0), (850, 54.0), start_s=5.0)  # 5 s to 74 s
    head, tail = find_silences(events, gap_table([]), engine(4), end_s=75.0, crank=lambda *_: [crank]).to_pylist()
    assert (head["looks_like"], tail["looks_like"]) == ("no_ignition", "pause")
    assert head["start_s"] == pytest.approx(5.0, abs=0.1)
    assert head["stop_s"] == pytest.approx(20.0, abs=0.01)
    assert head["crank_turns"] == pytest.approx(50.0, abs=0.2)
    assert (tail["stop_s"], tail["crank_turned"]) == (None, True)
    assert tail["crank_turns"] == pytest.approx(850 / 60 * 51.0, rel=0.02)
    short = turned((200, 2.0), (850, 6.0), start_s=18.5)  # starts, and comes to rest
    assert find_silences(events, gap_table([]), engine(4), end_s=23.05, crank=lambda *_: [short]).num_rows == 0


def test_marks_are_read_back_from_the_sections(tmp_path):
    crank = turned((600, 29.9))
    paths = []
    for index in range(3):
        at = crank["time_s"].to_numpy()
        own = crank.filter(pa.array((at >= 10.0 * index) & (at < 10.0 * (index + 1))))
        paths.append(tmp_path / f"{index}")
        write_extraction(paths[-1], Extraction(
            pulses=PULSES.empty(), gaps=GAPS.empty(), window_start_s=np.array([10.0 * index]), window_samples=4096,
            envelope={}, tracks={}, leads={}, columns={}, crank=own,
        ))  # fmt: skip
    rows = CrankRows(paths)
    assert pa.concat_tables(rows(-np.inf, np.inf)).equals(crank)
    counts = {"turns": pytest.approx(299.0, abs=0.1), "teeth_missing": 0, "teeth_extra": 0}
    assert rows.counts() == counts
    assert [piece.num_rows for piece in rows(12.0, 15.0)] == [1200]
    assert turning_between(rows(5.0, 25.0), 5.0, 25.0).turns == pytest.approx(200.0, abs=0.1)


def test_without_a_wheel_nothing_is_said():
    events, (silence,) = mined(turn_ons(*IDLE))
    assert (silence["crank_turned"], silence["crank_turns"]) == (None, None)
    assert events["speed_change_rpm"].null_count == events["turn_on_deg"].null_count == events.num_rows
