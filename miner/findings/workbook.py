"""The findings as a workbook: typed numbers, units in the headers, filters, and cautions on a sheet of their own.

Nothing from a file becomes a formula: text is written as text whatever it begins with, addresses stay plain text.
The file carries no time of day, so that the same findings give the same bytes.
"""

from __future__ import annotations

import tempfile
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from miner.findings.sheets import Sheet, sheets_of
from miner.findings.told import flatten, told_pairs
from miner.schema import Column
from miner.suspects.diagnosis import CODES_NOTE
from miner.words import RATE_ASSUMED, SCATTER

__all__ = [
    "CAUTIONS",
    "DIGITS",
    "EPOCH",
    "LINE_HEIGHT",
    "MAX_ROWS",
    "heading",
    "lines_in",
    "set_paper",
    "write_cell",
    "write_workbook",
]

MAX_ROWS = 1_048_576
"""Rows of one sheet, header included (Office Open XML spreadsheets, as implemented)."""

EPOCH = datetime(2000, 1, 1, tzinfo=UTC).replace(tzinfo=None)
"""Fixed creation time of every workbook."""

CAUTIONS = (
    "This list is evidence, not a verdict. Confirm with an independent measurement before replacing a part.",
    "A value that could not be measured is an empty cell, never 0.",
    "false_alarms_per_hour: how many events at least this suspicious a healthy recording would show in an hour.",
    "0.01 false alarms per hour is strong evidence, 5 is hardly any.",
    f"Absent and extra pulses: {RATE_ASSUMED['extra_pulse']}.",
    f"distance_sigma: in {SCATTER}.",
    "score: the order of the list and nothing else; each step of 1 is ten times rarer on a healthy engine.",
    "Nothing is judged inside a gap of the recording, and nothing that no lead was clipped to.",
    "An absent ignition event is not yet a misfire in the sense of emission regulations.",
    "On the road a second person operates the equipment, never the driver.",
    "Leads go on and off with the ignition off, and stay clear of rotating and hot parts.",
    "Local rules and licensed practice come first.",
)

WIDTHS = {"reason": 62, "sentence": 30, "evidence_for": 32, "evidence_against": 28, "next_test": 42, "circuit": 22,
          "kind": 19, "kinds": 18, "measure": 22, "operating_state": 14, "quality": 14, "codes": 24, "your note": 34,
          "note": 60, "your verdict": 9, "decided_at": 26, "rank": 6, "cylinder": 9, "clock": 10}  # fmt: skip
"""Widths of columns in characters, where their values need another one than their unit has."""

UNIT_WIDTHS = {"s": 14, "us": 11, "V": 9, "rpm": 9, "deg": 9, "1/h": 12}
"""Widths of measured values in characters; times go on past 100,000 s."""

WRAPPED = ("reason", "sentence", "circuit", "evidence_for", "evidence_against", "next_test", "codes", "kinds",
           "note", "your note")  # fmt: skip
"""Columns whose text goes on in further lines of its cell."""

_ON_PAPER = "the first {:,} of {:,} rows; the sheet is for the screen, clear its print area to print all"

NOTE_WIDTH = 110
LINE_HEIGHT = 15
"""Points; a spreadsheet does not fit the height of a row that it did not write itself."""

DIGITS = {"s": "0.000000", "us": "0.00", "V": "0.000", "rpm": "0.0", "deg": "0.00",
          "1/h": '[<0.001]"< 0.001"_);[>=10]#,##0_);0.000_)',
          "A": "0.00", "sigma": "0.0", "as measure": "0.000", "": "0.000"}  # fmt: skip
"""Number format of a measured value by its unit."""


OPTIONS = {
    "constant_memory": True,
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
    "nan_inf_to_errors": False,
}
"""Of the writing library: one row in memory at a time, and every text stays text."""


@dataclass(frozen=True, kw_only=True)
class _Formats:
    header: Format
    number_header: Format
    text: Format
    wrapped: Format
    told: Format
    whole: Format
    by_unit: Mapping[str, Format]

    def header_of(self, column: Column) -> Format:
        """Return the format of a column's header: over the side where the values stand."""
        return self.number_header if _is_number(column) else self.header

    def of(self, column: Column) -> Format:
        """Return the format of a column's cells."""
        if column.name in WRAPPED:
            return self.wrapped
        if pa.types.is_floating(column.type):
            return self.by_unit.get(column.unit, self.by_unit[""])
        return self.whole if pa.types.is_integer(column.type) else self.text


