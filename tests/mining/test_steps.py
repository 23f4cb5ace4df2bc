"""One recording from end to end: what is found, that nothing depends on how it was run, and what is left behind."""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from miner.engine.setup import parse_setup
from miner.errors import FindingsError
from miner.findings.store import SUMMARY, Findings
from miner.mining.section_file import read_extraction, read_profiles, write_extraction, write_profiles
from miner.mining.steps import MineResult, MineSettings, MineSteps, mine_recording, open_source
from miner.recording.progress import Progress
from miner.review.verdicts import VerdictStore
from miner.schema import EVENTS, INCIDENTS, SUSPECTS
from tests.pipelines.small import RATE_HZ, leads, write

ABSENT = (150, 151, 402)
"""Feedback pulses left out; slot 0 is cylinder 1, then 3, 4, 2."""

SECONDS = 14.0
N_SAMPLES = int(SECONDS * RATE_HZ)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("mined")
    write(folder, dict(leads(SECONDS, absent=ABSENT)))
    return folder


@pytest.fixture(scope="module")
def told() -> list[Progress]:
    return []


@pytest.fixture(scope="module")
def mined(place: Path, told: list[Progress]) -> MineResult:
    return mine_recording(place / "drive.parquet", place / "car.toml", place / "out", on_progress=told.append)


@pytest.fixture
def copied(mined: MineResult, tmp_path: Path) -> Path:
    """Give a findings folder that a test may change."""
    return Path(shutil.copytree(mined.folder, tmp_path / "out"))


def test_absent_answers_lead_the_list(mined: MineResult) -> None:
    suspects = Findings(mined.folder).read_table(SUSPECTS)
    first = suspects.slice(0, 3).to_pylist()
    assert {row["kind"] for row in first} == {"absent_feedback"}
    assert sorted(row["cylinder"] for row in first) == [2, 4, 4]
    assert suspects["rank"].to_pylist() == list(range(1, suspects.num_rows + 1))
    assert pc.min_max(pc.pairwise_diff(suspects["false_alarms_per_hour"].combine_chunks()))["min"].as_py() >= 0


def test_every_pulse_is_an_event_of_its_cylinder(mined: MineResult, place: Path) -> None:
    events = Findings(mined.folder).read_table(EVENTS)
    wanted = np.resize([1, 3, 4, 2], events.num_rows)
    assert events["cylinder"].to_numpy().tolist() == wanted.tolist()
    assert events["event_id"].to_pylist() == list(range(events.num_rows))
    absent = events.filter(pc.equal(events["feedback_seen"], pa.scalar(value=False)))
    assert absent["event_id"].to_pylist() == list(ABSENT)


def test_what_lies_in_the_folder(mined: MineResult) -> None:
    names = {path.name for path in mined.folder.iterdir()}
    assert {"events.parquet", "suspects.parquet", "incidents.parquet", "summary.json", "recording.json"} <= names
    assert not [name for name in names if name.endswith((".partial", ".tmp"))]


def test_summary_says_what_was_mined_and_how(mined: MineResult) -> None:
    summary = Findings(mined.folder).summary()
    assert summary["recording"]["duration_s"] == pytest.approx(SECONDS - 1 / RATE_HZ)
    assert summary["recording"]["rate_hz"] == RATE_HZ
    assert summary["setup"]["engine"]["firing_order"] == [1, 3, 4, 2]
    assert summary["settings"]["rank"]["seed"] == 1
    assert {"python", "numpy", "pyarrow", "ignition-miner"} <= set(summary["versions"])
    assert summary["counts"]["events"]["absent_feedback"] == len(ABSENT)
    assert summary["counts"]["suspects"]["by_kind"]["absent_feedback"] == len(ABSENT)
    assert set(summary["quality"]) == {"lead_1", "lead_2"}
    assert summary == json.loads(json.dumps(mined.summary))


def tables(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.glob("*.parquet"))}


def test_same_input_same_bytes(mined: MineResult, place: Path) -> None:
    again = mine_recording(place / "drive.parquet", place / "car.toml", place / "again")
    assert tables(again.folder) == tables(mined.folder)
    assert (again.folder / SUMMARY).read_bytes() == (mined.folder / SUMMARY).read_bytes()


