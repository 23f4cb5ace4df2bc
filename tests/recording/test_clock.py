"""The clock against times counted up sample by sample."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.recording.chunks import iter_chunks
from miner.recording.clock import Clock, clock_of_chunks, first_sample_at, samples_between
from miner.recording.reader import open_recording
from tests.naive_review import sample_times
from tests.recording.made import write_recording

RATE = 1000.0


@settings(deadline=None)
@given(st.dictionaries(st.integers(1, 198), st.floats(0.002, 5.0), max_size=5), st.booleans())
def test_samples_and_seconds_agree_over_gaps(gaps, some_known):
    times = sample_times(RATE, 200, sorted(gaps.items()))
    known = (np.arange(0, 200, 50), np.array(times)[::50]) if some_known else ()
    clock = Clock(RATE, *known, gaps_s=[(times[i - 1], times[i]) for i in sorted(gaps)])
    np.testing.assert_allclose(clock.to_seconds(np.arange(200)), times, atol=1e-9)
    assert [clock.nearest(t) for t in times] == list(range(200))
    for t in np.linspace(0.0, times[-1], 57):
        assert clock.to_samples(t) == next(i for i, at in enumerate(times) if at >= t - 1e-8)


def test_a_time_inside_a_gap_is_the_first_sample_after_it():
    times = sample_times(RATE, 100, [(40, 2.0)])
    clock = Clock(RATE, gaps_s=[(times[39], times[40])])
    assert clock.nearest(times[39] + 1.0) == clock.to_samples(times[39] + 0.1) == 40


def test_a_clock_that_drifts_is_followed():
    samples = np.arange(0, 10_001, 100)
    clock = Clock(RATE, samples, samples / RATE * (1 + 200e-6))
    assert clock.to_seconds(9_950) == pytest.approx(9.950 * (1 + 200e-6), abs=1e-9)


def test_fractions_of_samples_and_what_is_no_number():
    clock = Clock(RATE, [0, 1, 2], [0.0, 0.001, 0.005])
    assert clock.to_seconds([0.5, 1.5, 2.0, 4.0]).tolist() == pytest.approx([0.0005, 0.003, 0.005, 0.007])
    assert np.isnan(clock.to_seconds([np.nan])).all()


@pytest.fixture(params=[37, 1000])
def stamped(tmp_path, request):
    """A thousand samples in two parts with gaps: inside a row group, between two, between the parts."""
    times = np.array(sample_times(RATE, 1000, [(30, 1.0), (74, 2.0), (500, 3.0), (501, 0.5)]))
    (tmp_path / "r").mkdir()
    for number, own in enumerate((slice(0, 500), slice(500, 1000))):
        columns = {"time_s": 7.0 + times[own], "x": np.arange(500, dtype=np.int16)}
        path = tmp_path / "r" / f"part_{number}.parquet"
        write_recording(path, columns, rate_hz=None, row_group_size=request.param)
    return open_recording(tmp_path / "r"), times


def test_instants_are_found_in_the_file(stamped):
    recording, times = stamped
    between = (times[:-1] + times[1:]) / 2
    for t in [-1.0, *times[::7], *times[[29, 30, 73, 74, 499, 500, 501]], *between[[0, 29, 73, 499, 500]], 99.0]:
        assert first_sample_at(recording, t) == np.count_nonzero(times < t - 1e-8), t
    assert samples_between(recording, times[20], times[600]) == (20, 600)
    assert samples_between(recording, 3.0, 2.0) == (first_sample_at(recording, 3.0),) * 2


def test_no_deeper_than_asked(stamped):
    recording, times = stamped
    for t in times[::50]:
        at = first_sample_at(recording, t, deepest=10)
        group = max(s for part in recording.parts for s in part.group_starts if times[s] <= t + 1e-8)
        assert at == min(np.count_nonzero(times < t - 1e-8), group + 10)


def test_chunks_carry_their_own_clock(stamped):
    recording, times = stamped
    chunks = list(iter_chunks(recording, [], start=20, stop=900))
    clock = clock_of_chunks(recording, chunks)
    np.testing.assert_allclose(clock.to_seconds(np.arange(20, 900)), times[20:900], atol=1e-9)
    assert [clock.to_samples(t) for t in times[20:900]] == list(range(20, 900))