def write_workbook(
    path: Path,
    tables: Mapping[str, pa.Table],
    summary: Mapping[str, Any],
    *,
    notes: Sequence[str] = (),
    max_rows: int = MAX_ROWS,
) -> None:
    """Write suspects, incidents, events, setup and notes.

    Parameters
    ----------
    path : path
        The file to write; an existing one is replaced.
    tables : mapping of str to pyarrow.Table
        The three tables under their declared names: ``suspects``, ``incidents``, ``events``. Any further table
        becomes a sheet of its own name.
    summary : mapping
        Content of ``summary.json``.
    notes : sequence of str, optional
        Sentences to put before the cautions.
    max_rows : int, default=MAX_ROWS
        Rows of a sheet, header included; longer tables go on in further sheets, and the notes say so.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    try:
        _write(path, tables, summary, notes, max_rows)
    except xlsxwriter.exceptions.FileCreateError as error:
        raise _cause(error) from error


def _cause(error: Exception) -> OSError:
    """Unwrap the system's own error, which knows whether the disk is full."""
    cause = error.args[0] if error.args else error
    return cause if isinstance(cause, OSError) else OSError(str(error))


def _write(
    path: Path, tables: Mapping[str, pa.Table], summary: Mapping[str, Any], notes: Sequence[str], max_rows: int
) -> None:
    shown = sheets_of(tables, summary.get("recording", {}).get("started_at"))
    pairs = {"Setup": list(flatten(summary.get("setup", {}))), "Summary": list(told_pairs(summary))}
    cautions = [*CAUTIONS, *([f"{CODES_NOTE}."] if tables["incidents"].num_rows else [])]
    # rows wait in files of their own until the book is closed, and must not stay if it never is
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=".", ignore_cleanup_errors=True) as waiting:
        book = xlsxwriter.Workbook(str(path), {**OPTIONS, "tmpdir": waiting})
        book.set_properties({"title": "Ignition Miner findings", "created": EPOCH})
        formats = _formats(book)
        remarks = list(notes)
        for sheet in shown:
            remarks += _add_table(book, formats, sheet, max_rows)
        for name, told in pairs.items():
            _add_pairs(book, formats, name, told)
        _add_notes(book, formats, [*remarks, *cautions])
        book.close()


def _formats(book: Workbook) -> _Formats:
    top: dict[str, object] = {"valign": "top"}
    header: dict[str, object] = {"bold": True, "text_wrap": True, "valign": "top", "bottom": 1, "bg_color": "#EDEDED"}
    return _Formats(
        header=book.add_format({**header, "indent": 1}),
        number_header=book.add_format({**header, "align": "right"}),
        text=book.add_format({**top, "indent": 1}),
        wrapped=book.add_format({**top, "text_wrap": True, "indent": 1}),
        told=book.add_format({**top, "text_wrap": True, "align": "left", "indent": 1}),
        whole=book.add_format({**top, "num_format": "0"}),
        by_unit={unit: book.add_format({**top, "num_format": digits}) for unit, digits in DIGITS.items()},
    )


def _is_number(column: Column) -> bool:
    return bool(pa.types.is_floating(column.type) or pa.types.is_integer(column.type))


def heading(column: Column) -> str:
    """Return a column's header: its name, and its unit in brackets.

    Examples
    --------
    >>> from miner.schema import SUSPECTS
    >>> heading(SUSPECTS.columns[2])
    'time_s [s]'
    """
    return f"{column.name} [{column.unit}]" if column.unit else column.name


