"""A folder held by one run alone.

The lock is SQLite's write lock (``BEGIN IMMEDIATE``) on an empty database in the folder, held from beginning to end.
The operating system drops it when the process ends in whatever way, on Windows and Linux alike, so a killed run never
has to be unlocked by hand, and no process number can be mistaken for a live run.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path

from miner.errors import RunError
from miner.files import write_failure

__all__ = ["JOURNAL_FILE", "LOCK_FILE", "exclusive"]

LOCK_FILE = "overnight.lock"
JOURNAL_FILE = "overnight.sqlite"
"""Journal of a run over many recordings; its findings lie in folders beside it, and are held with it."""


@contextmanager
def exclusive(folder: Path) -> Iterator[None]:
    """Hold an output folder for this run; made where it is missing, and removed again if nothing was put into it.

    Raises
    ------
    RunError
        If another run holds it, or the folder above where that is the output of a run over many recordings.
    FindingsError
        If the folder cannot be made or written to.
    """
    folder = folder.resolve()
    made = [path for path in (folder, *folder.parents) if not path.exists()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise write_failure(folder, error) from error
    above = [folder.parent] if (folder.parent / JOURNAL_FILE).is_file() else []
    try:
        with ExitStack() as held:
            for place in (folder, *above):
                held.enter_context(_hold(place))
            yield
    finally:
        with suppress(OSError):  # the first that holds anything
            for path in made:
                path.rmdir()


@contextmanager
def _hold(folder: Path) -> Iterator[None]:
    path = folder / LOCK_FILE
    with closing(_locked(path)):
        try:
            yield
        finally:
            with suppress(OSError):  # while it is held nobody else comes in; on Windows an open file stays
                path.unlink()


def _locked(path: Path) -> sqlite3.Connection:
    """Return the connection that holds the lock, on the file that lies there and not on one that was taken away."""
    while True:
        try:
            path.touch()
            before = path.stat()
        except OSError as error:
            raise write_failure(path.parent, error) from error
        connection = _begun(path)
        with suppress(OSError):
            if os.path.samestat(before, path.stat()):
                return connection
        connection.close()


def _begun(path: Path) -> sqlite3.Connection:
    connection: sqlite3.Connection | None = None
    try:
        connection = sqlite3.connect(path, isolation_level=None, timeout=0.0)
        connection.execute("BEGIN IMMEDIATE")
    except sqlite3.Error as error:
        if connection is not None:
            connection.close()
        if getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_BUSY:
            raise RunError(
                f"another run works in this folder already{_holder(path.with_name(JOURNAL_FILE))}",
                remedy="wait for its end, or give this run another --out",
                file=path.parent,
            ) from error
        raise RunError(
            f"the folder cannot be held for this run ({error})",
            remedy=f"check that it may be written to and that '{path.name}' is not damaged; it may be deleted",
            file=path.parent,
        ) from error
    return connection


def _holder(journal: Path) -> str:
    """Return host, process and start of the run that was entered last, if it can be read."""
    try:
        with closing(sqlite3.connect(f"{journal.as_uri()}?mode=ro", uri=True, timeout=1.0)) as db:
            host, pid, began = db.execute("SELECT host, pid, started_at FROM run ORDER BY rowid DESC").fetchone()
    except (sqlite3.Error, TypeError, ValueError):
        return ""
    return f" (process {pid} on {host}, since {began})"
