from __future__ import annotations

import csv
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from miner.errors import FindingsError
from miner.findings.export import export_findings
from miner.findings.store import SUMMARY
from miner.findings.workbook import CAUTIONS, LINE_HEIGHT, heading, write_workbook
from miner.schema import EVENTS, SUSPECTS
from miner.words import YOUR_VERDICT
from tests.findings.samples import events, finished, incidents, suspects

FORMULAS = ["=1+1", "+1", "-1", "@sum(a1)", "\tx", "{=1+1}", "\n=1", "\uff1d1+1", "\uff0b1", "\uff0d1", "\uff20a"]
NASTY = [*FORMULAS, "http://example.org/", 'says "now", twice', "naïve Ω"]


def open_book(path: Path) -> Any:
    return openpyxl.load_workbook(path)


def test_workbook_has_every_sheet_with_typed_cells(tmp_path: Path) -> None:
    finished(tmp_path / "f")
    book = open_book(export_findings(tmp_path / "f", tmp_path / "x.xlsx"))
    assert book.sheetnames == ["Suspects", "Incidents", "Events", "Setup", "Summary", "Notes"]
    sheet = book["Events"]
    assert [cell.value for cell in sheet[1]] == [heading(column) for column in EVENTS.columns]
    for row, event in zip(sheet.iter_rows(min_row=2, values_only=True), events().to_pylist(), strict=True):
        # an empty text and a null are both an empty cell
        assert list(row) == [None if value == "" else value for value in event.values()]


def test_workbook_is_ready_to_read(tmp_path: Path) -> None:
    finished(tmp_path / "f")
    book = open_book(export_findings(tmp_path / "f", tmp_path / "x.xlsx"))
    for name in ("Suspects", "Incidents", "Events"):
        sheet = book[name]
        assert sheet.freeze_panes == "A2"
        assert sheet.auto_filter.ref.startswith("A1:")
    assert book["Suspects"].column_dimensions["H"].width > 60
    assert book["Events"]["G2"].number_format == "0.00"
    notes = [row[0] for row in book["Notes"].iter_rows(values_only=True)]
    assert notes[:-1] == list(CAUTIONS)
    assert notes[-1].startswith("A control unit may store these generic codes or none")


def test_nothing_becomes_a_formula_or_a_link(tmp_path: Path) -> None:
    finished(tmp_path / "f", reasons=NASTY)
    path = export_findings(tmp_path / "f", tmp_path / "x.xlsx")
    book = open_book(path)
    reason = [c.name for c in SUSPECTS.columns].index("reason") + 1
    cells = [book["Suspects"].cell(row=2 + i, column=reason) for i in range(len(NASTY))]
    assert [cell.value for cell in cells] == NASTY
    assert {cell.data_type for cell in cells} == {"s"}
    with zipfile.ZipFile(path) as archive:
        for name in archive.namelist():
            content = archive.read(name)
            assert b"<f>" not in content
            assert b"<hyperlink" not in content


def test_setup_sheet_keeps_a_hostile_channel_name_as_text(tmp_path: Path) -> None:
    finished(tmp_path / "f")
    book = open_book(export_findings(tmp_path / "f", tmp_path / "x.xlsx"))
    cells = {row[0].value: row[1] for row in book["Setup"].iter_rows(min_row=2)}
    assert cells["channel.1.column"].value == "=cmd|' /C calc'!A0"
    assert cells["channel.1.column"].data_type == "s"
    assert cells["engine.cylinders"].value == 4


def test_long_tables_go_on_in_further_sheets(tmp_path: Path) -> None:
    tables = {"events": events(8), "suspects": suspects(["x"]), "incidents": incidents("x")}
    write_workbook(tmp_path / "x.xlsx", tables, {}, max_rows=4)
    book = open_book(tmp_path / "x.xlsx")
    rows = [
        row[0]
        for name in ("Events", "Events 2", "Events 3")
        for row in book[name].iter_rows(min_row=2, values_only=True)
    ]
    assert rows == list(range(8))
    assert [book[name].max_row for name in ("Events", "Events 2", "Events 3")] == [4, 4, 3]
    notes = [row[0] for row in book["Notes"].iter_rows(values_only=True)]
    assert notes[0] == "Events: 8 rows do not fit one sheet; they go on in Events 2, Events 3."


def test_workbook_is_the_same_bytes_each_time(tmp_path: Path) -> None:
    finished(tmp_path / "f")
    first = export_findings(tmp_path / "f", tmp_path / "a.xlsx").read_bytes()
    assert export_findings(tmp_path / "f", tmp_path / "b.xlsx").read_bytes() == first


