"""Folder runs: what is found, what is planned, what is done again and what is not, one broken among many."""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from rich.console import Console

from miner.errors import RunError
from miner.schema import EVENTS
from pipelines.command import app
from pipelines.overnight.budget import BASE_BYTES, MIB, STARTER_BYTES, need_bytes
from pipelines.overnight.discovery import find_recordings, find_setup
from pipelines.overnight.journal import Journal, StepEntry
from pipelines.overnight.plan import make_plan
from pipelines.overnight.pool import LocalPool
from pipelines.overnight.run import Result, run_plan
from pipelines.overnight.tasks import Steps, fingerprint, run_task
from pipelines.overnight_command import run_overnight
from pipelines.show.console import guarded
from tests.pipelines.fakes import FakeSteps, InlineExecutor, SilentView, tables_of, write_fake, write_fake_tree


def names(folder: Path, **options) -> list[str]:
    return [f.path.relative_to(folder).as_posix() for f in find_recordings(folder, **options)]


def run(folder: Path, out: Path, steps: Steps | None = None, *, pool: int = 0, view=None) -> list[Result]:
    steps = steps or FakeSteps()
    out.mkdir(exist_ok=True)
    plan = make_plan(folder, out, steps)
    executor = LocalPool(pool, steps) if pool else InlineExecutor(steps)
    with Journal(out / "overnight.sqlite") as journal:
        journal.begin_run()
        results = run_plan(plan, journal, executor, view or SilentView())
        journal.end_run()
    return results


# discovery ----------------------------------------------------------------------------------------------------------


def test_single_files_and_numbered_parts(tmp_path):
    write_fake(tmp_path / "a.parquet", 1)
    write_fake(tmp_path / "trip_1" / "part_000.parquet", 2)
    write_fake(tmp_path / "trip_1" / "part_001.parquet", 3)
    write_fake(tmp_path / "trips" / "trip_1.parquet", 4)
    write_fake(tmp_path / "trips" / "trip_2.parquet", 5)
    write_fake(tmp_path / "odd.parts" / "x.parquet", 6)
    write_fake(tmp_path / "odd.parts" / "y.parquet", 7)
    assert names(tmp_path) == ["a.parquet", "odd.parts", "trip_1", "trips/trip_1.parquet", "trips/trip_2.parquet"]


def test_parts_are_known_by_their_time(tmp_path):
    def write(path: Path, start_s: float) -> None:
        path.parent.mkdir(exist_ok=True)
        pq.write_table(pa.table({"time_s": start_s + np.arange(100) / 100.0, "lead_1": np.zeros(100)}), path)

    write(tmp_path / "drive" / "morning.parquet", 0.0)
    write(tmp_path / "drive" / "noon.parquet", 1.0)
    write(tmp_path / "two" / "first.parquet", 0.0)
    write(tmp_path / "two" / "second.parquet", 0.0)
    assert names(tmp_path) == ["drive", "two/first.parquet", "two/second.parquet"]


def test_findings_hidden_names_and_own_tables_are_no_recordings(tmp_path):
    write_fake(tmp_path / "a.parquet", 1)
    write_fake(tmp_path / ".hidden" / "b.parquet", 1)
    pq.write_table(EVENTS.empty(), tmp_path / "events.parquet")
    write_fake(tmp_path / "truth_events.parquet", 1)
    done = tmp_path / "old findings"
    write_fake(done / "events.parquet", 1)
    write_fake(done / "beside.parquet", 1)
    (done / "summary.json").write_text("{}")
    write_fake(tmp_path / "out" / "x.parquet", 1)
    assert names(tmp_path, leave_out=tmp_path / "out") == ["a.parquet", "old findings/beside.parquet"]


def test_a_recording_that_is_only_called_events_is_found(tmp_path):
    write_fake(tmp_path / "events.parquet", 1)
    assert names(tmp_path) == ["events.parquet"]


def test_empty_and_missing_folders_are_refused(tmp_path):
    with pytest.raises(RunError, match="no recording lies in this folder"):
        find_recordings(tmp_path)
    with pytest.raises(RunError, match="no such folder"):
        find_recordings(tmp_path / "none")


