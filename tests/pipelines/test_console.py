from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from numba.core import event
from rich.console import Console

from miner.errors import RecordingError
from miner.findings.store import Findings
from miner.recording.progress import Progress
from miner.schema import INCIDENTS, SILENCES
from miner.suspects.diagnosis import CODES_NOTE
from miner.words import CAUTION
from pipelines.show.console import guarded, open_console
from pipelines.show.listing import print_findings, print_suspects
from pipelines.show.pace import STAGES, Pace
from pipelines.show.progress_view import COMPILING, ProgressView, describe
from tests.findings.samples import finished
from tests.review.made import make_silences


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
        "from pipelines.show.listing import print_suspects\n"
        "row = dict(rank=1, time_s=1.0, cylinder=None, kind='unusual', false_alarms_per_hour=.1, reason='5 Ω → 7')\n"
        "print_suspects(open_console(), [row])\n"
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
    assert describe(done, 2.0) == "180.0 of 3,600.0 million samples, 90 x real time"


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


def view_at(console: Console, now: list[float], **more: object) -> ProgressView:
    return ProgressView(console, "mining", clock=lambda: now[0], cpu=lambda: 2.0 * now[0], **more)


@pytest.mark.parametrize("width", [40, 80, 120])
def test_progress_is_one_line_of_the_whole_run_that_fits_the_terminal(width: int) -> None:
    now = [0.0]
    view = view_at(Console(file=io.StringIO(), width=width, force_terminal=True), now)
    view.update(Progress(samples_done=0, samples_total=10_000_000, recorded_s=0.0, n_events=0))
    now[0] = 2.0
    view.update(Progress(samples_done=5_000_000, samples_total=10_000_000, recorded_s=50.0, n_events=77))
    line = view.line().plain
    assert len(line) < width
    assert line.isascii(), "every code page has it"
    assert "left" in line
    share = float(line.split("%")[0].split()[-1])
    assert 10 <= share < 40, "half is read, and the stages are still to come"
    assert ("5.0 of 10.0 million samples, 25 x real time" in line) == (width == 120)
    for stage in ("ranking", "explaining, and planting faults to see what would have been found", "writing the report"):
        now[0] += 1.0
        view.stage(stage)
        assert f"mining: {stage}"[: max(width - 44, 4)] in view.line().plain
        assert len(view.line().plain) < width
    assert float(view.line().plain.split("%")[0].split()[-1]) > share


def test_nothing_is_said_to_be_slower_than_it_is_before_it_has_begun() -> None:
    done = Progress(samples_done=1, samples_total=10, recorded_s=0.1, n_events=0)
    assert "real time" not in describe(done, 5.0)


# Seconds that were measured on two cores, for a quarter of an hour and an hour of six cylinders beside little other
# work, and for that quarter beside three busy processes: reading, then each stage after it; the events; and how many
# cores the run had while it read.
RUNS = [
    (2.2, (3.1, 0.6, 3.7, 1.4, 2.1, 0.5), 48_319, 1.5),
    (9.1, (3.5, 2.9, 7.3, 2.4, 3.2, 1.5), 240_041, 1.6),
    (5.1, (7.4, 1.5, 8.5, 2.8, 4.5, 1.0), 48_319, 0.8),
]


@pytest.mark.parametrize(("reading", "stages", "n_events", "cores"), RUNS)
def test_the_time_left_comes_true_within_a_third_once_half_is_done(
    reading: float, stages: tuple[float, ...], n_events: int, cores: float
) -> None:
    total = reading + sum(stages)
    pace = Pace(began_s=0.0)
    ends = np.cumsum([reading, *stages])
    told = []
    begun = 0
    for now in np.arange(0.0, total, 0.25):
        if now <= reading:
            pace.read(now, now / reading, round(n_events * now / reading), cpu_share=cores)
        while begun < len(stages) and now >= ends[begun]:
            pace.stage(ends[begun], list(STAGES)[begun])
            begun += 1
        left = pace.left_s(now)
        if left is not None and 0.5 * total <= now <= 0.9 * total:
            told.append((left, total - now))
    left, came = np.array(told).T
    assert np.median(np.abs(left / came - 1.0)) <= 1 / 3
    assert np.max(np.abs(left - came)) <= max(total / 6, 4.0), "nor is it ever far off"


def test_compiling_is_said_and_counts_for_nothing() -> None:
    text, now = io.StringIO(), [0.0]
    with view_at(Console(file=text, width=160), now) as view:
        view.update(Progress(samples_done=0, samples_total=100, recorded_s=0.0, n_events=0))
        with event.trigger_event("numba:compile"):
            now[0] = 60.0
            assert COMPILING in view.line().plain
            assert "left" not in view.line().plain
            with event.trigger_event("numba:compile"):
                now[0] = 80.0
        now[0] = 90.0
        view.update(Progress(samples_done=50, samples_total=100, recorded_s=50.0, n_events=0))
        assert "5 x real time" in view.line().plain, "10 s of reading, and 80 of compiling"


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
    print_suspects(Console(file=text, width=120), [row])
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


def test_stages_in_a_pipe_are_lines_now_and_then() -> None:
    text, now = io.StringIO(), [0.0]
    with ProgressView(Console(file=text, width=160), "mining", clock=lambda: now[0]) as view:
        for second, stage in ((5.0, "ranking"), (11.0, "explaining"), (15.0, "writing"), (30.0, "reporting")):
            now[0] = second
            view.stage(stage)
    first, second = text.getvalue().splitlines()
    assert first.startswith("mining: explaining, about ")
    assert second.startswith("mining: reporting")


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


def test_silences_in_the_terminal(tmp_path: Path) -> None:
    findings = finished(tmp_path)
    findings.write_table(SILENCES, make_silences(100.0))
    text = io.StringIO()
    print_findings(Console(file=text, width=200), findings)
    shown = text.getvalue()
    assert "0:01:00.000  all leads silent from 2,100 rpm: a cut-out at speed\n" in shown
    assert "0:01:20.000  'lead_3' silent to the end of the recording: its clip was off\n" in shown
    assert "also 1 stop\n" in shown


def test_the_workbook_of_findings_that_lie_here_has_a_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    finished(tmp_path)
    monkeypatch.chdir(tmp_path)
    text = io.StringIO()
    print_findings(Console(file=text, width=200), Findings("."))
    assert "ignition-miner export . --to findings.xlsx\n" in text.getvalue()


def test_what_is_too_small_to_matter_is_one_line(tmp_path: Path) -> None:
    findings = finished(tmp_path)
    text = io.StringIO()
    print_findings(Console(file=text, width=200), findings)
    assert "too small to matter" not in text.getvalue()
    findings.write_json("summary.json", findings.summary() | {"ranking": {"n_too_small_to_matter": 1234}})
    print_findings(Console(file=text, width=200), findings)
    (line,) = [line for line in text.getvalue().splitlines() if "too small to matter" in line]
    assert line.startswith("1,234 more events are rare, but their differences too small to matter in a workshop")
