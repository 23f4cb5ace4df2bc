"""What goes on the sheets of the workbook: the tables for a person, with verdicts beside the suspects.

The declared columns keep their names; their order may change so that what a person reads is what gets printed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from miner.findings.store import Findings
from miner.recording.ranges import touches
from miner.schema import EVENTS, INCIDENTS, SUSPECTS, Column
from miner.suspects.diagnosis import CODES_NOTE
from miner.words import YOUR_VERDICT, kind_name, measure_name, time_of_day

__all__ = ["EVENTS_PRINTED", "MOST_EVENTS", "Sheet", "events_to_show", "sheets_of"]

MOST_EVENTS = 20_000
"""Events that are all written: more take minutes and tens of megabytes that nobody reads in a spreadsheet."""

EVENTS_PRINTED = 60
"""Events that go on paper, about a page: measured values one event a row are for the screen, not for the file."""

_LAST_PRINTED = "supply_v"
"""What stands right of it would make the rest too small to read."""

VERDICT = Column(name=YOUR_VERDICT, type=pa.string(), unit="", meaning="what you decided in the review")
NOTE = Column(name="your note", type=pa.string(), unit="", meaning="what you wrote in the review")
CLOCK = Column(name="clock", type=pa.string(), unit="", meaning="time of day, where the recording has its start")

_LAST = ("incident_id", "window_start_s", "window_end_s", "measured", "usual", "distance_sigma", "measure")
_INCIDENTS_LAST = ("end_s", "n_events", "cylinders", "kinds", "false_alarms_per_hour", "best_rank")
_NAMED: Mapping[str, Callable[[str], str]] = {
    "kind": kind_name,
    "kinds": kind_name,
    "measure": measure_name,
    "next_test": lambda text: text.removesuffix(f"{CODES_NOTE}.").rstrip(),  # said once, among the notes
}
"""Columns whose values are written in words."""


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """One table as a sheet.

    Attributes
    ----------
    title : str
    columns : sequence of Column
    table : pyarrow.Table
        Its columns in that order.
    n_printed : int
        Columns that go on paper, from the left; 0 for all.
    rows_printed : int
        Rows that go on paper, from the top; 0 for all.
    """

    title: str
    columns: Sequence[Column]
    table: pa.Table
    n_printed: int = 0
    rows_printed: int = 0


def sheets_of(tables: Mapping[str, pa.Table], started_at: str | None = None) -> list[Sheet]:
    """Return suspects, incidents, events and then any further table.

    Parameters
    ----------
    tables : mapping of str to pyarrow.Table
        Under their declared names; ``verdicts`` as `miner.review.verdicts.read_verdicts` returns them.
    started_at : str, optional
        When the recording began, ISO 8601.
    """
    further = [name for name in tables if name not in {"suspects", "incidents", "events"}]
    return [
        _suspects(tables["suspects"], tables.get("verdicts"), started_at),
        _incidents(tables["incidents"]),
        _events(tables["events"]),
        *(Sheet(title=name.capitalize(), columns=_columns(tables[name]), table=tables[name]) for name in further),
    ]


def _suspects(suspects: pa.Table, verdicts: pa.Table | None, started_at: str | None) -> Sheet:
    first = [column for column in SUSPECTS.columns if column.name not in _LAST]
    last = [column for column in SUSPECTS.columns if column.name in _LAST]
    decided = _decided(verdicts)
    ids = suspects["event_id"].to_pylist()
    extra = {
        VERDICT: [decided.get(one, ("", ""))[0] for one in ids],
        NOTE: [decided.get(one, ("", ""))[1] for one in ids],
        CLOCK: [time_of_day(started_at, time_s) for time_s in suspects["time_s"].to_pylist()],
    }
    table = _named(suspects)
    for column, values in extra.items():
        table = table.append_column(column.name, pa.array(values, pa.string()))
    columns = [*first, *extra, *last]
    return Sheet(
        title="Suspects",
        columns=columns,
        table=table.select([column.name for column in columns]),
        n_printed=len(first) + len(extra),
    )


def _events(events: pa.Table) -> Sheet:
    n_printed = EVENTS.schema.names.index(_LAST_PRINTED) + 1
    return Sheet(title="Events", columns=EVENTS.columns, table=events, n_printed=n_printed, rows_printed=EVENTS_PRINTED)


def _incidents(incidents: pa.Table) -> Sheet:
    first = [column for column in INCIDENTS.columns if column.name not in _INCIDENTS_LAST]
    columns = [*first, *(column for column in INCIDENTS.columns if column.name in _INCIDENTS_LAST)]
    table = _named(incidents).select([column.name for column in columns])
    return Sheet(title="Incidents", columns=columns, table=table, n_printed=len(first))


def _named(table: pa.Table) -> pa.Table:
    """Return the table with kinds and measures in words."""
    for place, name in enumerate(table.column_names):
        if name not in _NAMED:
            continue
        say, kind = _NAMED[name], table.schema.field(name).type
        values = [_said(say, value) for value in table[name].to_pylist()]
        table = table.set_column(place, name, pa.array(values, kind))
    return table


def _said(say: Callable[[str], str], value: Any) -> Any:
    if isinstance(value, list):
        return [say(one) for one in value]
    return None if value is None else say(value)


def _decided(verdicts: pa.Table | None) -> dict[int, tuple[str, str]]:
    """Return verdict and note by event."""
    if verdicts is None:
        return {}
    rows = verdicts.select(["event_id", "verdict", "note"]).to_pylist()
    return {row["event_id"]: (row["verdict"], row["note"]) for row in rows if row["event_id"] is not None}


def _columns(table: pa.Table) -> list[Column]:
    return [Column(name=f.name, type=f.type, unit="s" if f.name == "time_s" else "", meaning="") for f in table.schema]


def events_to_show(findings: Findings, suspects: pa.Table, *, all_events: bool = False) -> tuple[pa.Table, list[str]]:
    """Return the events for the workbook and what is to be said about them.

    All of them up to `MOST_EVENTS` or where wished, else those in the windows of the listed suspects.
    """
    groups = findings.read_groups(EVENTS)
    if all_events:
        return pa.concat_tables([EVENTS.empty(), *groups]), []
    windows = np.stack([suspects[name].to_numpy() for name in ("window_start_s", "window_end_s")], axis=1)
    n, held, near = 0, [EVENTS.empty()], [EVENTS.empty()]
    for group in groups:
        n += group.num_rows
        held = [*held, group] if n <= MOST_EVENTS else []
        times = group["time_s"].to_numpy()
        near.append(group.filter(pa.array(touches(windows, times, times))))
    if held:
        return pa.concat_tables(held), []
    shown = pa.concat_tables(near)
    note = (
        f"Events: {shown.num_rows:,} of {n:,} are on the sheet, those around the suspects; "
        "export --all-events writes all of them, and --to events.csv or events.parquet always does."
    )
    return shown, [note]