def test_the_nearest_setup_wins(tmp_path):
    recording = write_fake(tmp_path / "car" / "day" / "trip.parquet", 1)
    given = tmp_path / "given.toml"
    outside = tmp_path / "setup.toml"
    order = [
        recording.with_suffix(".toml"), recording.parent / "setup.toml", tmp_path / "car" / "setup.toml", given,
    ]  # fmt: skip
    for path in (*order, outside):
        path.touch()
    for expected in order:  # the folder above the searched one does not count
        assert find_setup(recording, tmp_path / "car", given) == expected
        expected.unlink()
    with pytest.raises(RunError, match=r"put 'trip\.toml' or 'setup\.toml' beside it"):
        find_setup(recording, tmp_path / "car", None)


# running ------------------------------------------------------------------------------------------------------------


def test_every_recording_is_mined_once(tmp_path):
    folder = write_fake_tree(tmp_path / "in")
    view = SilentView()
    first = run(folder, tmp_path / "out", view=view)
    assert [r.name for r in first] == ["car_0/trip_a.parquet", "car_1/trip_b.parquet", "car_2/trip_c.parquet"]
    assert [r.vehicle for r in first] == ["car_0", "car_1", "car_2"]
    assert all(r.anew and r.failure is None and (r.findings / "summary.json").is_file() for r in first)
    assert view.ended[0] == "car_2/trip_c.parquet"  # longest first
    for name, samples in view.samples.items():
        told = [n for heard, n in view.heard if heard == name]
        assert told == sorted(told)
        assert told[-1] == samples
    before = tables_of(tmp_path / "out")
    stamps = {p: p.stat().st_mtime_ns for p in (tmp_path / "out").rglob("events.parquet")}
    again = run(folder, tmp_path / "out")
    assert not any(r.anew for r in again)
    assert [(r.name, r.elapsed_s, r.findings) for r in again] == [(r.name, r.elapsed_s, r.findings) for r in first]
    assert tables_of(tmp_path / "out") == before
    assert {p: p.stat().st_mtime_ns for p in stamps} == stamps
    assert not list((tmp_path / "out" / ".work").iterdir())


def test_workers_give_the_same_bytes(tmp_path):
    folder = write_fake_tree(tmp_path / "in")
    run(folder, tmp_path / "one")
    run(folder, tmp_path / "two", pool=2)
    assert tables_of(tmp_path / "one") == tables_of(tmp_path / "two") != {}


def test_content_decides_not_the_name(tmp_path):
    folder = write_fake_tree(tmp_path / "in")
    run(folder, tmp_path / "out")
    (folder / "car_1" / "trip_b.parquet").rename(folder / "car_1" / "renamed.parquet")
    copy = folder / "copy.parquet"
    copy.write_bytes((folder / "car_2" / "trip_c.parquet").read_bytes())
    results = {r.name: r for r in run(folder, tmp_path / "out")}
    assert not any(r.anew for r in results.values())
    assert results["car_1/renamed.parquet"].findings is not None
    assert results["car_2/trip_c.parquet"].also == ("copy.parquet",)


@pytest.mark.parametrize("changed", ["recording", "setup", "settings"])
def test_other_content_setup_or_settings_are_mined_anew(tmp_path, changed):
    folder = write_fake_tree(tmp_path / "in")
    run(folder, tmp_path / "out")
    steps = FakeSteps(settings="v2") if changed == "settings" else FakeSteps()
    if changed == "recording":
        write_fake(folder / "car_0" / "trip_a.parquet", 77, rows=150)
    if changed == "setup":
        (folder / "car_0" / "setup.toml").write_text("[engine]\ncylinders = 3\n")
    anew = [r.name for r in run(folder, tmp_path / "out", steps) if r.anew]
    assert anew == ["car_0/trip_a.parquet"] if changed != "settings" else len(anew) == 3


def test_a_lost_findings_file_is_made_again(tmp_path):
    folder = write_fake_tree(tmp_path / "in")
    first = run(folder, tmp_path / "out")
    before = tables_of(tmp_path / "out")
    (first[1].findings / "events.parquet").unlink()
    (first[1].findings / "verdicts.sqlite").write_text("the user's")
    again = run(folder, tmp_path / "out")
    assert [r.name for r in again if r.anew] == [first[1].name]
    after = tables_of(tmp_path / "out")
    assert after.pop(f"{first[1].findings.name}/verdicts.sqlite") == b"the user's"
    assert after == before


