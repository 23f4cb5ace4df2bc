"""The short-cut of the sensitivity, checked on the waveform: made-up recordings and a demo recording."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pytest

from miner.engine.setup import Setup
from miner.mining.steps import open_source
from miner.questions import waveform_compare, waveform_sample, waveform_stretch
from miner.questions.waveform_compare import Planted, compare_planted
from miner.questions.waveform_sample import SAMPLED_KINDS, sample_waveform
from miner.questions.waveform_stretch import choose_stretches
from miner.recording.reader import Recording
from miner.schema import SENSITIVITY
from miner.signal.extract import extract_pulses
from miner.signal.leads import LeadProfile, LeadSpec
from miner.signal.looks.profile import profile_leads
from miner.synthetic.columns import columns_of
from miner.synthetic.faults.events import apply_fault
from miner.synthetic.scenario import Scenario
from miner.synthetic.writer import write_recording
from tests.mined import find_events
from tests.suspects.made_up import make_columns, make_setup, to_events

DEMO = Path(__file__).parents[2] / "demo_recordings" / "six_cylinders_one_command"


class Mined(NamedTuple):
    """What `sample_waveform` is given, in its order."""

    recording: Recording
    setup: Setup
    leads: tuple[LeadSpec, ...]
    profiles: dict[int, LeadProfile]
    events: pa.Table
    sizes: pa.Table


def mined(folder: Path, sizes: pa.Table | None = None) -> Mined:
    source = open_source(folder / "recording.parquet", folder / "setup.toml")
    profiles = profile_leads(source.recording, source.leads)
    extraction = extract_pulses(source.recording, source.leads, profiles)
    rate_hz = source.recording.rate_hz
    events = find_events(source.setup, extraction, end_s=source.recording.n_samples / rate_hz, rate_hz=rate_hz)
    return Mined(source.recording, source.setup, source.leads, profiles, events, sizes or SENSITIVITY.empty())


def scenario(**changes: object) -> Scenario:
    """Four cylinders on a steady road, a lead on coil 1, the shared answer; 20 s at 200 kS/s."""
    command = {"column": "lead_1", "role": "command", "cylinder": 1, "crosstalk_v": 1.5, "crosstalk_chance": 0.2}
    feedback = {"column": "lead_2", "role": "feedback", "off_v": 5.0, "on_v": 0.4, "edge": "rc", "fall_us": 6.0,
                "crosstalk_v": 1.0, "crosstalk_chance": 0.1}  # fmt: skip
    spec = {
        "engine": {"cylinders": 4, "firing_order": [1, 3, 4, 2]}, "rate_hz": 200_000.0, "duration_s": 20.0, "seed": 4,
        "drive": {"roads": ["country"], "road_s": 20.0}, "leads": [command, feedback],
    }  # fmt: skip
    return Scenario.model_validate({**spec, **changes})


@pytest.fixture(scope="module")
def country(tmp_path_factory) -> Mined:
    folder = tmp_path_factory.mktemp("country")
    write_recording(scenario(), folder)
    return mined(folder)


@pytest.fixture(scope="module")
def sampled(country) -> dict:
    return sample_waveform(*country)


def test_every_kind_comes_out_as_the_event_table_is_changed(sampled):
    assert {row["kind"] for row in sampled["planted"]} == set(SAMPLED_KINDS)
    assert [row for row in sampled["planted"] if not row["agreed"]] == []
    assert sampled["n_planted"] == sampled["n_agreed"] >= 12
    # the quiet part of a ripple is a robust spread: a tenth of the change, which "agreed" asks for, is all it promises
    others = [row["deviation_sigma"] for row in sampled["planted"] if row["kind"] != "distorted_command"]
    assert 0.0 < max(others) <= 1.0
    assert sampled["sentence"].startswith(f"{sampled['n_planted']} of {sampled['n_planted']} faults planted into the")


def test_events_a_turn_away_stay_what_they_were(sampled):
    assert sampled["n_neighbours"] > 150
    assert sampled["n_neighbours_agreed"] >= 0.99 * sampled["n_neighbours"]


def test_on_a_demo_recording():
    got = sample_waveform(*mined(DEMO))
    assert {row["kind"] for row in got["planted"]} == set(SAMPLED_KINDS)
    assert got["n_agreed"] == got["n_planted"]


def test_sizes_are_those_found_in_the_recording(country):
    row = {"kind": "long_on_time", "cylinder": 1, "slot": 0, "size": 0.05, "unit": "share", "n_planted": 10,
           "n_found": 10, "found_low": 0.7, "found_high": 1.0, "smallest": True}  # fmt: skip
    sizes = pa.Table.from_pylist([row, {**row, "size": 0.4, "smallest": False}], schema=SENSITIVITY.schema)
    got = sample_waveform(*country[:5], sizes, n_stretches=1)
    planted = {one["kind"]: one for one in got["planted"]}
    assert planted["long_on_time"]["size"] == pytest.approx(0.05, abs=0.001)
    assert planted["long_on_time"]["agreed"]
    assert planted["short_on_time"]["size"] == pytest.approx(0.2, abs=0.001)


@pytest.mark.parametrize(("kind", "wrong_size"), [("late_feedback", 0.25), ("weak_command", 0.1)])
def test_a_short_cut_that_is_wrong_is_found_out(country, monkeypatch, kind, wrong_size):
    """The event table is changed by another size than the waveform: these kinds alone must disagree."""

    def wrong(columns, row, of_kind, size, **rest):
        apply_fault(columns, row, of_kind, wrong_size if of_kind == kind else size, **rest)

    monkeypatch.setattr(waveform_compare, "apply_fault", wrong)
    got = sample_waveform(*country, n_stretches=1)
    assert {row["kind"] for row in got["planted"] if not row["agreed"]} == {kind}
    assert got["sentence"].endswith(f"Less certain for it: {kind}.")


def test_the_same_twice_is_the_same(country, sampled):
    assert sample_waveform(*country) == sampled


def test_floats_with_a_time_column_of_their_own(tmp_path):
    leads = [{**lead.model_dump(), "dtype": "float32", "scale": None} for lead in scenario().leads]
    storage = {"time_column": True, "time_origin_s": 5000.0, "clock_jitter": 0.05}
    write_recording(scenario(leads=leads, storage=storage), tmp_path)
    got = sample_waveform(*mined(tmp_path))
    assert got["n_planted"] >= 12
    assert got["n_agreed"] == got["n_planted"]


def test_stretches_lie_around_their_events_where_time_went_on_without_samples(tmp_path):
    gap = {"start_s": 3.0, "duration_s": 14.0, "kind": "missing"}
    storage = {"time_column": True, "row_group_samples": 200_000}
    write_recording(scenario(duration_s=60.0, gaps=[gap], storage=storage), tmp_path)
    country = mined(tmp_path)
    time_s = country.events["time_s"].to_numpy()
    n = len(time_s)
    stretches = list(choose_stretches(country.recording, country.events, 2, 20))
    for number, (start, stop) in enumerate(stretches):
        stretch = waveform_stretch.read_stretch(country.recording, ["lead_1"], country.events, start, stop)
        assert stretch is not None
        own = stretch.columns["time_s"]
        assert own[0] < time_s[(2 * number + 1) * n // 4] < own[-1]
    got = sample_waveform(*country)
    assert got["n_agreed"] == got["n_planted"] >= 12


def test_the_answer_alone(tmp_path):
    write_recording(scenario(leads=[scenario().leads[1].model_dump()]), tmp_path)
    got = sample_waveform(*mined(tmp_path))
    kinds = {row["kind"] for row in got["planted"]}
    assert kinds == {"absent_feedback", "extra_pulse", "weak_feedback", "odd_feedback_width", "uneven_interval"}
    assert got["n_agreed"] == got["n_planted"] >= 12
    assert {row["cylinder"] for row in got["planted"]} == {None}


def test_too_short_a_recording_says_so(tmp_path):
    write_recording(scenario(duration_s=2.0), tmp_path)
    got = sample_waveform(*mined(tmp_path))
    assert got["n_planted"] == 0
    assert got["largest_deviation_sigma"] is None
    assert got["sentence"].startswith("No fault could be planted into the waveform itself")


def test_stretches_are_apart_and_none_lies_deep_inside_a_row_group(country, monkeypatch):
    recording, events, rate_hz = country.recording, country.events, country.recording.rate_hz
    whole = list(choose_stretches(recording, events, 3, 20))
    assert len(whole) == 3
    assert all(stop <= start for (_, stop), (start, _) in pairwise(whole))
    monkeypatch.setattr(waveform_stretch, "DEEPEST_S", 0.5)
    groups = np.array(recording.parts[0].group_starts)
    for start, _ in choose_stretches(recording, events, 1, 20):
        assert start - groups[groups <= start].max() <= 0.5 * rate_hz


def test_an_event_that_is_gone_does_not_agree():
    setup = make_setup(commands=(1, 3))
    before = columns_of(to_events(make_columns(setup, 60, 1800.0, seed=2)))
    resolution = dict.fromkeys(waveform_compare.COMPARED, 1e-3)
    planted = [Planted(kind="late_feedback", size=0.2, row=80)]
    found = {name: values.copy() for name, values in before.items()}
    apply_fault(found, 80, "late_feedback", 0.2, tie="none")
    rows, agreed = compare_planted(before, found, planted, resolution, n_slots=4)
    assert rows[0].agreed
    assert agreed.all()
    assert rows[0].deviation_sigma == 0.0
    kept = np.arange(before["time_s"].size) != 80
    rows, agreed = compare_planted(before, {n: v[kept] for n, v in found.items()}, planted, resolution, n_slots=4)
    assert not rows[0].agreed
    assert agreed.sum() == agreed.size - 1
    nothing = {name: values[:0] for name, values in before.items()}
    rows, agreed = compare_planted(before, nothing, planted, resolution, n_slots=4)
    assert not rows[0].agreed
    assert not agreed.any()


def test_a_measure_without_scatter_is_compared_as_well():
    """Volts as floats, every delay the same: there is neither a count nor a scatter to compare with."""
    before = columns_of(to_events(make_columns(make_setup(commands=(1, 3)), 60, 1800.0, seed=2)))
    before["delay_us"][np.isfinite(before["delay_us"])] = 700.0
    found = {name: values.copy() for name, values in before.items()}
    apply_fault(found, 80, "late_feedback", 0.2, tie="none")
    planted = [Planted(kind="late_feedback", size=0.2, row=80)]
    rows, agreed = compare_planted(before, found, planted, dict.fromkeys(waveform_compare.COMPARED, 0.0), n_slots=4)
    assert rows[0].agreed
    assert rows[0].deviation_sigma == 0.0
    assert agreed.all()


@pytest.mark.parametrize("n_events", [1, 5, 9, 40])
def test_stretches_shorter_than_a_turn_on_either_side_have_calm_events_or_none(n_events):
    columns = {
        "quality": np.array([""] * n_events, dtype=object),
        "extra_pulses": np.zeros(n_events, dtype=int),
        "command_seen": np.ones(n_events, dtype=np.int8),
        "feedback_seen": np.ones(n_events, dtype=np.int8),
    }
    assert waveform_sample._calm(columns, 12).tolist() == [True] * n_events
    columns["command_seen"][0] = 0
    assert waveform_sample._calm(columns, 12).tolist() == [place > 12 for place in range(n_events)]
