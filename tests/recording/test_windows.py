from __future__ import annotations

import numpy as np
import pytest

from miner.recording.reader import open_recording
from miner.recording.windows import read_window, read_windows
from tests.recording.made import VOLTS, with_nulls, write_recording

RAMP = np.arange(1000, dtype=np.int16)


@pytest.fixture(params=[64, 1000])
def recording(tmp_path, request):
    columns = {"x": with_nulls(RAMP, [502]), "y": RAMP[::-1].copy()}
    path = write_recording(
        tmp_path / "a.parquet", columns, rate_hz=1000, scales={"x": VOLTS}, row_group_size=request.param
    )
    return open_recording(path)


def test_one_window(recording):
    window = read_window(recording, ["x", "y"], 0.5, 0.505)
    assert (window.start, window.stop) == (500, 505)
    assert window.time_s == pytest.approx([0.5, 0.501, 0.502, 0.503, 0.504])
    assert window.volts["x"] == pytest.approx([1.2, 1.2024, np.nan, 1.2072, 1.2096], nan_ok=True)
    assert window.volts["y"] == pytest.approx([499, 498, 497, 496, 495])


@pytest.mark.parametrize(
    ("span", "expected"), [((-1.0, 0.002), (0, 2)), ((0.998, 7.0), (998, 1000)), ((2.0, 3.0), (1000, 1000))]
)
def test_window_over_the_ends(recording, span, expected):
    window = read_window(recording, ["x"], *span)
    assert (window.start, window.stop) == expected
    assert window.volts["x"].size == expected[1] - expected[0]


def test_window_is_bounded(recording):
    assert read_window(recording, ["x"], 0.1, 0.9, max_samples=50).stop == 150


def test_many_windows_overlapping_and_in_any_order(recording):
    ranges = [(700, 710), (10, 300), (100, 120), (5, 6), (290, 705), (40, 40)]
    windows = list(read_windows(recording, ["y"], ranges))
    assert sorted((w.start, w.stop) for w in windows) == sorted(ranges)
    assert [w.stop for w in windows] == sorted(stop for _, stop in ranges)
    for window in windows:
        assert window.volts["y"] == pytest.approx(RAMP[::-1][window.start : window.stop])


def test_window_by_its_own_instants(tmp_path):
    time_s = 3.0 + np.arange(1000) * 1e-3
    time_s[400:] += 10.0
    path = write_recording(tmp_path / "a.parquet", {"time_s": time_s, "x": RAMP}, rate_hz=None, row_group_size=100)
    window = read_window(open_recording(path), ["x"], 10.3995, 10.4025)
    assert window.volts["x"] == pytest.approx([400, 401, 402])
    assert window.time_s == pytest.approx([10.4, 10.401, 10.402])
