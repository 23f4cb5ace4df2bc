import numpy as np
import pytest

from miner.review.tables import MEASURES, USUAL, WINDOWS
from miner.review.views import stored_view
from miner.review.windows import MAX_TRUE_SAMPLES, N_WIDE_BLOCKS, N_WINDOWS, speed_cell
from tests.review.made import DELAY_US, ON_US, WIDTH_US


def test_each_kept_suspect_has_true_samples_and_its_whole_window(source):
    windows = source.findings.read_table(WINDOWS)
    suspects = source.suspects.slice(0, N_WINDOWS).to_pylist()
    assert set(windows["event_id"].to_pylist()) == {s["event_id"] for s in suspects}
    for suspect in suspects:
        table = source.stored_windows(suspect["event_id"])
        close = stored_view(table, source.times, true_samples=True)
        wide = stored_view(table, source.times, true_samples=False)
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


def test_usual_values_of_listed_events_are_kept(source):
    measures = source.findings.read_table(MEASURES)
    assert set(measures["measure"].to_pylist()) == {"on_time_us"}
    assert set(measures["event_id"].to_pylist()) == set(source.suspects["event_id"].to_pylist())


@pytest.mark.parametrize(
    ("rpm", "cell"), [(1000.0, 40), (1019.0, 40), (2000.0, 44), (None, -1), (0.0, -1), (float("nan"), -1)]
)
def test_speed_cells_are_quarter_octaves(rpm, cell):
    assert speed_cell(rpm) == cell
