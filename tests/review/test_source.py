import json
import shutil

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.errors import FindingsError
from miner.review.source import ReviewSource, TimeMap
from miner.review.tables import CLOCK
from miner.schema import GAPS
from tests.naive_review import sample_times
from tests.review.made import fill

RATE = 1000.0


def _gaps(times: list[float], places: list[int]) -> pa.Table:
    return fill(GAPS, [{"lead": None, "start_s": times[i - 1], "stop_s": times[i]} for i in places])


@settings(deadline=None)
@given(st.dictionaries(st.integers(1, 198), st.floats(0.002, 5.0), max_size=5), st.booleans())
def test_samples_and_seconds_agree_over_gaps(gaps, with_clock):
    times = sample_times(RATE, 200, sorted(gaps.items()))
    clock = pa.table([np.arange(0, 200, 50), np.array(times)[::50]], schema=CLOCK.schema) if with_clock else None
    time_map = TimeMap(RATE, _gaps(times, sorted(gaps)), clock)
    np.testing.assert_allclose(time_map.times_of(np.arange(200)), times, atol=1e-9)
    assert [time_map.sample_at(t) for t in times] == list(range(200))


def test_a_time_inside_a_gap_is_the_first_sample_after_it():
    times = sample_times(RATE, 100, [(40, 2.0)])
    assert TimeMap(RATE, _gaps(times, [40])).sample_at(times[39] + 1.0) == 40


def test_a_clock_that_drifts_is_followed():
    samples = np.arange(0, 10_001, 100)
    times = samples / RATE * (1 + 200e-6)
    time_map = TimeMap(RATE, GAPS.empty(), pa.table([samples, times], schema=CLOCK.schema))
    assert time_map.times_of(np.array([9_950]))[0] == pytest.approx(9.950 * (1 + 200e-6), abs=1e-9)


def test_gaps_of_one_lead_cost_no_samples():
    gaps = fill(GAPS, [{"lead": 1, "start_s": 0.01, "stop_s": 0.02}])
    assert TimeMap(RATE, gaps).sample_at(0.05) == 50


def test_a_moved_recording_is_found_beside_the_findings_or_said_to_be_missing(findings, tmp_path):
    folder = shutil.copytree(findings, tmp_path / "findings")
    info = json.loads((folder / "recording.json").read_text())
    (folder / "recording.json").write_text(json.dumps({**info, "path": "/nowhere/drive.parquet"}))
    lost = ReviewSource(folder)
    assert lost.recording is None
    assert "/nowhere/drive.parquet" in lost.missing[0]
    shutil.copy(findings.parent / "drive.parquet", tmp_path)
    assert ReviewSource(folder).recording is not None


def test_another_recording_of_the_same_name_is_not_shown(findings, tmp_path):
    folder = shutil.copytree(findings, tmp_path / "findings")
    info = json.loads((folder / "recording.json").read_text())
    (folder / "recording.json").write_text(json.dumps({**info, "identity": "another"}))
    source = ReviewSource(folder)
    assert source.recording is None
    assert "another recording" in source.missing[0]


def test_an_unfinished_folder_is_an_error_with_a_remedy(tmp_path):
    with pytest.raises(FindingsError, match="run 'ignition-miner mine'"):
        ReviewSource(tmp_path)
