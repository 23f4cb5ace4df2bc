"""The journal of an overnight run: what is finished, kept in SQLite so that no crash can lose or fake it.

Two files lie in the output folder:

``overnight.sqlite``
    The journal, in write-ahead mode with ``synchronous = FULL``: one entry a finished step, so the flush to the disk
    costs nothing against the step itself. A step is entered only after its file was flushed and renamed; on a
    restart the entry counts only while the file still has the digest that was entered. An entry that a power cut
    took away costs one step done twice, never a wrong result.
``overnight.lock``
    A second, empty database on which a run holds SQLite's write lock (``BEGIN IMMEDIATE``) from beginning to end.
    The operating system drops the lock when the process ends in whatever way, on Windows and Linux alike, so a
    killed run never has to be unlocked by hand, and no process number can be mistaken for a live run.
"""

from __future__ import annotations

import json
import os
import socket
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from miner.errors import RunError
from pipelines.overnight.tasks import Failure, is_disk_full

__all__ = ["Journal", "StepEntry", "exclusive_run"]

_TABLES = """
CREATE TABLE IF NOT EXISTS run (
    started_at TEXT NOT NULL, ended_at TEXT, host TEXT NOT NULL, pid INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS step (
    token TEXT NOT NULL, step TEXT NOT NULL, fingerprint TEXT NOT NULL, digest TEXT NOT NULL,
    elapsed_s REAL NOT NULL, cpu_s REAL NOT NULL, PRIMARY KEY (token, step));
CREATE TABLE IF NOT EXISTS finished (
    token TEXT PRIMARY KEY, name TEXT NOT NULL, findings TEXT NOT NULL, files TEXT NOT NULL, report TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS failed (
    token TEXT PRIMARY KEY, name TEXT NOT NULL, kind TEXT NOT NULL, problem TEXT NOT NULL, remedy TEXT NOT NULL);
"""


@dataclass(frozen=True, kw_only=True)
class StepEntry:
    """A step that is done: state of the recording's files then, digest of the result, what it cost."""

    fingerprint: str
    digest: str
    elapsed_s: float
    cpu_s: float


