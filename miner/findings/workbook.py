"""The findings as a workbook: typed numbers, units in the headers, filters, and cautions on a sheet of their own.

Nothing from a file becomes a formula: text is written as text whatever it begins with, addresses stay plain text.
The file carries no time of day, so that the same findings give the same bytes.
"""

from __future__ import annotations

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

from miner.schema import EVENTS, INCIDENTS, SUSPECTS, Column, Table

__all__ = ["CAUTIONS", "MAX_ROWS", "heading", "write_workbook"]

MAX_ROWS = 1_048_576
"""Rows of one sheet, header included (Office Open XML spreadsheets, as implemented)."""

EPOCH = datetime(2000, 1, 1, tzinfo=UTC).replace(tzinfo=None)
"""Fixed creation time of every workbook."""

CAUTIONS = (
    "This list is evidence, not a verdict. Confirm with an independent measurement before replacing a part.",
    "A value that could not be measured is an empty cell, never 0.",
    "false_alarms_per_hour: how many events at least this suspicious a healthy recording would show in an hour.",
    "0.01 false alarms per hour is strong evidence, 5 is hardly any.",
    "Nothing is judged inside a gap of the recording, and nothing that no lead was clipped to.",
    "An absent ignition event is not yet a misfire in the sense of emission regulations.",
    "On the road a second person operates the equipment, never the driver.",
    "Leads go on and off with the ignition off, and stay clear of rotating and hot parts.",
    "Local rules and licensed practice come first.",
)

WIDTHS = {"reason": 90, "sentence": 70, "evidence_for": 50, "evidence_against": 50, "next_test": 50, "circuit": 30,
          "kind": 20, "kinds": 30, "measure": 20, "operating_state": 16, "quality": 20, "codes": 22}  # fmt: skip
"""Columns wider than their header, in characters."""

WRAPPED = ("reason", "sentence", "circuit", "evidence_for", "evidence_against", "next_test")
"""Columns whose text goes on in further lines of its cell."""

LINE_HEIGHT = 15
"""Points; a spreadsheet does not fit the height of a row that it did not write itself."""

DIGITS = {"s": "0.000000", "us": "0.00", "V": "0.000", "rpm": "0.0", "deg": "0.00", "1/h": "[>=10]0;0.0000",
          "A": "0.00", "sigma": "0.0", "as measure": "0.000", "": "0.000"}  # fmt: skip
"""Number format of a measured value by its unit."""


@dataclass(frozen=True, kw_only=True)
class _Formats:
    header: Format
    number_header: Format
    text: Format
    wrapped: Format
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
    options = {
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": False,
        "tmpdir": str(path.parent),
    }
    book = xlsxwriter.Workbook(str(path), options)
    book.set_properties({"title": "Ignition Miner findings", "created": EPOCH})
    formats = _formats(book)
    remarks = list(notes)
    known = {table.name: table for table in (SUSPECTS, INCIDENTS, EVENTS)}
    for name in [*known, *(name for name in tables if name not in known)]:
        columns = known[name].columns if name in known else _undeclared(tables[name]).columns
        remarks += _add_table(book, formats, name.capitalize(), columns, tables[name], max_rows)
    _add_pairs(book, formats, "Setup", _flatten(summary.get("setup", {})))
    _add_pairs(book, formats, "Summary", _flatten({k: v for k, v in summary.items() if k != "setup"}))
    _add_notes(book, formats, [*remarks, *CAUTIONS])
    book.close()


def _formats(book: Workbook) -> _Formats:
    top: dict[str, object] = {"valign": "top"}
    header: dict[str, object] = {"bold": True, "text_wrap": True, "valign": "top", "bottom": 1, "bg_color": "#EDEDED"}
    return _Formats(
        header=book.add_format({**header, "indent": 1}),
        number_header=book.add_format({**header, "align": "right"}),
        text=book.add_format({**top, "indent": 1}),
        wrapped=book.add_format({**top, "text_wrap": True, "indent": 1}),
        whole=book.add_format({**top, "num_format": "0"}),
        by_unit={unit: book.add_format({**top, "num_format": digits}) for unit, digits in DIGITS.items()},
    )


def _is_number(column: Column) -> bool:
    return bool(pa.types.is_floating(column.type) or pa.types.is_integer(column.type))


def heading(column: Column) -> str:
    """Return a column's header: its name, and its unit in brackets.

    Examples
    --------
    >>> heading(SUSPECTS.columns[2])
    'time_s [s]'
    """
    return f"{column.name} [{column.unit}]" if column.unit else column.name


