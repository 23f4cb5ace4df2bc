from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from miner.recording.chunks import Chunk, iter_chunks
from miner.recording.reader import Recording, open_recording
from miner.signal import sections as sections_module
from miner.signal.extract import extract_pulses, extract_section, plan_sections
from miner.signal.extraction import Extraction, join_extractions
from miner.signal.looks.profile import profile_leads
from miner.signal.work import SectionWork
from tests.recording.made import write_recording
from tests.signal.made import counts, regular, specs

Floats = NDArray[np.float64]
SCALE = 0.0024
ROLES = {"x": "command", "y": "feedback", "u": "supply", "w": "crank"}
LEADS = specs(ROLES)


def wheel_36_1(n: int) -> Floats:
    """A pickup on a crank that turns faster and faster, 600 to 1,600 rpm."""
    turns = np.linspace(10.0, 26.0, n).cumsum() / 20_000
    return np.where(turns % 1.0 < 35 / 36, np.sin(72 * np.pi * turns), 0.0)


def same(a: Extraction, b: Extraction) -> None:
    """Every table and array is equal, bit for bit."""
    assert a.pulses.equals(b.pulses)
    assert a.gaps.equals(b.gaps)
    assert a.crank.equals(b.crank)
    assert np.array_equal(a.window_start_s, b.window_start_s)
    for i in a.envelope:
        assert np.array_equal(a.envelope[i].low, b.envelope[i].low)
        assert np.array_equal(a.envelope[i].high, b.envelope[i].high)
    for i in a.tracks:
        assert np.array_equal(a.tracks[i].mean, b.tracks[i].mean, equal_nan=True)
    for i in a.leads:
        assert np.array_equal(a.leads[i].off_level_v, b.leads[i].off_level_v)
        assert a.quality == b.quality


@pytest.fixture(scope="module", params=["rate", "time"])
def recording(tmp_path_factory, request) -> Recording:
    """Two leads with pulses, supply, crank wheel, noise, spikes, nulls and perhaps a time gap; 20 kS/s."""
    rng = np.random.default_rng(9)
    lead = regular(150, period=900.37, width=63.3, edge=1.4)
    answer = replace(lead, starts=lead.starts + 20.3, stops=lead.starts + 51.5)
    n = lead.n_samples
    volts = lead.volts() + rng.normal(0, 0.02, n)
    volts[rng.integers(0, n, 200)] += 2.5
    nulls = np.zeros(n, bool)
    nulls[int(lead.starts[70]) + 20] = True
    nulls[40_000:40_700] = True
    columns = {
        "x": pa.array(counts(volts, scale=SCALE), mask=nulls),
        "y": counts(5.2 - answer.volts() + rng.normal(0, 0.02, n), scale=SCALE),
        "u": counts(13.8 + rng.normal(0, 0.1, n), scale=SCALE),
        "w": counts(wheel_36_1(n) + rng.normal(0, 0.02, n), scale=SCALE),
    }
    if request.param == "time":
        steps = rng.uniform(0.8, 1.2, n) / 20_000
        steps[100_003] += 0.004
        columns = {"time_s": np.cumsum(steps), **columns}
    scales = {c: {"scale": str(SCALE)} for c in ROLES}
    path = tmp_path_factory.mktemp("r") / "r.parquet"
    rate = 20_000 if request.param == "rate" else None
    return open_recording(write_recording(path, columns, rate_hz=rate, scales=scales, row_group_size=30_011))


@pytest.fixture(scope="module")
def profiles(recording):
    return profile_leads(recording, LEADS)


@pytest.fixture(scope="module")
def whole(recording, profiles):
    return extract_pulses(recording, LEADS, profiles)


def cut(recording: Recording, places: Sequence[int]) -> Iterator[Chunk]:
    """The recording in chunks that end at the given samples."""
    edges = [0, *sorted({p for p in places if 0 < p < recording.n_samples}), recording.n_samples]
    chunk = in_one(recording)
    for start, stop in pairwise(edges):
        missing = {n: np.clip(r, start, stop) for n, r in chunk.missing.items()}
        yield Chunk(
            start=start,
            stop=stop,
            raw={n: v[start:stop] for n, v in chunk.raw.items()},
            missing={n: r[r[:, 1] > r[:, 0]] for n, r in missing.items()},
            time_s=None if chunk.time_s is None else chunk.time_s[start:stop],
            breaks=chunk.breaks[(chunk.breaks >= start) & (chunk.breaks < stop)],
        )


