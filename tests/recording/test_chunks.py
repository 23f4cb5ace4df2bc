from __future__ import annotations

import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.errors import RecordingError
from miner.recording.chunks import iter_chunks, iter_ranges
from miner.recording.reader import open_recording
from tests.recording.made import with_nulls, write_recording

RAMP = np.arange(1000, dtype=np.int16)


def gathered(chunks, column="x"):
    """Samples, missing ranges and breaks of all chunks, with the tiling checked."""
    values, missing, breaks, at = [], [], [], None
    for chunk in chunks:
        assert at is None or chunk.start >= at
        at = chunk.stop
        assert chunk.raw[column].shape == (chunk.stop - chunk.start,)
        values.append(chunk.raw[column])
        missing += [i for a, b in chunk.missing[column] for i in range(a, b)]
        breaks += chunk.breaks.tolist()
    return np.concatenate(values), missing, breaks


@pytest.mark.parametrize("chunk_samples", [1, 7, 100, 5000])
@pytest.mark.parametrize("row_group_size", [64, 1000])
def test_chunks_tile_the_recording(tmp_path, chunk_samples, row_group_size):
    write_recording(tmp_path / "a.parquet", {"x": RAMP[:600]}, row_group_size=row_group_size)
    write_recording(tmp_path / "b.parquet", {"x": RAMP[600:]}, row_group_size=row_group_size)
    values, missing, _ = gathered(iter_chunks(open_recording(tmp_path), ["x"], chunk_samples=chunk_samples))
    assert np.array_equal(values, RAMP)
    assert missing == []


@settings(max_examples=30, deadline=None)
@given(cuts=st.lists(st.integers(0, 1000), min_size=2, max_size=8, unique=True), size=st.sampled_from([64, 130, 1000]))
def test_many_ranges_in_one_pass(tmp_path_factory, cuts, size):
    folder = tmp_path_factory.mktemp("ranges")
    write_recording(folder / "a.parquet", {"x": RAMP[:700]}, row_group_size=size)
    write_recording(folder / "b.parquet", {"x": RAMP[700:]}, row_group_size=size)
    cuts = sorted(cuts)
    ranges = list(zip(cuts[::2], cuts[1::2], strict=False))
    chunks = list(iter_ranges(open_recording(folder), ["x"], ranges, chunk_samples=90))
    assert all(any(a <= c.start and c.stop <= b for a, b in ranges) for c in chunks)
    expected = [i for a, b in ranges for i in range(a, b)]
    assert [i for c in chunks for i in range(c.start, c.stop)] == expected
    assert [int(v) for c in chunks for v in c.raw["x"]] == expected


@pytest.mark.parametrize("dtype", [np.int16, np.uint8, np.float32])
def test_nulls_are_missing(tmp_path, dtype):
    path = write_recording(tmp_path / "a.parquet", {"x": with_nulls(np.ones(300, dtype), [0, 1, 150, 299])})
    _, missing, _ = gathered(iter_chunks(open_recording(path), ["x"], chunk_samples=70))
    assert missing == [0, 1, 150, 299]


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_floats_that_are_no_numbers_are_missing(tmp_path, value):
    x = np.ones(300, np.float32)
    x[[0, 10, 11, 299]] = value
    x[12] = -value
    path = write_recording(tmp_path / "a.parquet", {"x": x})
    _, missing, _ = gathered(iter_chunks(open_recording(path), ["x"], chunk_samples=100))
    assert missing == [0, 10, 11, 12, 299]


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_floats_that_no_recorder_measures_are_missing(tmp_path, kind):
    values = np.array([3.0, np.finfo(kind).max, -1e11, -np.finfo(kind).max, 1e13, 5.0, 1e-40], kind)
    path = write_recording(tmp_path / "a.parquet", {"x": values})
    assert gathered(iter_chunks(open_recording(path), ["x"]))[1] == [1, 3, 4]


def timed(tmp_path, time_s, **options):
    columns = {"time_s": np.asarray(time_s), "x": np.zeros(len(time_s), np.int16)}
    return open_recording(write_recording(tmp_path / "a.parquet", columns, rate_hz=None, **options))


@pytest.mark.parametrize("chunk_samples", [1, 10, 1000])
def test_time_gaps(tmp_path, chunk_samples):
    time_s = 5.0 + np.arange(100) * 1e-3
    time_s[40:] += 0.6e-3  # a step of 1.6 periods
    time_s[70:] += 0.4e-3  # a step of 1.4 periods
    recording = timed(tmp_path, time_s, row_group_size=30)
    chunks = list(iter_chunks(recording, ["x"], chunk_samples=chunk_samples))
    assert gathered(chunks)[2] == [40]
    assert np.concatenate([c.time_s for c in chunks]) == pytest.approx(time_s - 5.0)


@pytest.mark.parametrize(("start", "expected"), [(39, [40]), (40, [40]), (41, [])])
def test_time_gap_right_where_reading_starts(tmp_path, start, expected):
    time_s = np.arange(100) * 1e-3
    time_s[40:] += 1.0
    recording = timed(tmp_path, time_s, row_group_size=40)
    chunks = list(iter_chunks(recording, ["x"], start=start))
    assert gathered(chunks)[2] == expected
    assert chunks[0].start == start


@pytest.mark.parametrize("chunk_samples", [1, 37, 1000])
@pytest.mark.parametrize(("row", "step", "words"), [(70, 0.0, "repeats"), (71, -1e-3, "runs backwards")])
def test_time_that_does_not_run_on(tmp_path, row, step, words, chunk_samples):
    steps = np.full(100, 1e-3)
    steps[row] = step
    recording = timed(tmp_path, np.cumsum(steps), row_group_size=71)
    with pytest.raises(RecordingError, match=f"column 'time_s', row {row}: the time {words}"):
        list(iter_chunks(recording, ["x"], chunk_samples=chunk_samples))


def test_time_runs_backwards_into_the_next_part(tmp_path):
    for name in ("a.parquet", "b.parquet"):
        columns = {"time_s": np.arange(10) * 1e-3, "x": np.zeros(10, np.int16)}
        write_recording(tmp_path / name, columns, rate_hz=None)
    with pytest.raises(RecordingError, match=r"b\.parquet.*row 0: the time runs backwards"):
        list(iter_chunks(open_recording(tmp_path), ["x"]))


def test_missing_time(tmp_path):
    time_s = np.arange(100) * 1e-3
    time_s[33] = np.nan
    with pytest.raises(RecordingError, match=r"row 33: the time is missing"):
        list(iter_chunks(timed(tmp_path, time_s), ["x"]))


def test_damaged_page(tmp_path):
    noise = np.random.default_rng(0).integers(-9999, 9999, 200_000).astype(np.int16)
    path = write_recording(tmp_path / "a.parquet", {"x": noise}, compression="zstd", use_dictionary=False)
    content = bytearray(path.read_bytes())
    content[len(content) // 2 :: 997] = b"\x00" * len(content[len(content) // 2 :: 997])
    content[-2000:] = path.read_bytes()[-2000:]  # the footer stays whole
    path.write_bytes(content)
    with pytest.raises(RecordingError, match="cannot be decoded"):
        list(iter_chunks(open_recording(path), ["x"]))


def test_reading_can_be_given_up(tmp_path):
    path = write_recording(tmp_path / "a.parquet", {"x": RAMP})
    before = threading.active_count()
    chunks = iter_chunks(open_recording(path), ["x"], chunk_samples=10)
    next(chunks)
    chunks.close()
    assert threading.active_count() == before
