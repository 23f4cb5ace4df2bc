"""Findings out of the folder: workbook, CSV or Parquet, by the ending of the file's name."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from miner.errors import FindingsError, near_names
from miner.findings.sheets import events_to_show
from miner.findings.store import Findings, replacing
from miner.findings.workbook import heading, write_workbook
from miner.schema import EVENTS, INCIDENTS, SUSPECTS, Table

__all__ = ["export_findings"]

EXPORTED = {table.name: table for table in (EVENTS, SUSPECTS, INCIDENTS)}
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""First characters by which a spreadsheet takes a CSV field for a formula (OWASP, CSV Injection)."""


def export_findings(
    folder: str | Path,
    to: str | Path,
    *,
    table: str = "events",
    verdicts: pa.Table | None = None,
    all_events: bool = False,
) -> Path:
    """Write the findings of a folder to one file.

    Parameters
    ----------
    folder : path
        Findings of a finished run.
    to : path
        ``.xlsx`` holds all tables (of many events those around the suspects), ``.csv`` and ``.parquet`` the one
        named by ``table``.
    table : {"events", "suspects", "incidents"}, default="events"
        Table for the one-table formats.
    verdicts : pyarrow.Table, optional
        What the reviewer decided; beside the suspects and on a sheet of its own in the workbook.
    all_events : bool, default=False
        Put every event into the workbook also where there are more than a spreadsheet is good for.

    Returns
    -------
    path
        The file written.

    Raises
    ------
    FindingsError
        If the folder is not complete, the ending is unknown, or the file cannot be written.

    Notes
    -----
    CSV as in RFC 4180 (comma, CRLF, doubled quotes), UTF-8 with a byte order mark so that spreadsheets know the
    encoding. Text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    target, findings = Path(to), Findings(folder)
    declared = _declared(table)
    summary = findings.summary()
    match target.suffix.lower():
        case ".xlsx":
            tables = {one.name: findings.read_table(one) for one in (SUSPECTS, INCIDENTS)}
            tables[EVENTS.name], notes = events_to_show(findings, tables[SUSPECTS.name], all_events=all_events)
            tables |= {"verdicts": verdicts} if verdicts is not None and verdicts.num_rows else {}
            with replacing(target) as temporary:
                write_workbook(temporary, tables, summary, notes=notes)
        case ".csv":
            _write_csv(target, declared, findings.read_table(declared))
        case ".parquet":
            content = findings.read_table(declared)
            with replacing(target) as temporary:
                pq.write_table(content, temporary)
        case ending:
            raise FindingsError(
                f"'{ending}' is not a format of ours" if ending else "the name has no ending",
                remedy="end the name in .xlsx, .csv or .parquet",
                file=target,
            )
    return target


def _declared(name: str) -> Table:
    if name not in EXPORTED:
        raise FindingsError(f"there is no table '{name}'", remedy=near_names(name, EXPORTED).rstrip("?"), key="table")
    return EXPORTED[name]


def _write_csv(target: Path, declared: Table, content: pa.Table) -> None:
    with replacing(target) as temporary, temporary.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)  # the default dialect is RFC 4180's: comma, CRLF, doubled quotes
        writer.writerow(heading(column) for column in declared.columns)
        for batch in content.to_batches(max_chunksize=16_384):
            columns = [_as_text(column.to_pylist()) for column in batch.columns]
            writer.writerows(zip(*columns, strict=True))


def _as_text(values: Iterable[Any]) -> list[Any]:
    return [_cell(value) for value in values]


def _cell(value: Any) -> Any:
    """Return a field: empty for null, capitals for truth values, guarded text."""
    match value:
        case bool():
            return "TRUE" if value else "FALSE"
        case str():
            return f"'{value}" if value.startswith(FORMULA_STARTS) else value
        case list():
            return _cell(" ".join(str(item) for item in value))
        case _:
            return value
