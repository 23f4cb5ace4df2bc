"""The morning's overview: what it says, failures first, nothing from a file runs or escapes, same bytes every time."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import openpyxl
import pytest
from rich.console import Console

from miner.findings.store import Findings
from miner.schema import INCIDENTS, SUSPECTS
from pipelines.overnight.run import Result
from pipelines.overnight.tasks import Failure
from pipelines.show.overnight_view import OvernightView
from pipelines.show.overview import make_overview, print_overview, quality_words
from pipelines.show.overview_book import write_book
from pipelines.show.overview_page import write_page

EVIL = "<img src=x onerror=alert(1)>"


def suspect(rank: int, rate: float, *, cylinder: int | None = 1, kind: str = "absent_feedback", reason: str = "why"):
    return {
        **dict.fromkeys(c.name for c in SUSPECTS.columns),
        "rank": rank, "event_id": rank, "time_s": 3600.0 * rank, "cylinder": cylinder, "kind": kind, "score": 10 - rate,
        "false_alarms_per_hour": rate, "reason": reason, "incident_id": rank, "window_start_s": 0.0,
        "window_end_s": 1.0,
    }  # fmt: skip


def incident(number: int, sentence: str):
    return {
        "incident_id": number, "start_s": 0.0, "end_s": 1.0, "n_events": 1, "cylinders": [1], "kinds": ["unusual"],
        "false_alarms_per_hour": 0.1, "best_rank": number, "sentence": sentence, "circuit": "", "evidence_for": "",
        "evidence_against": "", "next_test": "", "codes": [],
    }  # fmt: skip


def findings(folder: Path, suspects, sentences=(), *, n_events: int = 1000) -> Path:
    store = Findings(folder)
    store.write_table(SUSPECTS, SUSPECTS.schema.empty_table().from_pylist(list(suspects), schema=SUSPECTS.schema))
    rows = [incident(i, s) for i, s in enumerate(sentences, start=1)]
    store.write_table(INCIDENTS, INCIDENTS.schema.empty_table().from_pylist(rows, schema=INCIDENTS.schema))
    counts = {"events": {"events": n_events, "by_quality": {"near_gap": 7}}, "gaps": {"number": 2, "seconds": 3.25}}
    store.write_json("summary.json", {"counts": counts, "warnings": []})
    return folder


def result(name: str, folder: Path | None, **more) -> Result:
    return Result(name=name, recorded_s=7200.0, findings=folder, elapsed_s=60.0, **{"vehicle": "van", **more})


@pytest.fixture
def night(tmp_path):
    weak = findings(tmp_path / "a-1", [suspect(1, 0.5, cylinder=3, kind="weak_command"), suspect(2, 40.0)], ["A."])
    strong = findings(
        tmp_path / "b-2",
        [suspect(1, 0.001), suspect(2, 0.02, cylinder=None, reason=EVIL), suspect(3, 7.0)],
        ["First.", f"Second {EVIL}", "Third, but of a frequent one."],
    )
    clean = findings(tmp_path / "c-3", [])
    failure = Failure(kind="input", problem=f"no rate {EVIL}", remedy="give the rate")
    return [
        result("z-broken.parquet", None, failure=failure),
        result("a.parquet", weak),
        result("b.parquet", strong, vehicle="bus", also=("copy.parquet",)),
        result("c.parquet", clean),
    ]


def test_recordings_and_the_common_list(night, tmp_path):
    overview = make_overview(tmp_path, night)
    assert [m.name for m in overview.mined] == ["b.parquet", "a.parquet", "c.parquet"]  # most rare suspects first
    assert [m.n_suspects for m in overview.mined] == [2, 1, 0]
    assert overview.mined[0].worst == ("First.", f"Second {EVIL}")
    assert overview.mined[0].in_short == "2 rare among 1,000 ignition events in 2 h, in 2 incidents"
    assert overview.mined[2].in_short == "nothing rare among 1,000 ignition events in 2 h"
    assert overview.mined[0].speed == "120 x real time on one core"
    assert overview.mined[0].quality == "7 events next to a gap, 2 gaps of 3.2 s together"
    assert [(w.rank, w.name, w.false_alarms_per_hour) for w in overview.worst] == [
        (1, "b.parquet", 0.001), (2, "b.parquet", 0.02), (3, "a.parquet", 0.5), (4, "b.parquet", 7.0),
    ]  # fmt: skip
    assert overview.n_listed == 5, "one is ordinary and only filled its list"
    assert overview.counts == {
        "vehicle": (("bus", 2), ("van", 1)),
        "cylinder": (("1", 1), ("3", 1), ("unknown", 1)),
        "kind": (("absent feedback", 2), ("weak command", 1)),
    }
    assert overview.headline() == "3 recordings mined (6 h), 2 with rare suspects, 1 failed."


def test_findings_that_cannot_be_read_are_a_failure_not_the_end(night, tmp_path):
    (tmp_path / "b-2" / "suspects.parquet").write_bytes(b"torn")
    overview = make_overview(tmp_path, night)
    assert {f.name for f in overview.failed} == {"z-broken.parquet", "b.parquet"}
    assert len(overview.mined) == 2


def test_terminal_shows_failures_first(night, tmp_path):
    console = Console(file=io.StringIO(), width=200)
    print_overview(console, make_overview(tmp_path, night))
    text = console.file.getvalue()
    places = [text.index(word) for word in ("failed: z-broken", "give the rate", "nothing rare", "Worst of all")]
    assert places == sorted(places)
    assert "rare suspects by vehicle: bus: 2; van: 1" in text
    assert "rare suspects by cylinder: cylinder 1: 1; cylinder 3: 1; cylinder unknown: 1" in text
    assert "40" not in text.split("Worst of all")[1].split("rare suspects by")[0]  # only the rare ones


def test_the_page_escapes_and_loads_nothing(night, tmp_path):
    (tmp_path / "b-2" / "report.html").touch()
    write_page(tmp_path / "overview.html", make_overview(tmp_path, night))
    text = (tmp_path / "overview.html").read_text(encoding="utf-8")
    assert EVIL not in text
    assert text.count("&lt;img src=x") == 3
    assert "default-src 'none'" in text
    assert "<script" not in text
    assert "http://" not in text
    assert '<a href="b-2/report.html">b.parquet</a>' in text
    assert "a-1/report.html" not in text  # there is none
    assert '<a href="b-2/report.html#event-2">b.parquet</a>' in text, "a row leads to its own event"
    assert "Worst of all recordings (4 of 5 shown)" in text
    assert text.index("Failed") < text.index("Recordings, most rare") < text.index("Worst of all")


def test_the_workbook_has_typed_cells(night, tmp_path):
    write_book(tmp_path / "o.xlsx", make_overview(tmp_path, night))
    book = openpyxl.load_workbook(tmp_path / "o.xlsx")
    assert book.sheetnames == ["Failed", "Recordings", "Worst", "Counts", "Notes"]
    worst = [[cell.value for cell in row] for row in book["Worst"].iter_rows()]
    assert worst[1][:7] == [1, "b.parquet", "bus", 3600, 1, "absent feedback", 0.001]
    assert worst[2][4] is None  # a cylinder that could not be told
    assert book["Worst"].freeze_panes == "A2"
    assert [cell.value for cell in book["Failed"][2]] == ["z-broken.parquet", f"no rate {EVIL}", "give the rate"]
    assert not any(cell.data_type == "f" for sheet in book for row in sheet.iter_rows() for cell in row)


def test_gaps_are_told_once_by_the_check_where_there_was_one():
    summary = {"counts": {"events": {"by_quality": {}}, "gaps": {"number": 1, "seconds": 0.00217}}}
    assert quality_words(summary) == "1 gap of 2.2 ms"
    assert quality_words({**summary, "check": []}) == "good", "a pulse that the end of the recording cuts"
    assert quality_words({**summary, "check": [{"kind": "gap"}], "warnings": ["'a' has one gap"]}) == "'a' has one gap"


def test_every_text_of_the_workbook_has_the_height_it_needs_and_fits_the_paper(night, tmp_path):
    write_book(tmp_path / "o.xlsx", make_overview(tmp_path, night))
    for sheet in openpyxl.load_workbook(tmp_path / "o.xlsx"):
        last = sheet.print_area.split("!")[1].split(":")[1].strip("$").split("$")[0]
        assert sum(sheet.column_dimensions[c.column_letter].width for c in sheet[1] if c.column_letter <= last) <= 260
        for row in sheet.iter_rows(min_row=2):
            height = sheet.row_dimensions[row[0].row].height or 15
            for cell in row:
                text = cell.value if isinstance(cell.value, str) else ""
                width = sheet.column_dimensions[cell.column_letter].width
                assert height >= 15 * sum(max(1, len(line) / width) for line in text.split("\n")), cell.coordinate


def test_a_name_that_looks_like_a_formula_stays_text(tmp_path):
    folder = findings(tmp_path / "a-1", [suspect(1, 0.1, reason='=HYPERLINK("http://x")')])
    write_book(tmp_path / "o.xlsx", make_overview(tmp_path, [result("=1+1.parquet", folder)]))
    book = openpyxl.load_workbook(tmp_path / "o.xlsx")
    assert book["Recordings"]["A2"].value == "=1+1.parquet"
    with zipfile.ZipFile(tmp_path / "o.xlsx") as archive:
        assert not any(b"<f>" in archive.read(name) for name in archive.namelist())


def test_same_night_same_bytes(night, tmp_path):
    for name in ("one", "two"):
        write_page(tmp_path / f"{name}.html", make_overview(tmp_path, night))
        write_book(tmp_path / f"{name}.xlsx", make_overview(tmp_path, night))
    for kind in ("html", "xlsx"):
        assert (tmp_path / f"one.{kind}").read_bytes() == (tmp_path / f"two.{kind}").read_bytes()


def test_nothing_mined_at_all(tmp_path):
    failure = Failure(kind="input", problem="p", remedy="r")
    overview = make_overview(tmp_path, [result("x", None, failure=failure)])
    write_page(tmp_path / "o.html", overview)
    write_book(tmp_path / "o.xlsx", overview)
    assert "Worst of all" not in (tmp_path / "o.html").read_text(encoding="utf-8")


def test_quality_is_good_when_nothing_speaks_against_it():
    counts = {"events": {"by_quality": {}}, "gaps": {"number": 0, "seconds": 0.0}}
    assert quality_words({"counts": counts, "warnings": []}) == "good"
    assert quality_words({"counts": counts, "warnings": ["lead_2 is flat"]}) == "lead_2 is flat"


# the progress view ----------------------------------------------------------------------------------------------------


def test_time_left_counts_what_this_run_did():
    now = iter([0.0, 0.0, 60.0, 60.0, 60.0, 60.0, 60.0])
    view = OvernightView(Console(file=io.StringIO(), width=200), clock=lambda: next(now))
    view.begin({"a": 1000, "b": 1000}, {"a": 800, "b": 0})  # 800 were done by an earlier run
    view.advance("a", 1000)  # 200 of the 1200 that are left took a minute
    assert view.words() == "0 of 2 recordings, 50 %, 5 min left"


def test_a_pipe_gets_lines_and_ends():
    console = Console(file=io.StringIO(), width=200)
    now = iter(range(0, 10_000, 20))
    with OvernightView(console, clock=lambda: float(next(now))) as view:
        view.begin({"a[b].parquet": 100, "c": 100}, {})
        for done in range(0, 101, 25):
            view.advance("a[b].parquet", done)
        view.end(result("a[b].parquet", Path("x")))
        view.end(result("c", None, failure=Failure(kind="died", problem="gone", remedy="r")))
    text = console.file.getvalue()
    assert "0 of 2 recordings, 50 %" in text
    assert "mined: a[b].parquet" in text
    assert "failed: c: gone" in text
