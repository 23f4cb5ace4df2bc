"""The overview as a workbook: failures, recordings, the common list and the counts, one sheet each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from miner.findings.store import replacing
from miner.words import kind_name, time_of_day
from pipelines.show.overview import Overview

__all__ = ["write_book"]

Cell = str | int | float | None

_WIDE = {
    "problem": 70, "remedy": 60, "in short": 26, "worst incidents": 58, "reason": 62, "recording": 28, "quality": 44,
    "rank": 6, "cylinder": 9, "kind": 19, "score": 8, "findings": 30, "same content": 20, "notes": 110, "vehicle": 22,
    "by": 12, "name": 60, "suspects": 9, "incidents": 9, "events": 9, "recorded (h)": 10, "speed": 14, "clock": 10,
    "false alarms per hour (1/h)": 13,
}  # fmt: skip
"""Widths of columns in characters; others are as wide as their heading."""

_NOT_PRINTED = ("findings", "same content")
"""Columns that stand right of what goes on paper."""


def write_book(path: Path, overview: Overview) -> None:
    """Write the workbook; nothing from a file becomes a formula, and the same overview gives the same bytes.

    Raises
    ------
    FindingsError
        If it cannot be written.
    """
    with replacing(path) as temporary:
        _write(temporary, _sheets(overview))


def _sheets(overview: Overview) -> dict[str, tuple[Sequence[str], list[list[Cell]]]]:
    mined: list[list[Cell]] = [
        [
            m.name, m.vehicle, m.in_short, m.n_suspects, m.n_incidents, m.n_events, m.recorded_s / 3600.0,
            "\n".join(m.worst), m.quality, m.speed, str(m.findings), ", ".join(m.also),
        ]
        for m in overview.mined
    ]  # fmt: skip
    worst: list[list[Cell]] = [
        [
            w.rank,
            w.name,
            w.vehicle,
            w.time_s,
            w.cylinder,
            kind_name(w.kind),
            w.false_alarms_per_hour,
            w.score,
            w.reason,
            time_of_day(w.started_at, w.time_s),
        ]
        for w in overview.worst
    ]
    counts: list[list[Cell]] = [[what, name, n] for what, rows in overview.counts.items() for name, n in rows]
    return {
        "Failed": (("recording", "problem", "remedy"), [[f.name, f.problem, f.remedy] for f in overview.failed]),
        "Recordings": (
            ("recording", "vehicle", "in short", "suspects", "incidents", "events", "recorded (h)", "worst incidents",
             "quality", "speed", "findings", "same content"), mined,
        ),
        "Worst": (
            ("rank", "recording", "vehicle", "time (s)", "cylinder", "kind", "false alarms per hour (1/h)", "score",
             "reason", "clock"), worst,
        ),
        "Counts": (("by", "name", "rare suspects"), counts),
    }  # fmt: skip


def _write(path: Path, sheets: dict[str, tuple[Sequence[str], list[list[Cell]]]]) -> None:
    import xlsxwriter

    from miner.findings.workbook import CAUTIONS, DIGITS, EPOCH, LINE_HEIGHT, lines_in, set_paper, write_cell

    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    book = xlsxwriter.Workbook(str(path), options)
    book.set_properties({"title": "Ignition Miner overnight", "created": EPOCH})
    top: dict[str, object] = {"text_wrap": True, "valign": "top"}
    header = book.add_format({**top, "bold": True, "bottom": 1, "bg_color": "#EDEDED"})
    body = book.add_format(top)
    shown = {
        "time (s)": "0.000000",
        "recorded (h)": "0.00",
        "false alarms per hour (1/h)": DIGITS["1/h"],
        "score": "0.0",
    }
    formats = {title: book.add_format({**top, "num_format": digits}) for title, digits in shown.items()}
    notes: tuple[Sequence[str], list[list[Cell]]] = (("notes",), [[text] for text in CAUTIONS])
    for name, (headers, rows) in {**sheets, "Notes": notes}.items():
        sheet = book.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        for column, title in enumerate(headers):
            write_cell(sheet, 0, column, title, header)
            sheet.set_column(column, column, _width(title))
        sheet.set_row(0, LINE_HEIGHT * max(lines_in(title, _width(title)) for title in headers))
        for number, cells in enumerate(_numbered(rows), start=1):
            pairs = zip(headers, cells, strict=True)
            sheet.set_row(number, LINE_HEIGHT * max(_lines(title, cell) for title, cell in pairs))
            for column, (title, cell) in enumerate(zip(headers, cells, strict=True)):
                write_cell(sheet, number, column, cell, formats.get(title, body))
        sheet.autofilter(0, 0, max(len(rows), 1), len(headers) - 1)
        sheet.repeat_rows(0)
        n_printed = sum(title not in _NOT_PRINTED for title in headers)
        sheet.print_area(0, 0, max(len(rows), 1), n_printed - 1)
        set_paper(sheet, name)
    book.close()


def _width(title: str) -> int:
    return _WIDE.get(title, max(11, min(len(title) + 1, 14)))


def _lines(title: str, cell: Cell) -> int:
    from miner.findings.workbook import lines_in

    return lines_in(cell, _width(title)) if isinstance(cell, str) else 1


def _numbered(rows: Iterable[Sequence[Cell]]) -> Iterable[Sequence[Cell]]:
    """Turn rates that no spreadsheet can hold (infinite) into empty cells."""
    for row in rows:
        yield [None if isinstance(cell, float) and cell in {float("inf"), float("-inf")} else cell for cell in row]