def _add_table(book: Workbook, formats: _Formats, shown: Sheet, max_rows: int) -> list[str]:
    """Write a table over as many sheets as it needs; return what the reader must know about it."""
    per_sheet, title = max_rows - 1, shown.title
    n_sheets = max(1, -(-shown.table.num_rows // per_sheet))
    names = [title if i == 0 else f"{title} {i + 1}" for i in range(n_sheets)]
    wrapped = {i: WIDTHS[column.name] for i, column in enumerate(shown.columns) if column.name in WRAPPED}
    for i, name in enumerate(names):
        part = shown.table.slice(i * per_sheet, per_sheet)
        sheet = book.add_worksheet(name)
        _add_header(sheet, formats, shown, part.num_rows)
        for row, values in enumerate(_rows(part), start=1):
            if wrapped:
                sheet.set_row(row, LINE_HEIGHT * max(lines_in(values[i], width) for i, width in wrapped.items()))
            _write_row(sheet, row, values)
    if n_sheets == 1:
        return []
    return [f"{title}: {shown.table.num_rows} rows do not fit one sheet; they go on in {', '.join(names[1:])}."]


def lines_in(value: Any, width: int) -> int:
    """Return how many lines a text needs in a cell so many characters wide, words kept whole."""
    text = _listed(value) if isinstance(value, list) else str(value or "")
    return sum(max(len(textwrap.wrap(line, max(width, 4))), 1) for line in text.split("\n"))


def _listed(values: Sequence[Any]) -> str:
    return ", ".join(str(value) for value in values)


def _width(column: Column) -> int:
    return WIDTHS.get(column.name) or UNIT_WIDTHS.get(column.unit, 11)


def _add_header(sheet: Worksheet, formats: _Formats, shown: Sheet, n_rows: int) -> None:
    columns = shown.columns
    sheet.freeze_panes(1, 0)
    sheet.set_row(0, 3 * LINE_HEIGHT)
    for i, column in enumerate(columns):
        sheet.set_column(i, i, _width(column), formats.of(column))
        sheet.write_string(0, i, heading(column), formats.header_of(column))
    sheet.autofilter(0, 0, max(n_rows, 1), len(columns) - 1)
    sheet.repeat_rows(0)
    rows = min(n_rows, shown.rows_printed or n_rows)
    if shown.n_printed or rows < n_rows:
        sheet.print_area(0, 0, max(rows, 1), (shown.n_printed or len(columns)) - 1)
    set_paper(sheet, f"{shown.title}: {_ON_PAPER.format(rows, n_rows)}" if rows < n_rows else shown.title)


def set_paper(sheet: Worksheet, title: str) -> None:
    """Print a sheet on A4 across, as wide as a page, each page with its title and number."""
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.set_margins(left=0.4, right=0.4, top=0.6, bottom=0.6)
    sheet.set_footer(f"&L{title}&RPage &P of &N")
    sheet.fit_to_pages(1, 0)


def _rows(table: pa.Table) -> Iterator[tuple[Any, ...]]:
    for batch in table.to_batches(max_chunksize=16_384):
        yield from zip(*(column.to_pylist() for column in batch.columns), strict=True)


def _write_row(sheet: Worksheet, row: int, values: Iterable[Any]) -> None:
    for i, value in enumerate(values):
        write_cell(sheet, row, i, value)


def write_cell(sheet: Worksheet, row: int, column: int, value: Any, fmt: Format | None = None) -> None:
    """Write by the value's own type; without ``fmt`` the column's format applies.

    Never by the general method of the library, some versions of which take ``{=1+1}`` for a formula whatever is asked.
    """
    match value:
        case None | "":
            pass
        case bool():
            sheet.write_boolean(row, column, value, fmt)
        case int() | float() if abs(value) < float("inf"):
            sheet.write_number(row, column, value, fmt)
        case list():
            sheet.write_string(row, column, _listed(value), fmt)
        case _:
            sheet.write_string(row, column, str(value), fmt)


def _add_pairs(book: Workbook, formats: _Formats, title: str, pairs: Iterable[tuple[str, Any]]) -> None:
    sheet = book.add_worksheet(title)
    sheet.freeze_panes(1, 0)
    sheet.set_column(0, 0, 44, formats.text)
    sheet.set_column(1, 1, 80, formats.told)
    set_paper(sheet, title)
    sheet.write_string(0, 0, "key", formats.header)
    sheet.write_string(0, 1, "value", formats.header)
    for row, (key, value) in enumerate(pairs, start=1):
        sheet.set_row(row, LINE_HEIGHT * lines_in(value, 80))
        sheet.write_string(row, 0, key)
        write_cell(sheet, row, 1, value)


def _add_notes(book: Workbook, formats: _Formats, sentences: Sequence[str]) -> None:
    sheet = book.add_worksheet("Notes")
    sheet.set_column(0, 0, NOTE_WIDTH, formats.wrapped)
    set_paper(sheet, "Notes")
    for row, sentence in enumerate(sentences):
        sheet.set_row(row, LINE_HEIGHT * lines_in(sentence, NOTE_WIDTH))
        sheet.write_string(row, 0, sentence, formats.wrapped)
