"""The journal: entries survive, damaged and foreign files are told, the lock holds one run."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from miner.errors import FindingsError, RunError
from miner.findings.lock import exclusive
from miner.findings.whole import contents_of
from pipelines.overnight.journal import Journal, StepEntry
from pipelines.overnight.plan import make_plan
from pipelines.overnight.run import valid_steps
from pipelines.overnight.tasks import Failure, digest_file
from tests.pipelines.fakes import FakeSteps, write_fake_tree

ENTRY = StepEntry(fingerprint="f", digest="d", elapsed_s=1.5, cpu_s=1.25)


def finished_folder(out: Path) -> Path:
    folder = out / "trip-1234"
    folder.mkdir()
    (folder / "events.parquet").write_text("events")
    (folder / "summary.json").write_text(json.dumps({"files": contents_of(folder)}))
    return folder


def test_steps_survive_and_are_forgotten(tmp_path):
    with Journal(tmp_path / "j.sqlite") as journal:
        journal.enter_step("a", "profile", ENTRY)
        journal.enter_step("a", "section-000000", ENTRY)
        journal.enter_step("b", "profile", ENTRY)
    with Journal(tmp_path / "j.sqlite") as journal:
        assert journal.steps("a") == {"profile": ENTRY, "section-000000": ENTRY}
        journal.forget_steps("a")
        assert journal.steps("a") == {}
        assert journal.steps("b") == {"profile": ENTRY}


def test_finished_holds_while_its_files_are_there(tmp_path):
    folder = finished_folder(tmp_path)
    with Journal(tmp_path / "j.sqlite") as journal:
        journal.enter_step("a", "profile", ENTRY)
        journal.enter_finished("a", "trip", folder, {"cpu_s": 2.0})
        assert journal.steps("a") == {}
        assert journal.finished("a") == (folder, {"cpu_s": 2.0})
        assert journal.finished("b") is None
        (folder / "events.parquet").unlink()
        assert journal.finished("a") is None


def test_the_output_folder_can_be_moved(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    with Journal(out / "j.sqlite") as journal:
        journal.enter_finished("a", "trip", finished_folder(out), {})
    moved = out.rename(tmp_path / "moved")
    with Journal(moved / "j.sqlite") as journal:
        assert journal.finished("a") == (moved / "trip-1234", {})


def test_runs_are_entered_with_their_end(tmp_path):
    with Journal(tmp_path / "j.sqlite") as journal:
        journal.begin_run()
        journal.begin_run()
        journal.end_run()
        ends = [end for (end,) in journal._db.execute("SELECT ended_at FROM run ORDER BY rowid")]
        assert [end is None for end in ends] == [True, False]


def test_failures_are_of_the_last_run(tmp_path):
    failure = Failure(kind="died", problem="p", remedy="r")
    with Journal(tmp_path / "j.sqlite") as journal:
        journal.enter_failed("a", "trip", failure)
        assert journal.failure("a") == failure
        journal.begin_run()
        assert journal.failure("a") is None


def test_durable_settings(tmp_path):
    with Journal(tmp_path / "j.sqlite") as journal:
        pragma = journal._db.execute
        assert pragma("PRAGMA journal_mode").fetchone() == ("wal",)
        assert pragma("PRAGMA synchronous").fetchone() == (2,)


def test_a_failed_transaction_leaves_nothing(tmp_path):
    with Journal(tmp_path / "j.sqlite") as journal:
        with pytest.raises(RunError, match="journal"):
            journal.enter_step("a", "profile", StepEntry(fingerprint=None, digest="d", elapsed_s=0, cpu_s=0))
        journal.enter_step("a", "section", ENTRY)
        assert list(journal.steps("a")) == ["section"]


def test_a_damaged_journal_is_told(tmp_path):
    path = tmp_path / "j.sqlite"
    path.write_bytes(b"no database at all, but long enough to be one" * 100)
    with pytest.raises(RunError, match=r"the journal is damaged.*delete it"):
        Journal(path)


def test_steps_count_only_with_same_files_and_digest(tmp_path):
    folder = write_fake_tree(tmp_path / "in", 2)
    plan = make_plan(folder, tmp_path / "out", FakeSteps())
    job = plan.jobs[0]
    job.work.mkdir(parents=True)
    (job.work / "profile").write_text("levels")
    good = StepEntry(fingerprint=job.fingerprint, digest=digest_file(job.work / "profile"), elapsed_s=1.0, cpu_s=1.0)
    with Journal(tmp_path / "out" / "j.sqlite") as journal:
        journal.enter_step(job.token, "profile", good)
        journal.enter_step(job.token, "section-000000", good)  # its file is not there
        assert list(valid_steps(job, journal)) == ["profile"]
        (job.work / "profile").write_text("torn")
        assert valid_steps(job, journal) == {}
        (job.work / "profile").write_text("levels")
        journal.enter_step(job.token, "profile", StepEntry(**{**vars(good), "fingerprint": "another file"}))
        assert valid_steps(job, journal) == {}


def test_one_run_at_a_time_and_the_next_after_it(tmp_path):
    out = tmp_path / "out"
    with exclusive(out):
        with Journal(out / "overnight.sqlite") as journal:
            journal.begin_run()
        for held in (out, out / "trip-0123456789"):
            with pytest.raises(RunError, match=r"another run works in this folder already \(process \d+ on .+, since"):
                exclusive(held).__enter__()
        with exclusive(tmp_path / "other"):
            pass
    with exclusive(out):
        pass
    with exclusive(out / "trip-0123456789"), pytest.raises(RunError, match="another run"):
        exclusive(out).__enter__()


def test_nothing_is_left_where_nothing_was_done(tmp_path):
    with exclusive(tmp_path / "a" / "b"):
        assert (tmp_path / "a" / "b").is_dir()
    assert not list(tmp_path.iterdir())
    with exclusive(tmp_path / "c" / "d"):
        (tmp_path / "c" / "kept").touch()
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["c", "kept"]
    with exclusive(tmp_path / "c"):
        pass
    assert (tmp_path / "c" / "kept").exists()


def test_the_lock_is_let_go_after_an_error(tmp_path):
    with pytest.raises(ZeroDivisionError), exclusive(tmp_path):
        raise ZeroDivisionError
    with exclusive(tmp_path):
        pass


def test_an_output_path_that_is_a_file(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(FindingsError, match=r"cannot be written \(a file of that name is in the way\)"):
        exclusive(tmp_path / "file").__enter__()


def test_a_full_disk_is_told_as_such(tmp_path):
    with Journal(tmp_path / "j.sqlite") as journal:
        journal._db.execute("PRAGMA max_page_count = 12")
        with pytest.raises(RunError, match="the disk is full"):
            journal.enter_step("a" * 100_000, "profile", ENTRY)
    with sqlite3.connect(tmp_path / "j.sqlite") as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()