def test_verdicts_are_a_sheet_of_their_own(tmp_path: Path) -> None:
    finished(tmp_path / "f")
    verdicts = pa.table({"event_id": [5], "verdict": ["fault"], "note": ["=felt it"]})
    book = open_book(export_findings(tmp_path / "f", tmp_path / "x.xlsx", verdicts=verdicts))
    assert list(book["Verdicts"].iter_rows(values_only=True)) == [
        ("event_id", "verdict", "note"),
        (5, "fault", "=felt it"),
    ]


def test_csv_is_rfc_4180_with_a_byte_order_mark(tmp_path: Path) -> None:
    finished(tmp_path / "f", reasons=['says "now", twice', "plain"])
    raw = export_findings(tmp_path / "f", tmp_path / "s.csv", table="suspects").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbfrank,event_id,time_s [s],")
    assert b'"says ""now"", twice"' in raw
    assert raw.count(b"\r\n") == raw.count(b"\n") == 3


def test_csv_values_come_back_exactly(tmp_path: Path) -> None:
    finished(tmp_path / "f")
    path = export_findings(tmp_path / "f", tmp_path / "e.csv")
    with path.open(encoding="utf-8-sig", newline="") as file:
        header, *rows = csv.reader(file)
    assert header == [heading(c) for c in EVENTS.columns]
    assert [float(row[3]) for row in rows] == events()["time_s"].to_pylist()
    assert rows[0][4:6] == ["TRUE", "TRUE"]
    assert rows[5][4:6] == ["", "FALSE"]


def test_csv_text_is_never_a_formula(tmp_path: Path) -> None:
    finished(tmp_path / "f", reasons=NASTY)
    path = export_findings(tmp_path / "f", tmp_path / "s.csv", table="suspects")
    with path.open(encoding="utf-8-sig", newline="") as file:
        reasons = [row["reason"] for row in csv.DictReader(file)]
    assert reasons == [f"'{text}" for text in FORMULAS] + NASTY[len(FORMULAS) :]
    assert "-12.5" in path.read_text(encoding="utf-8-sig")  # numbers stay numbers


def test_parquet_is_the_table(tmp_path: Path) -> None:
    finished(tmp_path / "f")
    path = export_findings(tmp_path / "f", tmp_path / "e.parquet")
    assert pq.read_table(path).equals(events())


@pytest.mark.parametrize(
    ("name", "table", "message"),
    [
        ("e.docx", "events", r"'\.docx' is not a format of ours; end the name in \.xlsx, \.csv or \.parquet"),
        ("e", "events", "the name has no ending"),
        ("e.csv", "event", "there is no table 'event'; did you mean 'events'"),
    ],
)
def test_wishes_that_cannot_be_met(tmp_path: Path, name: str, table: str, message: str) -> None:
    finished(tmp_path / "f")
    with pytest.raises(FindingsError, match=message):
        export_findings(tmp_path / "f", tmp_path / name, table=table)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["f"]


@pytest.mark.parametrize("ending", ["xlsx", "csv", "parquet"])
def test_export_into_a_file_in_the_way(tmp_path: Path, ending: str) -> None:
    finished(tmp_path / "f")
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(FindingsError, match="cannot be written"):
        export_findings(tmp_path / "f", tmp_path / "file" / f"x.{ending}")


def test_a_workbook_that_cannot_be_made_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_: object) -> Any:
        raise KeyError("kind")

    finished(tmp_path / "f")
    (tmp_path / "to").mkdir()
    monkeypatch.setattr("miner.findings.workbook.told_pairs", unknown)
    with pytest.raises(KeyError):
        export_findings(tmp_path / "f", tmp_path / "to" / "x.xlsx")
    assert not list((tmp_path / "to").iterdir())


def test_times_of_a_day_fit_their_column_and_texts_are_whole(tmp_path: Path) -> None:
    finished(tmp_path / "f", reasons=["a reason of many words " * 12])
    sheet = open_book(export_findings(tmp_path / "f", tmp_path / "x.xlsx"))["Suspects"]
    names = {cell.value: cell for cell in sheet[1]}
    time = names["time_s [s]"]
    assert sheet.column_dimensions[time.column_letter].width >= len("86399.123456") + 1
    width = sheet.column_dimensions[names["reason"].column_letter].width
    lines = sheet.row_dimensions[2].height / LINE_HEIGHT
    assert lines >= len("a reason of many words " * 12) / width


