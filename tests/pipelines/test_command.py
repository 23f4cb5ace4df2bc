"""The commands as a user types them, on a small recording."""

from __future__ import annotations

import json
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from miner.findings.store import Findings
from miner.findings.whole import sealed
from miner.review.source import ReviewSource
from miner.words import CAUTION, size_text
from pipelines.command import app
from pipelines.demo import match_planted
from pipelines.show.console import guarded
from tests.pipelines.small import leads, write

Run = Callable[..., tuple[int, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command line in this process; return exit code and what it said."""

    def run(*arguments: object) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["ignition-miner", *map(str, arguments)])
        code = guarded(app)
        out, err = capsys.readouterr()
        return code, out + err

    return run


@pytest.fixture(scope="module")
def mined(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Mine a recording with absent answers as another process would; return folder and words."""
    place = tmp_path_factory.mktemp("command")
    recording, setup = write(place, dict(leads(14.0, absent=(150,))))
    code = "from pipelines.command import main; main()"
    arguments = ["mine", str(recording), "--setup", str(setup), "--out", str(place / "out")]
    ran = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    assert ran.stderr == ""
    return place / "out", ran.stdout


def test_mine_shows_list_incidents_files_and_caution(mined: tuple[Path, str]) -> None:
    folder, said = mined
    assert "absent feedback" in said
    assert "Incidents, worst first" in said
    assert f"event table: {folder / 'events.parquet'}" in said
    assert "mined in" in said
    assert "0 x real time" not in said
    assert CAUTION.split(":")[0] in said
    assert f"ignition-miner review {folder}" in said, "what to do next"
    assert "proves nothing" in said, "what 14 s can prove"
    assert "\x1b" not in said, "no colours in a pipe"


@pytest.mark.parametrize("ending", ["xlsx", "csv", "parquet"])
def test_export_says_where_it_wrote(mined: tuple[Path, str], tmp_path: Path, run: Run, ending: str) -> None:
    target = tmp_path / f"events.{ending}"
    assert run("export", mined[0], "--to", target) == (0, f"written: {target}\n")
    assert target.stat().st_size > 1000


def test_export_names_a_damaged_decision(mined: tuple[Path, str], tmp_path: Path, run: Run) -> None:
    folder = Path(shutil.copytree(mined[0], tmp_path / "out"))
    store = ReviewSource(folder).verdicts
    store.decide(cylinder=1, time_s=3.5, kind="late_feedback", verdict="fault", note="plug", seen_revision=None)
    with sqlite3.connect(store.path) as base:
        base.execute("UPDATE decision SET note = 'plugs'")
    base.close()
    code, said = run("export", folder, "--to", tmp_path / "s.csv", "--table", "suspects")
    assert code == 0
    assert f"{store.path}: decision 1 about cylinder 1 at 0:00:03.500 is damaged and not shown; decide about it" in said


def test_exported_workbook_opens(mined: tuple[Path, str], tmp_path: Path, run: Run) -> None:
    run("export", mined[0], "--to", tmp_path / "x.xlsx")
    book = openpyxl.load_workbook(tmp_path / "x.xlsx", read_only=True)
    assert book["Suspects"]["E2"].value == "absent feedback"
    assert book["Setup"]["A1"].value == "key"


def test_export_of_another_table(mined: tuple[Path, str], tmp_path: Path, run: Run) -> None:
    assert run("export", mined[0], "--to", tmp_path / "s.csv", "--table", "suspects")[0] == 0
    assert (tmp_path / "s.csv").read_text(encoding="utf-8-sig").startswith("rank,event_id,")


def test_sensitivity_shows_kinds_and_the_limit_of_a_clean_list(mined: tuple[Path, str], run: Run) -> None:
    code, said = run("sensitivity", mined[0])
    assert code == 0
    assert "absent feedback" in said
    assert "95% confidence" in said


def test_sensitivity_says_what_planting_into_the_waveform_showed(mined: tuple[Path, str], run: Run) -> None:
    said = run("sensitivity", mined[0])[1]
    n_agreed, n_planted = map(int, re.search(r"(\d+) of (\d+) faults planted into the waveform itself", said).groups())
    assert n_agreed == n_planted >= 10


def test_thorough_sensitivity_reads_the_recording_again_and_says_when_it_cannot(
    mined: tuple[Path, str], tmp_path: Path, run: Run
) -> None:
    """With the recording in its place, with another one there, and with none."""
    findings = tmp_path / "out"
    shutil.copytree(mined[0], findings)
    code, said = run("sensitivity", findings, "--thorough")
    assert code == 0
    assert re.search(r"(\d+) of \1 faults planted into the waveform itself were measured", said)
    summary = json.loads((findings / "summary.json").read_text(encoding="utf-8"))
    for path, why in (
        (write(tmp_path / "b", dict(leads(2.0)))[0], "another recording lies at"),
        (tmp_path, "no .parquet"),
    ):
        summary["recording"]["path"] = str(path)
        Findings(findings).write_json("summary.json", sealed(summary))
        said = run("sensitivity", findings, "--thorough")[1]
        assert "Nothing was planted into the waveform itself" in said
        assert why in said


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["export", "nowhere", "--to", "x.csv"], "nowhere: there is no such folder"),
        (["sensitivity", "nowhere"], "nowhere: there is no such folder"),
        (["review", "nowhere"], "nowhere: there is no such folder"),
        (["mine", "x.parquet", "--out", "o"], "x.parquet: there is no such file or folder"),
        (["mine", "x.parquet", "--setup", "s", "--out", "o", "--rate-hz", "0"], "--rate-hz"),
        (["mnie"], "No such command 'mnie'"),
    ],
)
def test_wrong_words_end_with_2_and_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run, arguments: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    code, words = run(*arguments)
    assert code == 2
    assert said in words
    assert "Traceback" not in words
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("command", ["demo", "mine", "export", "review", "sensitivity", "overnight"])
def test_every_command_explains_itself(run: Run, command: str) -> None:
    code, words = run(command, "--help")
    assert code == 0
    assert re.search(rf"^Usage: .*ignition-miner {command} ", words)  # "python -m pytest." before it without xdist