@pytest.mark.parametrize("pool", [0, 2])
def test_broken_recordings_never_stop_the_others(tmp_path, pool):
    folder = write_fake_tree(tmp_path / "in")
    (folder / "foreign.parquet").write_bytes(b"PAR1 not really PAR1")
    write_fake(folder / "silent.parquet", 9)
    if pool:
        write_fake(folder / "killer.parquet", 10)
    results = run(folder, tmp_path / "out", pool=pool)
    failed = {r.name: r.failure for r in results if r.failure}
    assert [r.failure is None for r in results] == sorted(r.failure is None for r in results)  # failures first
    assert set(failed) == {"foreign.parquet", "silent.parquet"} | ({"killer.parquet"} if pool else set())
    assert "less than two minutes ago" in failed["foreign.parquet"].remedy
    assert "column 'lead_1'" in failed["silent.parquet"].problem
    if pool:
        assert "SIGKILL" in failed["killer.parquet"].problem
        assert failed["killer.parquet"].kind == "died"
    assert sum(r.findings is not None for r in results) == 3


def test_a_defect_is_told_with_its_place(tmp_path):
    class Defect(FakeSteps):
        def profile(self, recording: Path, setup: Path, out: Path) -> None:
            raise ZeroDivisionError("oh")

    results = run(write_fake_tree(tmp_path / "in"), tmp_path / "out", Defect())
    assert "ZeroDivisionError: oh; test_overnight.py:" in results[0].failure.problem


# recordings that change ---------------------------------------------------------------------------------------------


class ChangedUnderway(FakeSteps):
    """The second section's reader finds the file replaced while it works."""

    def section(self, recording, setup, index, profile, out, on_samples) -> None:
        super().section(recording, setup, index, profile, out, on_samples)
        if index == 1 and recording.name == "trip_c.parquet" and not recording.with_name("seen").exists():
            recording.with_name("seen").touch()
            replacement = write_fake(recording.with_name("new.parquet.part"), 99)
            replacement.replace(recording)


def test_a_replaced_recording_is_reported_and_mined_next_time(tmp_path):
    folder = write_fake_tree(tmp_path / "in")
    results = run(folder, tmp_path / "out", ChangedUnderway())
    assert [(r.name, r.failure.kind) for r in results if r.failure] == [("car_2/trip_c.parquet", "changed")]
    assert not list((tmp_path / "out" / ".work").iterdir())
    again = run(folder, tmp_path / "out", ChangedUnderway())
    assert [r.name for r in again if r.anew] == ["car_2/trip_c.parquet"]
    run(folder, tmp_path / "fresh")
    finished = tables_of(tmp_path / "out")
    assert finished == tables_of(tmp_path / "fresh")


def test_a_growing_folder_of_parts_is_reported(tmp_path):
    class Growing(FakeSteps):
        def finish(self, recording, setup, sections, profile, out) -> None:
            super().finish(recording, setup, sections, profile, out)
            write_fake(recording / "part_2.parquet", 3)

    folder = tmp_path / "in"
    write_fake(folder / "trip" / "part_0.parquet", 1)
    write_fake(folder / "trip" / "part_1.parquet", 2)
    (folder / "setup.toml").touch()
    results = run(folder, tmp_path / "out", Growing())
    assert results[0].failure.kind == "changed"
    assert not tables_of(tmp_path / "out")
    assert run(folder, tmp_path / "out")[0].findings is not None


def test_growing_while_the_plan_is_made(tmp_path):
    class Slow(FakeSteps):
        def look(self, recording, setup):
            look = super().look(recording, setup)
            write_fake(recording, 50, rows=400)
            return look

    folder = write_fake_tree(tmp_path / "in", 1)
    plan = make_plan(folder, tmp_path / "out", Slow())
    assert not plan.jobs
    assert plan.not_planned[0].failure.problem == "the recording is still growing"


