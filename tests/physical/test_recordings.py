"""Recordings: the truth against edges measured naively from the stored samples, and what each fault leaves behind."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from numpy.typing import NDArray

from miner.engine.setup import load_setup
from miner.recording.reader import open_recording
from tests.physical.draw import draw
from tests.physical.fleet import make, plausible_course
from tests.physical.leads import LeadMaker
from tests.physical.options import Converter, FaultGroup, Lead, Options
from tests.physical.small import ANSWER, PLAIN, SUPPLY, WIRE

Floats = NDArray[np.float64]


def make_with(folder: Path, options: Options) -> None:
    make(0, folder, **{name: getattr(options, name) for name in Options.__dataclass_fields__})


def lead_volts(folder: Path, name: str) -> Floats:
    table = pq.read_table(folder / "recording.parquet", columns=[name])
    meta = table.schema.field(name).metadata or {}
    scale, offset = float(meta.get(b"scale", b"1")), float(meta.get(b"offset", b"0"))
    return np.asarray(table[name].to_numpy().astype(float) * scale + offset)


def truth_of(folder: Path, name: str) -> dict[str, NDArray[np.generic]]:
    table = pq.read_table(folder / name)
    return {c: table[c].to_numpy(zero_copy_only=False) for c in table.column_names}


def naive_pulses(volts: Floats, rate_hz: float, *, low: bool) -> Floats:
    """Return (start, end) of every stretch past half height, straight between the samples on either side."""
    half = 0.5 * (volts.min() + volts.max())
    on = (volts < half) if low else (volts > half)
    edges = np.flatnonzero(on[1:] != on[:-1])
    share = (half - volts[edges]) / (volts[edges + 1] - volts[edges])
    time_s = (edges + share) / rate_hz
    if on[0]:
        time_s = time_s[1:]
    return time_s[: len(time_s) // 2 * 2].reshape(-1, 2)


@pytest.mark.parametrize("answer_active", ["low", "high"])
@pytest.mark.parametrize("wire_active", ["low", "high"])
def test_truth_agrees_with_the_samples(tmp_path: Path, wire_active: str, answer_active: str) -> None:
    leads = (replace(WIRE, active=wire_active), replace(ANSWER, active=answer_active), SUPPLY)
    make_with(tmp_path, replace(PLAIN, seconds=6.0, leads=leads, rate_hz=5e5))
    events = truth_of(tmp_path, "truth_events.parquet")
    own = (events["cylinder"] == 1) & (events["ignore"] == 0)
    sample_s = 2e-6
    wire = naive_pulses(lead_volts(tmp_path, "wire_1"), 5e5, low=wire_active == "low")
    on_s, long_us = (events[name][own].astype(float) for name in ("time_s", "on_time_us"))
    near = wire[np.argmin(np.abs(wire[:, :1] - on_s), axis=0)]
    assert np.abs(near[:, 0] - on_s).max() < 0.5 * sample_s
    assert np.abs((near[:, 1] - near[:, 0]) * 1e6 - long_us).max() < 1.0
    said = naive_pulses(lead_volts(tmp_path, "answer"), 5e5, low=answer_active == "low")
    every = events["ignore"] == 0
    start_s = on_s + 1e-6 * events["delay_us"][own].astype(float)
    near = said[np.argmin(np.abs(said[:, :1] - start_s), axis=0)]
    assert np.abs(near[:, 0] - start_s).max() < sample_s
    width_us = (near[:, 1] - near[:, 0]) * 1e6
    assert np.abs(width_us - events["feedback_width_us"][own].astype(float)).max() < 4.0
    assert len(said) >= every.sum()
    supply = lead_volts(tmp_path, "supply")
    for i in np.flatnonzero(own)[::7]:
        a = int(float(events["time_s"][i]) * 5e5)
        mean_v = supply[a : a + int(float(events["on_time_us"][i]) * 0.5)].mean()
        assert mean_v == pytest.approx(float(events["supply_v"][i]), abs=0.05)


FAULTS = {
    "absent_command": (1.0, 0), "absent_feedback": (1.0, 0), "short_on_time": (0.3, 1), "long_on_time": (0.3, 0),
    "late_feedback": (3.0, 0), "early_feedback": (0.4, 0), "weak_command": (0.4, 0), "distorted_command": (0.4, 0),
    "weak_feedback": (0.4, 0), "odd_feedback_width": (-0.4, 0), "extra_pulse": (1.4e-3, 0),
    "uneven_interval": (15.0, 0), "supply_sag": (3.0, 1),
}  # fmt: skip


@pytest.mark.parametrize("kind", sorted(FAULTS))
def test_every_planted_fault_is_in_the_samples(tmp_path: Path, kind: str) -> None:
    size, way = FAULTS[kind]
    fault = FaultGroup(at_s=5.0, kind=kind, cylinder=1, sizes=(size,), way=way)
    plain = replace(PLAIN, seconds=8.0, rate_hz=2e5)
    options = replace(plain, faults=(fault,))
    _, _, _, truth = plausible_course(options)
    assert (truth["planted"] > 0).sum() == 1
    makers = lead_makers(options)
    i = int(np.flatnonzero(truth["planted"] > 0)[0])
    at = int((truth["turn_on_s"][i] - 1e-3) * 2e5)
    n = int(0.02 * 2e5)
    seen = {name: maker.volts(0, at + n)[at:] for name, maker in makers.items()}
    before = {name: maker.volts(0, at + n) for name, maker in lead_makers(plain).items()}
    own = truth["cylinder"] == 1
    usual_on_s = 1e-6 * float(np.nanmedian(truth["on_time_us"][own]))
    wire, answer = seen["wire_1"], seen["answer"]
    on_s = (wire > 2.5).sum() / 2e5
    marks = {
        "absent_command": lambda: wire.max() < 1.0 and answer[: int(0.004 * 2e5)].min() > 4.0,
        "absent_feedback": lambda: wire.max() > 4.0 and answer[: int(0.004 * 2e5)].min() > 4.0,
        "short_on_time": lambda: on_s < 0.75 * usual_on_s,
        "long_on_time": lambda: on_s > 1.2 * usual_on_s,
        "late_feedback": lambda: truth["delay_us"][i] > 1.3 * np.nanmedian(truth["delay_us"]),
        "early_feedback": lambda: truth["delay_us"][i] < 0.7 * np.nanmedian(truth["delay_us"]),
        "weak_command": lambda: wire.max() < 3.5,
        "distorted_command": lambda: np.sort(wire[wire > 2.0])[: int(0.1 * usual_on_s * 2e5)].max() < 3.4,
        "weak_feedback": lambda: answer[: int(0.004 * 2e5)].min() > 1.5,
        "odd_feedback_width": lambda: truth["feedback_width_us"][i] < 0.7 * np.nanmedian(truth["feedback_width_us"]),
        "extra_pulse": lambda: (np.diff((wire > 2.5).astype(int)) == 1).sum() == 2,
        "uneven_interval": lambda: truth["timing_deg"][i] - np.nanmedian(truth["timing_deg"][own]) > 8.0,
        "supply_sag": lambda: seen["supply"].min() < before["supply"][-n:].min() - 2.5,
    }
    assert marks[kind]()


def lead_makers(options: Options) -> dict[str, LeadMaker]:
    """Return the drawing of each lead of a recording."""
    used, course, marks, _ = plausible_course(options)
    rng = np.random.default_rng(0)
    return {lead.name: LeadMaker(used, lead, course, marks, rng) for lead in used.leads}


def digest(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir())}


def test_same_number_same_bytes(tmp_path: Path) -> None:
    for name in ("first", "again"):
        make(15, tmp_path / name, seconds=12.0, begins="running")
    assert digest(tmp_path / "first") == digest(tmp_path / "again")


def test_leads_do_not_depend_on_the_stretches_they_are_drawn_in() -> None:
    options = replace(PLAIN, seconds=4.0, rate_hz=1e5)
    whole = {name: maker.volts(0, 400_000) for name, maker in lead_makers(options).items()}
    for name, maker in lead_makers(options).items():
        cuts = [0, 1, 77, 30_011, 30_012, 250_000, 400_000]
        parts = np.concatenate([maker.volts(a, b - a) for a, b in pairwise(cuts)])
        np.testing.assert_allclose(parts, whole[name], atol=1e-9)


def test_holes_are_where_the_options_say(tmp_path: Path) -> None:
    options = replace(
        PLAIN, seconds=6.0, rate_hz=1e5, nulls=((2.0, 2.1),), clips_off=(("wire_1", 3.0, 3.5),), time_gap=(4.0, 4.25),
    )  # fmt: skip
    make_with(tmp_path, options)
    table = pq.read_table(tmp_path / "recording.parquet")
    assert table.num_rows == 600_000 - 25_000
    time_s = table["time_s"].to_numpy()
    assert np.flatnonzero(np.diff(time_s) > 1.5e-5).tolist() == [399_999]
    for name in ("wire_1", "answer", "supply"):
        missing = table[name].is_null().to_numpy()
        assert np.flatnonzero(missing).tolist() == list(range(200_000, 210_000))
    volts = table["wire_1"].slice(301_000, 48_000).to_numpy() * options.leads[0].converter.step_v
    assert np.abs(volts).max() < 0.2
    events = truth_of(tmp_path, "truth_events.parquet")
    inside = (events["time_s"] > 3.0) & (events["time_s"] < 3.5)
    assert inside.any()
    assert events["ignore"][inside].all()


@pytest.mark.parametrize(("bits", "dtype"), [(8, "int8"), (8, "uint8"), (12, "uint16"), (12, "float32"), (16, "int16")])
def test_stored_volts_are_the_same_whatever_the_type(tmp_path: Path, bits: int, dtype: str) -> None:
    lead: Lead = replace(WIRE, converter=Converter(bits=bits, span_v=10.0, dtype=dtype))
    make_with(tmp_path, replace(PLAIN, seconds=2.0, rate_hz=1e5, leads=(lead,)))
    volts = lead_volts(tmp_path, "wire_1")
    step = 20.0 / 2**bits
    assert abs(np.median(volts) - lead.low_v) < step
    assert abs(volts.max() - lead.level_v) < 2 * step + 0.1


def test_missing_codes_are_missing(tmp_path: Path) -> None:
    lead = replace(WIRE, noise_v=0.2, converter=Converter(bits=12, span_v=10.0, missing_codes=(8, 3)))
    make_with(tmp_path, replace(PLAIN, seconds=2.0, rate_hz=1e5, leads=(lead,)))
    codes = pq.read_table(tmp_path / "recording.parquet")["wire_1"].to_numpy()
    assert not (codes % 8 == 3).any()
    assert (codes % 8 == 4).any()


@pytest.mark.parametrize("number", [2, 7, 12])
def test_recordings_are_what_the_tool_reads(tmp_path: Path, number: int) -> None:
    options = make(number, tmp_path, seconds=8.0, begins="running")
    recording = open_recording(tmp_path / "recording.parquet")
    setup = load_setup(tmp_path / "setup.toml")
    assert recording.rate_hz == pytest.approx(options.rate_hz, rel=1e-6)
    assert {channel.column for channel in setup.channel} == {lead.name for lead in options.leads}


def test_numbers_draw_all_kinds_of_recordings() -> None:
    drawn = [draw(n) for n in range(300)]
    assert 0.5 < np.mean([o.healthy for o in drawn]) < 0.7
    assert all(bool(o.faults) != o.healthy for o in drawn)
    assert {o.rate_hz for o in drawn} >= {1e5, 2e5, 5e5}
    assert {lead.role for o in drawn for lead in o.leads} == {"command", "feedback", "supply", "coil_current"}
    assert all(600.0 <= o.seconds <= 1800.0 for o in drawn)
    assert all(o.rate_hz * o.seconds * len(o.leads) <= 5.001e8 for o in drawn)
    assert len({o.layout for o in drawn}) > 15
    assert all(any(lead.role in ("command", "feedback") for lead in o.leads) for o in drawn)
    assert drawn[7] == draw(7)