def test_planted_and_listed_are_matched_by_cylinder_and_time() -> None:
    suspects = [
        {"rank": 1, "time_s": 5.0, "cylinder": 2},
        {"rank": 2, "time_s": 5.001, "cylinder": 3},
        {"rank": 3, "time_s": 9.004, "cylinder": None},
    ]
    faults = [{"time_s": 5.0, "cylinder": 3}, {"time_s": 9.0, "cylinder": 1}, {"time_s": 7.0, "cylinder": 2}]
    found = match_planted(faults, suspects)
    assert [None if suspect is None else suspect["rank"] for suspect in found] == [2, 3, None]


def test_size_of_a_fault_in_words() -> None:
    assert [size_text(0.05, "share"), size_text(2.0, "pulses"), size_text(None, "deg")] == ["5 %", "yes", "-"]


@pytest.mark.slow
def test_short_demo_finds_what_was_planted(tmp_path: Path, run: Run) -> None:
    code, said = run("demo", "--minutes", "1", "--out", tmp_path / "demo")
    assert code == 0, said
    assert "What was planted, and what became of it" in said
    assert (tmp_path / "demo" / "findings.xlsx").stat().st_size > 100_000
    line = next(line for line in said.splitlines() if "planted faults that the leads can show" in line)
    n_found, _, n_planted = line.split()[:3]
    assert int(n_planted) >= 10
    assert int(n_found) >= 0.7 * int(n_planted)


def test_the_version_is_told(run: Run) -> None:
    code, said = run("--version")
    assert code == 0
    assert re.fullmatch(r"ignition-miner \d+\.\d+\.\d+\n", said)


def test_what_a_remedy_or_a_habit_names_is_there(run: Run) -> None:
    wanted = {
        "review": ("--port", "--no-browser"), "mine": ("--top",), "export": ("--all-events",), "report": (),
        "": ("--install-completion", "--version"),
    }  # fmt: skip
    for command, options in wanted.items():
        said = run(*filter(None, [command]), "--help")[1]
        assert all(option in said for option in options), command


def test_a_report_is_frozen_again_with_the_verdicts_of_today(mined: tuple[Path, str], tmp_path: Path, run: Run) -> None:
    folder = shutil.copytree(mined[0], tmp_path / "out")
    before = (folder / "report.html").read_bytes()
    source = ReviewSource(folder)
    event = source.suspects.select(["time_s", "cylinder", "kind"]).to_pylist()[0]
    source.verdicts.decide(**event, verdict="fault", note="a loose plug", seen_revision=None)
    assert run("report", folder) == (0, f"written: {folder / 'report.html'}\n")
    assert (folder / "report.html").read_bytes() != before
    assert not ReviewSource(folder).damaged, "the summary knows the new file"
    assert ReviewSource(folder).generation == source.generation, "a page that is open goes on"


def wait_for_answer(address: str) -> None:
    """Return once the server serves its page; an end before that would end the printing of a line."""
    for _ in range(300):
        try:
            urllib.request.urlopen(address, timeout=10).close()
        except urllib.error.URLError:
            time.sleep(0.1)
        else:
            return
    raise AssertionError("the review does not answer")


def test_the_review_prints_its_address_and_how_it_is_ended(mined: tuple[Path, str]) -> None:
    code = "from pipelines.command import main; main()"
    arguments = [sys.executable, "-c", code, "review", str(mined[0]), "--no-browser"]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        address = re.search(r"http://127\.0\.0\.1:\d+/\?token=[\w-]{32}", server.stdout.readline())
        assert address
        assert "Ctrl-C ends it" in server.stdout.readline()
        wait_for_answer(address.group())
        server.send_signal(signal.SIGINT)
        assert server.stdout.read() == "The review has ended.\n"
        assert server.wait(30) == 0
