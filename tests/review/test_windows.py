import numpy as np
import pytest

import miner.events.rows as rows
from miner.review.kept.usual_pulse import ENOUGH_EVENTS, N_PER_PLACE, N_PLACES, SPEED_RANGES, Cell, pick_healthy
from miner.review.kept.windows import MAX_TRUE_SAMPLES, N_WIDE_BLOCKS, N_WINDOWS, speed_cell
from miner.review.tables import USUAL, USUAL_VALUES, WINDOWS
from miner.review.views import stored_view
from tests.review.made import DELAY_US, ON_US, WIDTH_US, make_events


def test_each_kept_suspect_has_true_samples_and_its_whole_window(source):
    windows = source.findings.read_table(WINDOWS)
    suspects = source.suspects.slice(0, N_WINDOWS).to_pylist()
    assert set(windows["event_id"].to_pylist()) == {s["event_id"] for s in suspects}
    for suspect in suspects:
        table = source.stored_windows(suspect["event_id"])
        close = stored_view(table, source.clock, true_samples=True)
        wide = stored_view(table, source.clock, true_samples=False)
        assert close.times_s[0] < suspect["time_s"] < suspect["time_s"] + ON_US * 1e-6 < close.times_s[-1]
        assert len(close.times_s) <= MAX_TRUE_SAMPLES + 3
        assert wide.times_s[0] <= suspect["window_start_s"]
        assert wide.times_s[-1] >= suspect["window_end_s"] - 2 * wide.step / source.rate_hz
        assert len(wide.times_s) <= N_WIDE_BLOCKS


def test_the_usual_pulse_is_the_healthy_one(source):
    """Where suspects are absent or late pulses, the median still turns on and off at the usual places."""
    usual = [row for row in source.findings.read_table(USUAL).to_pylist() if row["cylinder"] == 1]
    assert usual
    for row in usual:
        at_us = row["start_us"] + np.arange(len(row["median"])) * row["step_us"]
        median = np.array(row["median"])
        if row["lead"] == 0:
            on = at_us[median > 2.5]
            assert (on[0], on[-1]) == (pytest.approx(0, abs=25), pytest.approx(ON_US, abs=25))
        if row["lead"] == 1:
            on = at_us[median < 2.5]
            assert (on[0], on[-1]) == (pytest.approx(DELAY_US, abs=25), pytest.approx(DELAY_US + WIDTH_US, abs=25))
        assert row["rpm_low"] <= row["rpm_high"]
        assert row["lead"] != 2, "the command of another cylinder says nothing about this one"


def slow_pick(events, cell, suspect_rows):
    """Times of the healthy events of a cell, from all columns at once."""
    fine = np.array([
        row["command_seen"] is not False and row["feedback_seen"] is not False and row["quality"] == ""
        for row in events.to_pylist()
    ])  # fmt: skip
    fine[suspect_rows] = False
    fine &= events["cylinder"].to_numpy() == cell.cylinder
    rpm = events["engine_rpm"].to_numpy()
    for reach in SPEED_RANGES:
        near = np.flatnonzero(fine & (np.abs(rpm / cell.rpm - 1) <= reach))
        if len(near) >= ENOUGH_EVENTS:
            break
    starts = np.linspace(0, max(len(near) - N_PER_PLACE, 0), N_PLACES).astype(int)
    ranks = sorted({rank + k for rank in starts for k in range(N_PER_PLACE) if rank + k < len(near)})
    return events["time_s"].to_numpy()[near[ranks]]


@pytest.mark.parametrize("piece", [1, 50, 1 << 16])
def test_healthy_events_are_near_the_speed_and_spread_over_the_recording(monkeypatch, piece):
    events = make_events(20.0)
    monkeypatch.setattr(rows, "PIECE_EVENTS", piece)
    cells = [Cell(cylinder=c, rpm=rpm) for c in (1, 3, 4) for rpm in (1510.0, 1900.0, 2900.0, 9000.0)]
    suspects = np.array([400, 4, 8, 12])
    for cell, picked in zip(cells, pick_healthy(events, cells, suspects), strict=True):
        expected = slow_pick(events, cell, suspects)
        np.testing.assert_array_equal(picked.time_s, expected, err_msg=str(cell))
        if cell.rpm < 2600:
            assert len(picked.time_s) > ENOUGH_EVENTS
            assert len(picked.time_s) == len(picked.rpm) == len(picked.ends_us)
            np.testing.assert_allclose(picked.rpm, cell.rpm, rtol=max(SPEED_RANGES))


def test_without_a_speed_any_healthy_event_of_the_cylinder_will_do():
    (picked,) = pick_healthy(make_events(20.0), [Cell(cylinder=1, rpm=float("nan"))], np.array([0]))
    assert len(picked.time_s) == N_PLACES * N_PER_PLACE
    assert picked.time_s[-1] - picked.time_s[0] > 18.0


def test_usual_values_of_listed_events_are_kept(source):
    measures = source.findings.read_table(USUAL_VALUES)
    assert set(measures["measure"].to_pylist()) == {"on_time_us"}
    assert set(measures["event_id"].to_pylist()) == set(source.suspects["event_id"].to_pylist())


@pytest.mark.parametrize(
    ("rpm", "cell"), [(1000.0, 40), (1019.0, 40), (2000.0, 44), (None, -1), (0.0, -1), (float("nan"), -1)]
)
def test_speed_cells_are_quarter_octaves(rpm, cell):
    assert speed_cell(rpm) == cell