class Journal:
    """What has been finished in one output folder.

    Every method is one transaction.

    Raises
    ------
    RunError
        From every method, if the disk is full or the file is damaged or not ours.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with self._explained():
            self._db = sqlite3.connect(path, isolation_level=None, timeout=30.0)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.executescript(_TABLES)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    def begin_run(self) -> None:
        """Enter that this process works here now; failures of earlier runs are tried again, so they go."""
        with self._transaction() as db:
            db.execute("DELETE FROM failed")
            db.execute("INSERT INTO run VALUES (?, NULL, ?, ?)", (_now(), socket.gethostname(), os.getpid()))

    def end_run(self) -> None:
        """Enter that the last run came to its end."""
        with self._transaction() as db:
            db.execute("UPDATE run SET ended_at = ? WHERE rowid = (SELECT max(rowid) FROM run)", (_now(),))

    def enter_step(self, token: str, step: str, entry: StepEntry) -> None:
        """Enter a step whose file has its final name."""
        row = (token, step, entry.fingerprint, entry.digest, entry.elapsed_s, entry.cpu_s)
        with self._transaction() as db:
            db.execute("INSERT OR REPLACE INTO step VALUES (?, ?, ?, ?, ?, ?)", row)

    def steps(self, token: str) -> dict[str, StepEntry]:
        """Return the entered steps of one recording."""
        query = "SELECT step, fingerprint, digest, elapsed_s, cpu_s FROM step WHERE token = ?"
        with self._transaction() as db:
            return {
                step: StepEntry(fingerprint=state, digest=digest, elapsed_s=elapsed, cpu_s=cpu)
                for step, state, digest, elapsed, cpu in db.execute(query, (token,))
            }

    def forget_steps(self, token: str) -> None:
        """Drop the steps of a recording that changed."""
        with self._transaction() as db:
            db.execute("DELETE FROM step WHERE token = ?", (token,))

    def enter_finished(self, token: str, name: str, findings: Path, report: Mapping[str, Any]) -> None:
        """Enter a recording whose findings lie complete in their folder.

        Parameters
        ----------
        findings : Path
            The folder; entered relative to the journal, so that the whole output can be moved.
        report : mapping
            What the overview shows of it, JSON-ready.
        """
        files = sorted(p.relative_to(findings).as_posix() for p in findings.rglob("*") if p.is_file())
        place = findings.relative_to(self.path.parent).as_posix()
        with self._transaction() as db:
            db.execute(
                "INSERT OR REPLACE INTO finished VALUES (?, ?, ?, ?, ?)",
                (token, name, place, json.dumps(files), json.dumps(report, sort_keys=True)),
            )
            db.execute("DELETE FROM step WHERE token = ?", (token,))

    def finished(self, token: str) -> tuple[Path, dict[str, Any]] | None:
        """Return findings folder and report of a finished recording; None if a file of it has gone."""
        with self._transaction() as db:
            row = db.execute("SELECT findings, files, report FROM finished WHERE token = ?", (token,)).fetchone()
        if row is None:
            return None
        folder = self.path.parent / row[0]
        if not all((folder / name).is_file() for name in json.loads(row[1])):
            return None
        return folder, json.loads(row[2])

    def enter_failed(self, token: str, name: str, failure: Failure) -> None:
        """Enter a recording that could not be mined in this run."""
        with self._transaction() as db:
            db.execute(
                "INSERT OR REPLACE INTO failed VALUES (?, ?, ?, ?, ?)",
                (token, name, failure.kind, failure.problem, failure.remedy),
            )

    def failure(self, token: str) -> Failure | None:
        """Return why a recording could not be mined in the last run."""
        with self._transaction() as db:
            row = db.execute("SELECT kind, problem, remedy FROM failed WHERE token = ?", (token,)).fetchone()
        return None if row is None else Failure(kind=row[0], problem=row[1], remedy=row[2])

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._explained():
            self._db.execute("BEGIN")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise _explain(error, self.path) from error


def _explain(error: sqlite3.Error, path: Path) -> RunError:
    """Make a sentence of SQLite's complaint."""
    if is_sqlite_full(error):
        return RunError(
            "the disk is full", remedy="free some space and start the same command again; it goes on where it stopped",
            file=path.parent,
        )  # fmt: skip
    if isinstance(error, sqlite3.OperationalError):
        return RunError(
            f"the journal cannot be used ({error})", remedy="check that the output folder may be written to", file=path
        )
    return RunError(
        f"the journal is damaged ({error})",
        remedy="delete it and start the same command again; every recording will be mined anew",
        file=path,
    )


def is_sqlite_full(error: sqlite3.Error) -> bool:
    """Say whether SQLite met a full disk; it reports some of them as an input/output error."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return code in {sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR} or is_disk_full(error)


@contextmanager
def exclusive_run(out: Path) -> Iterator[None]:
    """Hold an output folder for this run alone.

    Raises
    ------
    RunError
        If another run holds it; says which and since when.
    """
    lock = out / "overnight.lock"
    try:
        out.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(lock, isolation_level=None, timeout=0.0)
    except (OSError, sqlite3.Error) as error:
        raise RunError(
            f"the output folder cannot be written to ({error})", remedy="choose another with --out", file=out
        ) from error
    with closing(connection):
        try:
            connection.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                raise _explain(error, lock) from error
            raise _already_running(out) from error
        yield


def _already_running(out: Path) -> RunError:
    return RunError(
        f"another run works in this folder already{_holder(out / 'overnight.sqlite')}",
        remedy="wait for its end, or give this run another --out",
        file=out,
    )


def _holder(journal: Path) -> str:
    """Return host, process and start of the run that was entered last, if it can be read."""
    try:
        with closing(sqlite3.connect(f"{journal.as_uri()}?mode=ro", uri=True, timeout=1.0)) as db:
            host, pid, began = db.execute("SELECT host, pid, started_at FROM run ORDER BY rowid DESC").fetchone()
    except (sqlite3.Error, TypeError, ValueError):
        return ""
    return f" (process {pid} on {host}, since {began})"


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