def test_the_fingerprint_sees_a_replacement_of_equal_size_and_time(tmp_path):
    path = write_fake(tmp_path / "a.parquet", 1)
    before, stat = fingerprint(path), path.stat()
    other = write_fake(tmp_path / "b.parquet", 2)
    os.utime(other, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    other.replace(path)
    assert path.stat().st_mtime_ns == stat.st_mtime_ns
    assert fingerprint(path) != before


# the command --------------------------------------------------------------------------------------------------------


def dry_run(folder: Path, out: Path, steps: Steps | None = None, **options) -> str:
    console = Console(file=io.StringIO(), width=250)
    run_overnight(console, folder, out, steps or FakeSteps(), dry_run=True, **options)
    return console.file.getvalue()


def test_a_dry_run_shows_the_plan_and_writes_nothing(tmp_path):
    folder = write_fake_tree(tmp_path / "in")
    (folder / "foreign.parquet").write_bytes(b"PAR1")
    text = dry_run(folder, tmp_path / "out", memory_budget="64GB", workers=2)
    assert text.index("cannot be mined: foreign.parquet: is no recording") < text.index("car_0/trip_a.parquet")
    assert text.count("to be mined") == 3
    assert "3 recordings, with 2 workers in 65536 MB" in text
    assert not (tmp_path / "out").exists()


def test_a_dry_run_knows_what_is_done(tmp_path):
    folder, out = write_fake_tree(tmp_path / "in"), tmp_path / "out"
    write_fake(folder / "silent.parquet", 9)
    run(folder, out)
    job = make_plan(folder, out, FakeSteps()).jobs[0]
    with Journal(out / "overnight.sqlite") as journal:
        journal._db.execute("DELETE FROM finished WHERE token = ?", (job.token,))
        outcome = run_task(job.task("profile"), FakeSteps())
        entry = StepEntry(fingerprint=job.fingerprint, digest=outcome.digest, elapsed_s=1.0, cpu_s=1.0)
        journal.enter_step(job.token, "profile", entry)
    text = dry_run(folder, out, memory_budget="64GB")
    lines = {name: next(line for line in text.splitlines() if name in line) for name in ("trip_a", "trip_c", "silent")}
    assert "finished" in lines["trip_a"]
    assert "goes on after 1 of" in lines["trip_c"]
    assert "failed last time: column 'lead_1': no pulses on a lead" in lines["silent"]


def test_a_budget_for_no_worker_is_refused_with_what_would_do(tmp_path):
    with pytest.raises(RunError, match=r"too small for one worker; give at least \d+ MB"):
        dry_run(write_fake_tree(tmp_path / "in"), tmp_path / "out", memory_budget="100MB")


def test_a_budget_for_no_finish_is_refused_before_anything_is_mined(tmp_path):
    folder = write_fake_tree(tmp_path / "in")
    look = make_plan(folder, tmp_path / "out", FakeSteps()).jobs[0].look
    least = STARTER_BYTES + BASE_BYTES + need_bytes("finish", look, n_events=0)
    assert least > STARTER_BYTES + BASE_BYTES + need_bytes("section", look)
    with pytest.raises(RunError, match=f"give at least {-(-least // MIB)} MB"):
        dry_run(folder, tmp_path / "out", memory_budget=str(least - 1))
    assert "with 1 worker in" in dry_run(folder, tmp_path / "out", memory_budget=str(least))


@pytest.mark.parametrize(("broken", "options", "code"), [
    (None, [], 0), ("silent.parquet", [], 3), ("foreign.parquet", [], 3), ("foreign.parquet", ["--dry-run"], 3),
    (None, ["--dry-run"], 0), (None, ["--memory-budget", "lots"], 2),
])  # fmt: skip
def test_exit_codes_of_the_command(tmp_path, monkeypatch, capsys, broken, options, code):
    """0: all mined; 3: some could not be, the rest is; 2: nothing was done."""
    folder, out = write_fake_tree(tmp_path / "in"), tmp_path / "out"
    if broken == "silent.parquet":
        write_fake(folder / broken, 9)
    elif broken:
        (folder / broken).write_bytes(b"PAR1")
    monkeypatch.setattr("miner.mining.steps.MineSteps", lambda **_: FakeSteps())
    monkeypatch.setattr(sys, "argv", ["ignition-miner", "overnight", str(folder), "--out", str(out), *options])
    assert guarded(app) == code
    said = capsys.readouterr().out
    if broken:
        assert broken in said
    assert len(list(out.glob("*/summary.json"))) == (0 if options else 3)
