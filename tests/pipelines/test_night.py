"""What may happen in a night: a setup that is edited, a folder that nobody may read, findings that get damaged."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from miner.errors import RecordingError, RunError
from miner.findings.store import SUMMARY, Findings
from miner.mining.steps import MineSteps, mine_recording
from pipelines.overnight.discovery import find_recordings
from pipelines.overnight.journal import Journal
from pipelines.overnight.plan import make_plan
from pipelines.overnight.run import Result, run_plan
from tests.pipelines.fakes import FakeSteps, InlineExecutor, SilentView, write_fake, write_fake_tree
from tests.pipelines.small import SETUP, leads, write


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    write(tmp_path / "in", dict(leads(6.0)))
    (tmp_path / "in" / "car.toml").rename(tmp_path / "in" / "setup.toml")
    return tmp_path / "in"


def night(
    folder: Path, out: Path, steps: MineSteps | FakeSteps, executor: InlineExecutor | None = None
) -> list[Result]:
    out.mkdir(exist_ok=True)
    with Journal(out / "overnight.sqlite") as journal:
        return run_plan(make_plan(folder, out, steps), journal, executor or InlineExecutor(steps), SilentView())


class Meddling(InlineExecutor):
    """Somebody edits, or breaks, a file between two steps."""

    def __init__(self, steps: MineSteps, path: Path, text: str) -> None:
        super().__init__(steps)
        self._path, self._text = path, text

    def wait(self, timeout_s, on_samples):
        outcomes = super().wait(timeout_s, on_samples)
        self._path.write_text(self._text)
        return outcomes


@pytest.mark.parametrize("text", [SETUP.replace("[1, 3, 4, 2]", "[1, 2, 4, 3]"), "no setup any more", ""])
def test_a_setup_edited_in_the_night_changes_nothing(tree: Path, tmp_path: Path, text: str) -> None:
    steps = MineSteps()
    (good,) = night(tree, tmp_path / "good", steps)
    setup = tree / "setup.toml"
    described = setup.read_text()
    (edited,) = night(tree, tmp_path / "edited", steps, Meddling(steps, setup, text))
    assert edited.failure is None
    assert edited.findings.name == good.findings.name
    for name in ("events.parquet", "suspects.parquet", SUMMARY):
        assert (edited.findings / name).read_bytes() == (good.findings / name).read_bytes()
    setup.write_text(described)
    assert not night(tree, tmp_path / "edited", steps)[0].anew, "what was mined is what the setup says again"


def test_damaged_findings_are_mined_again(tree: Path, tmp_path: Path) -> None:
    steps, out = MineSteps(), tmp_path / "out"
    (first,) = night(tree, out, steps)
    whole = {path.name: path.read_bytes() for path in first.findings.iterdir() if path.name != "timing.json"}
    (first.findings / "verdicts.sqlite").write_bytes(b"decisions")
    assert not night(tree, out, steps)[0].anew
    for name in ("tracks.parquet", SUMMARY):
        content = bytearray(whole[name])
        content[len(content) // 2] ^= 1
        (first.findings / name).write_bytes(content)
        (again,) = night(tree, out, steps)
        assert again.anew, name
        assert {n: (first.findings / n).read_bytes() for n in whole} == whole
    assert (first.findings / "verdicts.sqlite").read_bytes() == b"decisions"


def test_a_folder_that_cannot_be_read_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = write_fake_tree(tmp_path / "in", 3)
    (folder / "System Volume Information").mkdir()
    really = Path.iterdir

    def guarded(self: Path):
        if self.name == "System Volume Information":
            raise PermissionError(13, "Permission denied", str(self))
        return really(self)

    monkeypatch.setattr(Path, "iterdir", guarded)
    results = night(folder, tmp_path / "out", FakeSteps())
    assert [r.name for r in results if r.failure is None] == [
        "car_0/trip_a.parquet", "car_1/trip_b.parquet", "car_2/trip_c.parquet",
    ]  # fmt: skip
    (failed,) = [r for r in results if r.failure]
    assert failed.name == "System Volume Information"
    assert "cannot be read (Permission denied)" in failed.failure.problem


def test_a_tree_that_cannot_be_read_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def closed(self: Path):
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "iterdir", closed)
    with pytest.raises(RunError, match=r"cannot be read \(Permission denied\)"):
        find_recordings(tmp_path)


def test_parts_that_are_planned_are_the_parts_that_are_read(tmp_path: Path) -> None:
    folder = tmp_path / "in" / "drive"
    for n in (1, 2, 10):
        write_fake(folder / f"PART_{n}.PARQUET", n, rows=100)
    write_fake(folder / "~PART_11.PARQUET", 11)
    (tmp_path / "in" / "setup.toml").write_text("[engine]\n")
    (found,) = find_recordings(tmp_path / "in")
    assert found.path == folder
    look = make_plan(tmp_path / "in", tmp_path / "out", FakeSteps()).jobs[0].look
    wanted = [json.loads((folder / f"PART_{n}.PARQUET").read_text()) for n in (1, 2, 10)]
    assert json.loads(look.identity)[0] == [value for values in wanted for value in values]


def test_findings_beside_the_recording_do_not_hide_it(tree: Path, tmp_path: Path) -> None:
    """``mine --out .``: the folder of the recording holds its findings as well."""
    mine_recording(tree / "drive.parquet", tree / "setup.toml", tree)
    assert Findings(tree).is_complete
    assert [found.path.name for found in find_recordings(tree)] == ["drive.parquet"]
    shutil.rmtree(tmp_path / "out", ignore_errors=True)
    assert [r.name for r in night(tree, tmp_path / "out", MineSteps())] == ["drive.parquet"]


def test_a_recording_replaced_while_it_is_mined_is_refused(tree: Path, tmp_path: Path) -> None:
    path = tree / "drive.parquet"

    def replace(_stage: str) -> None:
        os.utime(path, ns=(1, 1))

    with pytest.raises(RecordingError, match="replaced or is still growing"):
        mine_recording(path, tree / "setup.toml", tmp_path / "out", on_stage=replace)
    assert not (tmp_path / "out").exists()


def test_mine_waits_for_no_run_and_disturbs_none(tree: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    told: list[str] = []

    def again(stage: str) -> None:
        if not told:
            told.append(stage)
            for place in (out, out / "inside"):
                with pytest.raises(RunError, match="another run works in this folder already"):
                    mine_recording(tree / "drive.parquet", tree / "setup.toml", place)

    out.mkdir()
    (out / "overnight.sqlite").touch()
    mine_recording(tree / "drive.parquet", tree / "setup.toml", out, on_stage=again)
    assert told
    assert not (out / "overnight.lock").exists()
    assert not (out / "inside").exists()


@pytest.mark.skipif(os.name == "nt", reason="sends SIGINT")
def test_ctrl_c_says_so_and_leaves_nothing(tree: Path, tmp_path: Path) -> None:
    out = tmp_path / "deep" / "out"
    code = "from pipelines.command import main; main()"
    words = ["mine", tree / "drive.parquet", "--setup", tree / "setup.toml", "--out", out]
    with subprocess.Popen([sys.executable, "-c", code, *map(str, words)], stderr=subprocess.PIPE, text=True) as mining:
        until = time.monotonic() + 120
        while not list(out.glob(".half-done-*")):
            assert time.monotonic() < until
            assert mining.poll() is None
            time.sleep(0.005)
        mining.send_signal(signal.SIGINT)
        _, said = mining.communicate(timeout=120)
    assert mining.returncode == 130
    assert said.startswith("ended by Ctrl-C")
    assert said.count("\n") == 1
    assert not (tmp_path / "deep").exists()