def in_one(recording: Recording) -> Chunk:
    """The whole recording as one chunk."""
    chunks = list(iter_chunks(recording, list(ROLES)))
    names = list(ROLES)
    times = [c.time_s for c in chunks if c.time_s is not None]
    return Chunk(
        start=0,
        stop=recording.n_samples,
        raw={n: np.concatenate([c.raw[n] for c in chunks]) for n in names},
        missing={n: np.concatenate([c.missing[n] for c in chunks]) for n in names},
        time_s=np.concatenate(times) if times else None,
        breaks=np.concatenate([c.breaks for c in chunks]),
    )


def extracted_from(recording, profiles, chunks) -> Extraction:
    (section,) = plan_sections(recording)
    with ThreadPoolExecutor(2) as pool:
        work = SectionWork(recording, section, LEADS, profiles, pool)
        for chunk in chunks:
            work.feed(chunk)
        return work.finish()


def test_what_is_found(recording, whole):
    assert whole.leads[0].n_pulses >= 147
    assert whole.leads[1].n_pulses == 150
    assert whole.gaps.num_rows >= 2
    assert whole.crank.num_rows > 12 * 110
    assert whole.pulses["wheel_on_deg"].null_count < 5


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(places=st.lists(st.integers(1, 137_000), max_size=40))
def test_any_cut_gives_the_same(recording, profiles, whole, places):
    same(extracted_from(recording, profiles, cut(recording, places)), whole)


def test_cuts_on_every_edge_and_gap(recording, profiles, whole):
    at = whole.pulses["start_sample"].to_numpy().astype(int)
    width = np.round(whole.pulses["duration_us"].to_numpy() * 0.02).astype(int)
    places = [*at, *(at + 1), *(at + width), *(at + width + 1), 40_000, 40_700, 100_003]
    same(extracted_from(recording, profiles, cut(recording, places)), whole)


def test_chunks_of_one_sample(recording, profiles, whole):
    """Around the gaps and some pulses; hours of single samples would prove no more."""
    places = [*range(39_000, 41_500), *range(99_500, 101_500), *range(4090, 4105)]
    same(extracted_from(recording, profiles, cut(recording, places)), whole)


def test_sections_alone_give_the_rows_of_one_pass(recording, profiles, monkeypatch):
    monkeypatch.setattr(sections_module, "_SECTION_S", 1.0)
    monkeypatch.setattr(sections_module, "_MARGIN_S", 0.5)
    sections = plan_sections(recording)
    assert len(sections) > 5
    assert [s.start for s in sections[1:]] == [s.stop for s in sections[:-1]]
    streamed = extract_pulses(recording, LEADS, profiles)
    alone = [extract_section(recording, section, LEADS, profiles) for section in sections]
    same(join_extractions(alone), streamed)
    same(join_extractions([join_extractions(alone[:3]), join_extractions(alone[3:])]), streamed)


def test_sections_do_not_change_the_pulses(recording, profiles, whole, monkeypatch):
    monkeypatch.setattr(sections_module, "_SECTION_S", 1.0)
    cut_up = extract_pulses(recording, LEADS, profiles)
    assert cut_up.pulses.drop(["quality"]).equals(whole.pulses.drop(["quality"]))
    assert cut_up.gaps.equals(whole.gaps)
    assert cut_up.crank.drop(["rpm"]).equals(whole.crank.drop(["rpm"]))
    assert np.allclose(*(x.crank["rpm"].to_numpy() for x in (cut_up, whole)), equal_nan=True)


def test_progress_is_told(recording, profiles):
    told = []
    extract_pulses(recording, LEADS, profiles, on_progress=told.append)
    assert told[-1].samples_done == told[-1].samples_total == recording.n_samples
    assert told[-1].n_events > 290