def test_steps_through_files_give_the_same_bytes(
    mined: MineResult, place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sections of three seconds, so that this short recording has five of them."""
    monkeypatch.setattr("miner.signal.sections._SECTION_S", 3.0)
    recording, setup, steps = place / "drive.parquet", place / "car.toml", MineSteps()
    look = steps.look(recording, setup)
    described = look.setup
    assert look.n_sections == 5
    assert look.n_samples == N_SAMPLES
    steps.profile(recording, described, tmp_path / "profile")
    heard: list[int] = []
    sections = [tmp_path / f"section-{i}" for i in range(look.n_sections)]
    for index in reversed(range(look.n_sections)):
        steps.section(recording, described, index, tmp_path / "profile", sections[index], heard.append)
    steps.finish(recording, described, sections, tmp_path / "profile", tmp_path / "out")
    whole = mine_recording(recording, setup, tmp_path / "whole")
    assert tables(tmp_path / "out") == tables(whole.folder)
    assert max(heard) <= max(look.section_samples)


def test_section_and_profile_files_are_the_same_bytes_each_time(place: Path, tmp_path: Path) -> None:
    recording, steps = place / "drive.parquet", MineSteps()
    setup = steps.look(recording, place / "car.toml").setup
    for name in ("a", "b"):
        steps.profile(recording, setup, tmp_path / f"{name}.profile")
        steps.section(recording, setup, 0, tmp_path / f"{name}.profile", tmp_path / f"{name}.section", lambda n: None)
    assert (tmp_path / "a.profile").read_bytes() == (tmp_path / "b.profile").read_bytes()
    assert (tmp_path / "a.section").read_bytes() == (tmp_path / "b.section").read_bytes()
    write_profiles(tmp_path / "c.profile", read_profiles(tmp_path / "a.profile"))
    assert (tmp_path / "c.profile").read_bytes() == (tmp_path / "a.profile").read_bytes()
    write_extraction(tmp_path / "c.section", read_extraction(tmp_path / "a.section"))
    assert (tmp_path / "c.section").read_bytes() == (tmp_path / "a.section").read_bytes()


def test_look_knows_content_and_not_names(place: Path, tmp_path: Path) -> None:
    steps = MineSteps()
    (tmp_path / "other.parquet").write_bytes((place / "drive.parquet").read_bytes())
    setup = place / "car.toml"
    known = steps.look(place / "drive.parquet", setup)
    assert steps.look(tmp_path / "other.parquet", setup) == known
    (tmp_path / "car.toml").write_text(setup.read_text().replace("[1, 3, 4, 2]", "[1, 2, 4, 3]"))
    assert steps.look(place / "drive.parquet", tmp_path / "car.toml").identity != known.identity
    (tmp_path / "car.toml").write_text(setup.read_text() + "\n[least_differences]\non_time_percent = 2.5\n")
    wished = steps.look(place / "drive.parquet", tmp_path / "car.toml")
    assert wished.identity != known.identity
    assert parse_setup(json.loads(wished.setup)).least_differences.on_time_percent == 2.5
    assert steps.key() != MineSteps(settings=MineSettings(rate_hz=5.0)).key()


def test_parts_give_what_the_whole_gives(mined: MineResult, place: Path, tmp_path: Path) -> None:
    whole = pq.read_table(place / "drive.parquet")
    (tmp_path / "drive").mkdir()
    for i, (start, stop) in enumerate([(0, 1), (1, 700_001), (700_001, N_SAMPLES)]):
        pq.write_table(
            whole.slice(start, stop - start), tmp_path / "drive" / f"part_{i}.parquet", row_group_size=300_000
        )
    parts = mine_recording(tmp_path / "drive", place / "car.toml", tmp_path / "out")
    for declared in (EVENTS, SUSPECTS, INCIDENTS):
        assert (
            Findings(parts.folder).path_of(declared).read_bytes()
            == Findings(mined.folder).path_of(declared).read_bytes()
        )


def test_progress_grows_to_the_end(mined: MineResult, told: list[Progress]) -> None:
    done = [progress.samples_done for progress in told]
    assert done == sorted(done)
    assert done[-1] == told[-1].samples_total == N_SAMPLES
    assert told[-1].n_events > 600


def test_rate_from_setup_or_settings(mined: MineResult, place: Path, tmp_path: Path) -> None:
    bare = pq.read_table(place / "drive.parquet").replace_schema_metadata()
    pq.write_table(bare, tmp_path / "bare.parquet")
    (tmp_path / "car.toml").write_text(f"sample_rate_hz = {RATE_HZ}\n" + (place / "car.toml").read_text())
    assert open_source(tmp_path / "bare.parquet", tmp_path / "car.toml").recording.rate_hz == RATE_HZ
    source = open_source(tmp_path / "bare.parquet", place / "car.toml", rate_hz=RATE_HZ)
    assert source.recording.rate_hz == RATE_HZ


def test_rerun_keeps_verdicts_and_lowers_what_was_judged_normal(copied: Path, place: Path) -> None:
    worst = Findings(copied).read_table(SUSPECTS).slice(0, 1).to_pylist()[0]
    store = VerdictStore(copied, str(Findings(copied).read_json("recording.json")["identity"]))
    store.decide(
        cylinder=worst["cylinder"], time_s=worst["time_s"], kind=worst["kind"], verdict="normal", note="",
        seen_revision=None,
    )  # fmt: skip
    lowered = mine_recording(
        place / "drive.parquet", place / "car.toml", copied, settings=MineSettings(use_verdicts=True)
    )
    again = {row["event_id"]: row for row in Findings(copied).read_table(SUSPECTS).to_pylist()}[worst["event_id"]]
    assert again["false_alarms_per_hour"] > worst["false_alarms_per_hour"]
    assert "judged normal" in again["reason"]
    assert any("lowered" in warning for warning in lowered.summary["warnings"])
    assert [decision.verdict for decision in store.since()] == ["normal"]


def test_failed_run_leaves_the_findings_of_before(copied: Path, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = tables(copied)

    def broken(*_: object, **__: object) -> Callable[[], None]:
        raise ZeroDivisionError

    monkeypatch.setattr("miner.mining.finish.rank_chapter", broken)
    with pytest.raises(ZeroDivisionError):
        mine_recording(place / "drive.parquet", place / "car.toml", copied)
    assert tables(copied) == before
    assert Findings(copied).is_complete


@pytest.mark.parametrize("room", [0, 2, 9])
def test_a_disk_that_fills_up_leaves_the_findings_of_before(
    copied: Path, place: Path, monkeypatch: pytest.MonkeyPatch, room: int
) -> None:
    """Whichever file does not fit any more: each is flushed while the old findings still lie untouched."""
    before = {path.name: path.read_bytes() for path in copied.iterdir()}
    synced, really = [0], os.fsync

    def full(descriptor: int) -> None:
        synced[0] += 1
        if synced[0] > room:
            raise OSError(errno.ENOSPC, "No space left on device")
        really(descriptor)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FindingsError, match="the disk is full"):
        mine_recording(place / "drive.parquet", place / "car.toml", copied)
    assert {path.name: path.read_bytes() for path in copied.iterdir()} == before
