from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pytest
from rich.console import Console

from miner.errors import RecordingError
from miner.recording.progress import Progress
from miner.schema import INCIDENTS
from miner.suspects.diagnosis import CODES_NOTE
from pipelines.show.console import CAUTION, guarded, open_console
from pipelines.show.listing import clock_time, print_findings, rate_text, suspects_table
from pipelines.show.progress_view import ProgressView, describe
from tests.findings.samples import finished


def test_user_error_is_one_sentence_and_code_2(capsys: pytest.CaptureFixture[str]) -> None:
    def fail() -> None:
        raise RecordingError("it is empty", remedy="record again", file="x.parquet", column="[red]lead")

    assert guarded(fail) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err == "x.parquet, column '[red]lead': it is empty; record again.\n"


def test_defect_is_one_sentence_with_a_log_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))

    def fail() -> None:
        raise KeyError("what nobody expected")

    assert guarded(fail) == 1
    err = capsys.readouterr().err
    (log,) = tmp_path.iterdir()
    assert err == f"this is a defect of ignition-miner; please report it with the file {log}.\n"
    assert "what nobody expected" in log.read_text(encoding="utf-8")
    assert "Traceback" in log.read_text(encoding="utf-8")


@pytest.mark.parametrize(("ended", "code"), [(None, 0), (3, 3), ("words", 1)])
def test_codes_of_others_are_kept(ended: object, code: int) -> None:
    def end() -> None:
        raise SystemExit(ended)

    assert guarded(end) == code


def test_narrow_code_page_gets_question_marks_not_an_error() -> None:
    code = (
        "from pipelines.show.console import open_console\n"
        "from pipelines.show.listing import suspects_table\n"
        "row = dict(rank=1, time_s=1.0, cylinder=None, kind='unusual', false_alarms_per_hour=.1, reason='5 Ω → 7')\n"
        "open_console().print(suspects_table([row]))\n"
    )
    environment = {**os.environ, "PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"}
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, env=environment, check=False)
    assert ran.returncode == 0, ran.stderr
    assert "5 ? ? 7" in ran.stdout.decode("cp1252")


def test_no_colour_in_a_pipe(capfd: pytest.CaptureFixture[str]) -> None:
    open_console().print("[bold red]words[/]")
    assert capfd.readouterr().out == "words\n"


def test_progress_in_words() -> None:
    done = Progress(samples_done=180_000_000, samples_total=3_600_000_000, recorded_s=180.0, n_events=12_345)
    assert describe(done, 2.0) == "180.0 of 3,600.0 million samples, 12,345 events, 90 x real time"


def test_progress_before_anything_was_read() -> None:
    assert describe(Progress(samples_done=0, samples_total=5, recorded_s=0.0, n_events=0), 0.0) == (
        "0.0 of 0.0 million samples"
    )


def test_progress_in_a_pipe_is_a_line_now_and_then() -> None:
    text, now = io.StringIO(), [0.0]
    console = Console(file=text, width=160)
    with ProgressView(console, "mining", clock=lambda: now[0]) as view:
        for second in range(25):
            now[0] = float(second)
            view.update(Progress(samples_done=second, samples_total=25, recorded_s=second, n_events=0))
    assert text.getvalue().count("mining: ") == 2


def test_progress_on_a_terminal_shows_speed_and_time_left() -> None:
    text = io.StringIO()
    console = Console(file=text, width=160, force_terminal=True, legacy_windows=False)
    now = [0.0]
    with ProgressView(console, "mining", clock=lambda: now[0]) as view:
        now[0] = 2.0
        view.update(Progress(samples_done=5_000_000, samples_total=10_000_000, recorded_s=50.0, n_events=77))
    assert "50%" in text.getvalue()
    assert "77 events, 25 x real time" in text.getvalue()
    assert "left" in text.getvalue()


@pytest.mark.parametrize(
    ("time_s", "text"), [(0.0, "0:00:00.000"), (59.9996, "0:01:00.000"), (86_400.5, "24:00:00.500")]
)
def test_clock_time(time_s: float, text: str) -> None:
    assert clock_time(time_s) == text


@pytest.mark.parametrize(("rate", "text"), [(0.0, "< 0.001"), (0.05, "0.05"), (1.0, "1"), (123.4, "123")])
def test_rate_text(rate: float, text: str) -> None:
    assert rate_text(rate) == text


def test_brackets_in_a_reason_are_not_markup() -> None:
    text = io.StringIO()
    row = {
        "rank": 1,
        "time_s": 1.0,
        "cylinder": 2,
        "kind": "unusual",
        "false_alarms_per_hour": 0.1,
        "reason": "[red]x[/]",
    }
    Console(file=text, width=120).print(suspects_table([row]))
    assert "[red]x[/]" in text.getvalue()


def test_findings_in_the_terminal(tmp_path: Path) -> None:
    findings = finished(tmp_path)
    text = io.StringIO()
    print_findings(Console(file=text, width=200), findings)
    shown = text.getvalue()
    assert "no answer, 692 us is usual" in shown
    assert "cylinder 3 did not answer" in shown
    assert "points to: coil 3" in shown
    assert f"event table: {tmp_path / 'events.parquet'}" in shown
    assert shown.rstrip().endswith(CAUTION)


@pytest.mark.parametrize("last", ["ranking", "writing the [report]"])
def test_stages_after_the_reading_on_a_terminal(last: str) -> None:
    """A stage that ends before the next refresh is never drawn; the one that stands is, in plain characters."""
    text = io.StringIO()
    console = Console(file=text, width=160, force_terminal=True, legacy_windows=False)
    with ProgressView(console, "mining") as view:
        view.update(Progress(samples_done=10, samples_total=10, recorded_s=1.0, n_events=0))
        view.stage("telling the cylinders apart")
        view.stage(last)
    _, bar, after = text.getvalue().partition("100%")
    assert bar
    assert f"mining: {last}" in after
    assert after.isascii()


def test_stages_in_a_pipe_are_lines_now_and_then() -> None:
    text, now = io.StringIO(), [0.0]
    with ProgressView(Console(file=text, width=160), "mining", clock=lambda: now[0]) as view:
        for second, stage in ((5.0, "ranking"), (11.0, "explaining"), (15.0, "writing"), (30.0, "reporting")):
            now[0] = second
            view.stage(stage)
    assert text.getvalue().splitlines() == ["mining: explaining", "mining: reporting"]


def test_the_caveat_about_codes_is_said_once(tmp_path: Path) -> None:
    findings = finished(tmp_path)
    row = findings.read_table(INCIDENTS).to_pylist()[0]
    rows = [{**row, "incident_id": i, "next_test": f"Look {i}. {CODES_NOTE}.", "codes": [f"P035{i}"] * i}
            for i in range(1, 6)]  # fmt: skip
    findings.write_table(INCIDENTS, pa.Table.from_pylist(rows, schema=INCIDENTS.schema))
    text = io.StringIO()
    print_findings(Console(file=text, width=1000), findings)
    shown = text.getvalue()
    assert shown.count(CODES_NOTE) == 1
    assert "next test: Look 4.\n" in shown
    assert "codes: P0355, P0355, P0355 and 2 more" in shown
    assert "codes: P0351\n" in shown
