"""What a person decided about each suspect: kept at once, never lost, found again after another run of mining.

SQLite in the findings folder. A decision is filed under the recording's identity, the cylinder and the time, not
under the running number of the event, so that mining again with other settings keeps it. Nothing is overwritten:
every decision is a new row, the newest row of a place counts, and a page that did not see the newest row yet is
told so instead of replacing it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa

from miner.errors import FindingsError
from miner.events.rows import Rows, TimeIndex, rows_between
from miner.findings.event_file import EventFile
from miner.findings.store import Findings

__all__ = ["VERDICTS", "VERDICTS_FILE", "Decision", "StaleVerdictError", "VerdictStore", "read_verdicts"]

VERDICTS = ("fault", "normal", "unsure")
"""What can be decided; an empty verdict takes a decision back."""

VERDICTS_FILE = "verdicts.sqlite"

SAME_PLACE_S = 0.005
"""Two runs of mining place the same event within this; one cylinder fires again after 12 ms at 10,000 rpm."""

_SCHEMA = """
CREATE TABLE IF NOT EXISTS decision (
    revision INTEGER PRIMARY KEY AUTOINCREMENT,
    recording TEXT NOT NULL,
    cylinder INTEGER,
    time_s REAL NOT NULL,
    kind TEXT NOT NULL,
    verdict TEXT NOT NULL CHECK (verdict IN ('', 'fault', 'normal', 'unsure')),
    note TEXT NOT NULL,
    decided_at TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS decision_place ON decision (recording, time_s);
"""


class StaleVerdictError(Exception):
    """The page decided without having seen ``newest``."""

    def __init__(self, newest: Decision) -> None:
        super().__init__("a newer decision exists")
        self.newest = newest


@dataclass(frozen=True, kw_only=True)
class Decision:
    """One decision about one event; ``revision`` counts up over all of them."""

    revision: int
    recording: str
    cylinder: int | None
    time_s: float
    kind: str
    verdict: str
    note: str
    decided_at: str

    def as_json(self) -> dict[str, Any]:
        """Return it as the page wants it."""
        return asdict(self)


class VerdictStore:
    """The decisions in one findings folder.

    Parameters
    ----------
    folder : path
        The findings folder.
    recording : str
        Identity of the recording that the decisions are about.
    """

    def __init__(self, folder: str | Path, recording: str) -> None:
        self.path = Path(folder) / VERDICTS_FILE
        self.recording = recording

    def decide(
        self, *, cylinder: int | None, time_s: float, kind: str, verdict: str, note: str, seen_revision: int | None
    ) -> Decision:
        """Add a decision; it is on the disk when this returns.

        Parameters
        ----------
        seen_revision : int or None
            Newest decision about this place that the person had seen (0 for none); None to add it regardless.

        Raises
        ------
        StaleVerdictError
            If there is a newer one.
        FindingsError
            If it cannot be saved.
        """
        with self._connect() as base:
            base.execute("BEGIN IMMEDIATE")  # nobody decides between the look and the write
            newest = self._newest_at(base, cylinder, time_s)
            if seen_revision is not None and newest is not None and newest.revision > seen_revision:
                base.execute("ROLLBACK")
                raise StaleVerdictError(newest)
            at = (newest.time_s, newest.cylinder) if newest else (time_s, cylinder)
            now = datetime.now(UTC).isoformat(timespec="seconds")
            row = base.execute(
                "INSERT INTO decision (recording, cylinder, time_s, kind, verdict, note, decided_at)"
                " VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING *",
                (self.recording, at[1], at[0], kind, verdict, note, now),
            ).fetchone()
            base.execute("COMMIT")
        return _decision(row)

    def since(self, revision: int = 0) -> list[Decision]:
        """Return the newest decision of each place that was decided after ``revision``, oldest first."""
        if not self.path.exists():
            return []
        with self._connect() as base:
            rows = base.execute(
                "SELECT * FROM decision WHERE revision IN (SELECT max(revision) FROM decision WHERE recording = ?"
                " GROUP BY ifnull(cylinder, -1), time_s) AND revision > ? ORDER BY revision",
                (self.recording, revision),
            ).fetchall()
        return [_decision(row) for row in rows]

    def _newest_at(self, base: sqlite3.Connection, cylinder: int | None, time_s: float) -> Decision | None:
        row = base.execute(
            "SELECT * FROM decision WHERE recording = ? AND cylinder IS ? AND time_s BETWEEN ? AND ?"
            " ORDER BY abs(time_s - ?), revision DESC LIMIT 1",
            (self.recording, cylinder, time_s - SAME_PLACE_S, time_s + SAME_PLACE_S, time_s),
        ).fetchone()
        return _decision(row) if row else None

    @contextmanager
    def _connect(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(self.path, timeout=5.0, isolation_level=None)) as base:
                base.row_factory = sqlite3.Row
                base.execute("PRAGMA journal_mode = WAL")
                base.execute("PRAGMA synchronous = FULL")  # survives a pulled plug, not only a crash
                base.executescript(_SCHEMA)
                yield base
        except sqlite3.Error as error:
            raise FindingsError(
                f"the decisions cannot be read or saved ({error})",
                remedy="check that the folder may be written to and the disk is not full",
                file=self.path,
            ) from error


def _decision(row: sqlite3.Row) -> Decision:
    return Decision(**{name: row[name] for name in row.keys()})


def match_events(decisions: Sequence[Decision], events: Rows, index: TimeIndex) -> list[int | None]:
    """Return for each decision the running number of the event it is about, or None.

    Parameters
    ----------
    events : Rows
    index : TimeIndex
        Of these events.
    """
    out: dict[int, int | None] = {}
    for decision in sorted(decisions, key=lambda one: one.time_s):  # neighbours lie in the same row groups
        first, last = (index.row_at(decision.time_s + reach_s) for reach_s in (-SAME_PLACE_S, SAME_PLACE_S))
        near = rows_between(events, first, last, ["event_id", "cylinder", "time_s"]).to_pylist()
        own = [event for event in near if event["cylinder"] == decision.cylinder]
        best = min(own, key=lambda event: abs(event["time_s"] - decision.time_s), default=None)
        out[decision.revision] = best["event_id"] if best else None
    return [out[decision.revision] for decision in decisions]


_TABLE = pa.schema(
    [
        ("event_id", pa.int64()), ("time_s", pa.float64()), ("cylinder", pa.int16()), ("kind", pa.string()),
        ("verdict", pa.string()), ("note", pa.string()), ("decided_at", pa.string()),
    ]
)  # fmt: skip


def read_verdicts(folder: str | Path, *, events: Rows | None = None, recording: str | None = None) -> pa.Table:
    """Return the decisions that stand, one row each, in time order.

    Parameters
    ----------
    folder : path
        A findings folder.
    events : Rows, optional
        Events to match them with; those in the folder without it.
    recording : str, optional
        Identity of the recording; the one in the folder's ``recording.json`` without it.

    Returns
    -------
    pyarrow.Table
        event_id (null where the event is not in this run's table), time_s, cylinder, kind (as listed when it was
        decided), verdict, note, decided_at (UTC). Empty where nothing was decided.
    """
    folder = Path(folder)
    if not (folder / VERDICTS_FILE).exists():
        return _TABLE.empty_table()
    identity = recording if recording is not None else Findings(folder).read_json("recording.json")["identity"]
    decisions = [d for d in VerdictStore(folder, identity).since() if d.verdict or d.note]
    decisions.sort(key=lambda d: (d.time_s, d.cylinder or 0))
    if events is None:
        events = EventFile(Findings(folder))
    matched = match_events(decisions, events, TimeIndex(events))
    rows = [{**d.as_json(), "event_id": event_id} for d, event_id in zip(decisions, matched, strict=True)]
    return pa.Table.from_pylist([{name: row[name] for name in _TABLE.names} for row in rows], schema=_TABLE)