def test_what_is_printed_fits_the_paper_at_a_size_that_can_be_read(tmp_path: Path) -> None:
    finished(tmp_path / "f")
    book = open_book(export_findings(tmp_path / "f", tmp_path / "x.xlsx"))
    for name in ("Suspects", "Incidents"):
        sheet = book[name]
        last = sheet.print_area.replace("$", "").split(":")[1].rstrip("0123456789")
        letters = list(get_letters(sheet))
        printed = letters[: letters.index(last) + 1]
        width = sum(sheet.column_dimensions[column].width for column in printed)
        assert width <= 210, "A4 across holds some 130 characters of 11 points: 7 points and more"
        assert "reason" in row_of(sheet, printed) or "sentence" in row_of(sheet, printed)
    assert YOUR_VERDICT in row_of(book["Suspects"], list(get_letters(book["Suspects"]))[:11])


def test_a_sheet_for_the_screen_prints_its_first_page_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("miner.findings.sheets.EVENTS_PRINTED", 3)
    finished(tmp_path / "f")
    sheet = open_book(export_findings(tmp_path / "f", tmp_path / "x.xlsx"))["Events"]
    letters = list(get_letters(sheet))
    last = letters[[column.name for column in EVENTS.columns].index("supply_v")]
    assert sheet.print_area.split("!")[1] == f"$A$1:${last}$4"
    assert "the first 3 of 8 rows" in sheet.oddFooter.left.text
    assert sheet.max_row == 9


def test_the_summary_sheet_tells_sentences_and_leaves_out_what_is_for_programs(tmp_path: Path) -> None:
    findings = finished(tmp_path / "f")
    found = {"kind": "short_on_time", "slot": 0, "cylinder": 1, "size": 0.034, "unit": "share", "sentence": "long"}
    summary = {
        **findings.summary(),
        "check": [{"columns": ["a"], "problem": "drifts", "consequence": "so", "remedy": "do", "start_s": 0.0}],
        "explained": {"conditions": ["ten of 14"], "sensitivity": {"smallest_found": [found]}},
        "quality": {"a": {"noise_v": 0.0209671616501506, "n_pulses": 34291}},
    }
    findings.write_json(SUMMARY, summary)
    sheet = open_book(export_findings(tmp_path / "f", tmp_path / "x.xlsx"))["Summary"]
    told = {row[0]: row[1] for row in sheet.iter_rows(min_row=2, values_only=True)}
    assert told["check.1"] == "a: drifts; so; do"
    assert told["explained.conditions.1"] == "ten of 14"
    assert told["smallest fault found, short on time"] == "cyl 1: 3.4 %"
    assert (told["quality.a.noise_v"], told["quality.a.n_pulses"]) == (0.0209672, 34291)
    assert not any(key.startswith(("files", "seal", "settings", "setup")) for key in told)
    assert None not in told.values()


def get_letters(sheet: Any) -> Iterator[str]:
    return (cell.column_letter for cell in sheet[1])


def row_of(sheet: Any, letters: list[str]) -> list[str]:
    return [sheet[f"{letter}1"].value for letter in letters]


def test_verdicts_and_the_time_of_day_stand_beside_the_suspects(tmp_path: Path) -> None:
    findings = finished(tmp_path / "f", reasons=["one", "two"])
    summary = findings.summary()
    summary["recording"]["started_at"] = "2024-03-12T07:40:00+01:00"
    findings.write_json(SUMMARY, summary)
    verdicts = pa.table({"event_id": [4], "verdict": ["fault"], "note": ["=felt it"]})
    sheet = open_book(export_findings(tmp_path / "f", tmp_path / "x.xlsx", verdicts=verdicts))["Suspects"]
    header, *rows = sheet.iter_rows(values_only=True)
    place = [header.index(name) for name in ("event_id", YOUR_VERDICT, "your note", "clock", "kind")]
    assert [tuple(row[i] for i in place) for row in rows] == [
        (5, None, None, "07:40:00", "absent feedback"),
        (4, "fault", "=felt it", "07:40:00", "absent feedback"),
    ]


def test_of_many_events_the_workbook_holds_those_around_the_suspects(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("miner.findings.sheets.MOST_EVENTS", 7)
    findings = finished(tmp_path / "f")
    windows = findings.read_table(SUSPECTS).slice(0, 1).to_pylist()[0]
    book = open_book(export_findings(tmp_path / "f", tmp_path / "x.xlsx"))
    shown = [row[3] for row in book["Events"].iter_rows(min_row=2, values_only=True)]
    inside = [t for t in events()["time_s"].to_pylist() if windows["window_start_s"] <= t <= windows["window_end_s"]]
    assert shown == inside
    assert 0 < len(shown) < 8
    assert f"{len(shown)} of 8 are on the sheet" in next(book["Notes"].iter_rows(values_only=True))[0]
    every = open_book(export_findings(tmp_path / "f", tmp_path / "y.xlsx", all_events=True))
    assert every["Events"].max_row == 9