def _undeclared(table: pa.Table) -> Table:
    columns = tuple(Column(name=f.name, type=f.type, unit="", meaning="") for f in table.schema)
    return Table(name="", row="", columns=columns)


def _add_table(
    book: Workbook, formats: _Formats, title: str, columns: Sequence[Column], table: pa.Table, max_rows: int
) -> list[str]:
    """Write a table over as many sheets as it needs; return what the reader must know about it."""
    per_sheet = max_rows - 1
    n_sheets = max(1, -(-table.num_rows // per_sheet))
    names = [title if i == 0 else f"{title} {i + 1}" for i in range(n_sheets)]
    for i, name in enumerate(names):
        part = table.slice(i * per_sheet, per_sheet)
        sheet = book.add_worksheet(name)
        _add_header(sheet, formats, columns, part.num_rows)
        wrapped = {i: WIDTHS[column.name] for i, column in enumerate(columns) if column.name in WRAPPED}
        for row, values in enumerate(_rows(part), start=1):
            if wrapped:
                sheet.set_row(row, LINE_HEIGHT * max(-(-len(values[i]) // width) for i, width in wrapped.items()))
            _write_row(sheet, row, values)
    if n_sheets == 1:
        return []
    return [f"{title}: {table.num_rows} rows do not fit one sheet; they go on in {', '.join(names[1:])}."]


def _add_header(sheet: Worksheet, formats: _Formats, columns: Sequence[Column], n_rows: int) -> None:
    sheet.freeze_panes(1, 0)
    sheet.set_row(0, 3 * LINE_HEIGHT)
    for i, column in enumerate(columns):
        sheet.set_column(i, i, WIDTHS.get(column.name, max(10, len(column.name) + 2)), formats.of(column))
        sheet.write_string(0, i, heading(column), formats.header_of(column))
    sheet.autofilter(0, 0, max(n_rows, 1), len(columns) - 1)
    sheet.set_landscape()
    sheet.repeat_rows(0)
    sheet.fit_to_pages(1, 0)


def _rows(table: pa.Table) -> Iterator[tuple[Any, ...]]:
    for batch in table.to_batches(max_chunksize=16_384):
        yield from zip(*(column.to_pylist() for column in batch.columns), strict=True)


def _write_row(sheet: Worksheet, row: int, values: Iterable[Any]) -> None:
    for i, value in enumerate(values):
        _write_cell(sheet, row, i, value)


def _write_cell(sheet: Worksheet, row: int, column: int, value: Any) -> None:
    """Write by the value's own type; the column's format applies."""
    match value:
        case None | "":
            pass
        case bool():
            sheet.write_boolean(row, column, value)
        case int() | float() if abs(value) < float("inf"):
            sheet.write_number(row, column, value)
        case list():
            sheet.write_string(row, column, ", ".join(str(v) for v in value))
        case _:
            sheet.write_string(row, column, str(value))


def _flatten(content: Any, prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Yield (dotted key, plain value); a list of plain values is one value."""
    if isinstance(content, Mapping):
        for key in content:
            yield from _flatten(content[key], f"{prefix}.{key}" if prefix else str(key))
    elif isinstance(content, list) and any(isinstance(item, Mapping) for item in content):
        for i, item in enumerate(content, start=1):
            yield from _flatten(item, f"{prefix}.{i}")
    else:
        yield prefix, content


def _add_pairs(book: Workbook, formats: _Formats, title: str, pairs: Iterable[tuple[str, Any]]) -> None:
    sheet = book.add_worksheet(title)
    sheet.freeze_panes(1, 0)
    sheet.set_column(0, 0, 44, formats.text)
    sheet.set_column(1, 1, 80, formats.wrapped)
    sheet.fit_to_pages(1, 0)
    sheet.write_string(0, 0, "key", formats.header)
    sheet.write_string(0, 1, "value", formats.header)
    for row, (key, value) in enumerate(pairs, start=1):
        sheet.write_string(row, 0, key)
        _write_cell(sheet, row, 1, value)


def _add_notes(book: Workbook, formats: _Formats, sentences: Sequence[str]) -> None:
    sheet = book.add_worksheet("Notes")
    sheet.set_column(0, 0, 110, formats.wrapped)
    sheet.fit_to_pages(1, 0)
    for row, sentence in enumerate(sentences):
        sheet.write_string(row, 0, sentence, formats.wrapped)
