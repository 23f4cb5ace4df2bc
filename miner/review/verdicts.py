"""What a person decided about each suspect: kept at once, never lost, found again after another run of mining.

SQLite in the findings folder. A decision is filed under the recording's identity, cylinder and time, not under the
running number of the event, so that mining again with other settings keeps it. Nothing is overwritten: every decision
is a new row, the newest of a place counts, and a page that did not see it yet is told so. Every row carries a digest
of itself: a row that bits were flipped in is named, and neither it nor what it had replaced is shown as a decision. A
base that is gone is named as well.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pyarrow as pa

from miner.errors import FindingsError
from miner.events.rows import Rows, TimeIndex, rows_between
from miner.findings.event_file import EventFile
from miner.findings.store import Findings
from miner.words import clock

__all__ = [
    "DECIDED_FILE", "VERDICTS", "VERDICTS_FILE", "Decision",
    "StaleVerdictError", "VerdictStore", "damaged_verdicts", "read_verdicts",
]  # fmt: skip

VERDICTS = ("fault", "normal", "unsure")
"""What can be decided; an empty verdict takes a decision back."""

VERDICTS_FILE = "verdicts.sqlite"

DECIDED_FILE = f"{VERDICTS_FILE}.decided"
"""Beside the base since the first decision: it tells a base that was lost from one that never was."""

SAME_PLACE_S = 0.005
"""Two runs of mining place the same event within this; one cylinder fires again after 12 ms at 10,000 rpm."""

MOST_S = 1e9
"""A time beyond thirty years is a damaged one, and its digits fill a sentence."""

MOST_NAMED = 5
"""Damaged decisions that are named one by one: more sentences above a page are not read."""

MODE_TRIES, MODE_WAIT_S = 20, 0.05
"""How often, and how long, a new base waits for another that begins it; what is really wrong shows in what follows."""

LOOK_AGAIN = "look through the decisions again"
EMPTY = "it is empty, what was decided is lost by damage if anything was"
LOST = "it is not there any more, what was decided is lost by damage"
_SCHEMA = """
CREATE TABLE IF NOT EXISTS decision (
    revision INTEGER PRIMARY KEY AUTOINCREMENT,
    recording TEXT NOT NULL,
    cylinder INTEGER,
    time_s REAL NOT NULL,
    kind TEXT NOT NULL,
    verdict TEXT NOT NULL CHECK (verdict IN ('', 'fault', 'normal', 'unsure')),
    note TEXT NOT NULL,
    decided_at TEXT NOT NULL,
    replaces INTEGER,
    digest TEXT
)
"""

_ADDED = ("replaces", "digest")
"""Columns that the first bases did not have; they get them when they are opened."""

Row = Mapping[str, Any]


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
        self.decided = Path(folder) / DECIDED_FILE
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
            base.execute(_SCHEMA)
            base.execute("BEGIN IMMEDIATE")  # nobody decides between the look and the write
            known = _Known(base)
            latest = known.latest_at(self.recording, cylinder, time_s)
            newest = _decision(latest) if latest and known.stands(latest) else None
            if seen_revision is not None and newest is not None and newest.revision > seen_revision:
                base.execute("ROLLBACK")
                raise StaleVerdictError(newest)
            at = (latest["time_s"], latest["revision"]) if latest else (time_s, None)
            now = datetime.now(UTC).isoformat(timespec="seconds")
            added = base.execute(
                "INSERT INTO decision (recording, cylinder, time_s, kind, verdict, note, decided_at, replaces)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (self.recording, cylinder, at[0], kind, verdict, note, now, at[1]),
            )
            (row,) = _seal(base, added.lastrowid or 0)
            base.execute("COMMIT")
        with suppress(OSError):  # the decision is kept; the next one tries again
            self.decided.touch()
        return _decision(row)

    def since(self, revision: int = 0) -> list[Decision]:
        """Return the newest decision of each place that was decided after ``revision``, oldest first."""
        return [one for one in self.read()[0] if one.revision > revision]

    def read(self) -> tuple[list[Decision], list[str]]:
        """Return the decisions that stand, oldest first, and a sentence for each that is damaged or lost."""
        if not self.path.exists():
            remedy = f"bring it back from a copy, or decide again and take {DECIDED_FILE} away"
            return [], [str(FindingsError(LOST, remedy=remedy, file=self.path))] if self.decided.exists() else []
        told = str(FindingsError(EMPTY, remedy="decide again, or take the file away", file=self.path))
        if self.path.is_file() and not self.path.stat().st_size:  # SQLite would begin to write to it
            return [], [told]
        with self._connect() as base:
            if not _columns(base):
                return [], [told]
            known = _Known(base)
        return [_decision(row) for row in known.standing(self.recording)], known.damage(self.path)

    @contextmanager
    def _connect(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(self.path, timeout=5.0, isolation_level=None)) as base:
                base.row_factory = sqlite3.Row
                base.text_factory = lambda stored: stored.decode("utf-8", "surrogateescape")  # of damaged rows, too
                for _ in range(MODE_TRIES):  # SQLite does not wait while another changes the mode
                    with suppress(sqlite3.OperationalError):
                        base.execute("PRAGMA journal_mode = WAL")
                        break
                    time.sleep(MODE_WAIT_S)
                base.execute("PRAGMA synchronous = FULL")  # survives a pulled plug, not only a crash
                _prepare(base)
                yield base
        except (sqlite3.Error, UnicodeDecodeError) as error:  # SQLite may quote what is damaged
            raise FindingsError(
                f"the decisions cannot be read or saved ({error})",
                remedy="check that the folder may be written to and the disk is not full",
                file=self.path,
            ) from error


class _Known:
    """Every row of a base, and which of them can be believed.

    The table is read from end to end, never by an index, whose pages could be damaged as well.
    """

    def __init__(self, base: sqlite3.Connection) -> None:
        self.rows: list[Row] = sorted(
            (dict(row) for row in base.execute("SELECT * FROM decision NOT INDEXED")), key=lambda row: row["revision"]
        )
        self.damaged = [row for row in self.rows if not _fits(row)]
        bad = {id(row) for row in self.damaged}
        self.whole = [row for row in self.rows if id(row) not in bad]
        self.replaced_by_damaged = {row["replaces"] for row in self.damaged}
        counted = base.execute("SELECT max(seq) AS newest FROM sqlite_sequence WHERE name = 'decision'").fetchone()
        self.newest = max((row["revision"] for row in self.whole), default=0)
        if isinstance(counted["newest"], int):
            self.newest = max(self.newest, counted["newest"])

    def latest_at(self, recording: str, cylinder: int | None, time_s: float) -> Row | None:
        """Return the newest row of a place, damaged or not."""
        return max(
            (row for row in self.rows if _is_near(row, recording, cylinder, time_s)),
            key=lambda row: (-abs(row["time_s"] - time_s), row["revision"]),
            default=None,
        )

    def stands(self, row: Row) -> bool:
        """Whether a row that is the newest of its place is a decision."""
        return _fits(row) and row["revision"] not in self.replaced_by_damaged

    def standing(self, recording: str) -> list[Row]:
        """Return the newest rows of all places, but for those that are damaged, and that a damaged one had replaced."""
        latest = {(row["recording"], row["cylinder"], row["time_s"]): row for row in self.rows}
        own = [row for row in latest.values() if row["recording"] == recording and self.stands(row)]
        return sorted(own, key=lambda row: int(row["revision"]))

    def damage(self, path: Path) -> list[str]:
        """Return a sentence for each row that is damaged or gone, unless it was decided again since."""
        settled = {row["replaces"] for row in self.whole if row["replaces"] is not None}
        told = [
            (f"{_place_of(row)} is damaged and not shown", "decide about it again in the review")
            for row in self.damaged
            if row["revision"] not in settled
        ]
        there = {row["revision"] for row in self.rows} | settled
        told += [
            (f"{what} lost by damage, an older one may be shown instead", LOOK_AGAIN)
            for what in _gone(there, self.newest)
        ]
        if len(told) > MOST_NAMED + 1:
            told[MOST_NAMED:] = [("more decisions than these are damaged or lost", LOOK_AGAIN)]
        return [str(FindingsError(problem, remedy=remedy, file=path)) for problem, remedy in told]


def _gone(there: set[int], newest: int) -> list[str]:
    """Return which running numbers are not there, runs of them together."""
    known = [0, *sorted(there), newest + 1]
    runs = [(before + 1, after - 1) for before, after in pairwise(known) if after - before > 1]
    return [f"decision {a} is" if a == b else f"decisions {a} to {b} are" for a, b in runs]


def _prepare(base: sqlite3.Connection) -> None:
    """Give the table of an earlier version what it lacks.

    Raises
    ------
    sqlite3.DatabaseError
        If there is something, but not the table that was made.
    """
    if not base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        return
    columns = _columns(base)
    first = {field.name for field in fields(Decision)}
    if columns == first:
        base.execute("BEGIN IMMEDIATE")
        if _columns(base) == first:  # nobody else did it meanwhile
            base.execute("ALTER TABLE decision ADD COLUMN replaces INTEGER")
            base.execute("ALTER TABLE decision ADD COLUMN digest TEXT")
            base.execute("DROP INDEX IF EXISTS decision_place")
            _seal(base, 0)
        base.execute("COMMIT")
    elif columns != first | {*_ADDED}:
        raise sqlite3.DatabaseError("its table is not the one that was made, the file is damaged")


def _columns(base: sqlite3.Connection) -> set[str]:
    return {str(row["name"]) for row in base.execute("PRAGMA table_info(decision)")}


def _seal(base: sqlite3.Connection, first: int) -> list[sqlite3.Row]:
    """Give the rows from a revision on their digests, from what was stored of them; return them."""
    rows: list[sqlite3.Row] = base.execute("SELECT * FROM decision WHERE revision >= ?", (first,)).fetchall()
    for row in rows:
        base.execute("UPDATE decision SET digest = ? WHERE revision = ?", (_digest(dict(row)), row["revision"]))
    return rows


def _digest(row: Row) -> str:
    """Return the digest of a row as it was stored, in 128 bits: enough against accidents."""
    content = json.dumps({name: row[name] for name in sorted(row) if name != "digest"}, default=repr)
    return hashlib.blake2b(content.encode("ascii"), digest_size=16).hexdigest()


def _fits(row: Row) -> bool:
    return bool(row["digest"] == _digest(row)) and isinstance(row["time_s"], float)


def _is_near(row: Row, recording: str, cylinder: int | None, time_s: float) -> bool:
    at = row["time_s"]
    same = row["recording"] == recording and row["cylinder"] == cylinder
    return same and isinstance(at, float) and abs(at - time_s) <= SAME_PLACE_S


def _place_of(row: Row) -> str:
    """Return which decision a damaged row was, as far as it can still be read."""
    cylinder, at = row["cylinder"], row["time_s"]
    whose = f" about cylinder {cylinder}" if isinstance(cylinder, int) else ""
    when = f" at {clock(at)}" if isinstance(at, float) and abs(at) < MOST_S else ""
    return f"decision {row['revision']}{whose}{when}"


def _decision(row: Row | sqlite3.Row) -> Decision:
    return Decision(**{field.name: row[field.name] for field in fields(Decision)})


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
    store = _store_in(folder, recording)
    decisions = [d for d in store.since() if d.verdict or d.note] if store else []
    if not decisions:
        return _TABLE.empty_table()
    decisions.sort(key=lambda d: (d.time_s, d.cylinder or 0))
    events = EventFile(Findings(folder)) if events is None else events
    matched = match_events(decisions, events, TimeIndex(events))
    rows = [{**d.as_json(), "event_id": event_id} for d, event_id in zip(decisions, matched, strict=True)]
    return pa.Table.from_pylist([{name: row[name] for name in _TABLE.names} for row in rows], schema=_TABLE)


def damaged_verdicts(folder: str | Path, *, recording: str | None = None) -> list[str]:
    """Return a sentence for each decision in a findings folder that is damaged or lost; none is the rule.

    Parameters
    ----------
    folder, recording
        As for `read_verdicts`, which leaves those decisions out.
    """
    return store.read()[1] if (store := _store_in(Path(folder), recording)) else []


def _store_in(folder: Path, recording: str | None) -> VerdictStore | None:
    if not any((folder / name).exists() for name in (VERDICTS_FILE, DECIDED_FILE)):
        return None
    identity = recording if recording is not None else Findings(folder).read_json("recording.json")["identity"]
    return VerdictStore(folder, identity)
