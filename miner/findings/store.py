"""One output folder: tables and JSON, each complete or not there at all.

Every file is written under a temporary name beside its place, flushed to the disk and renamed, so that a full
disk, a pulled plug or a killed process leaves the file of before or none. ``summary.json`` is written last: while
it is missing, the folder is not finished.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from miner.errors import FindingsError
from miner.schema import Table

__all__ = ["SUMMARY", "Findings", "replacing", "write_failure"]

SUMMARY = "summary.json"
"""The file whose presence says that the folder is complete."""

SCRATCH = ".half-done-"

COMPRESSION = "zstd"
ROWS_PER_GROUP = 32_768
"""Rows per Parquet row group: small enough to read a part of a long table, large enough to compress well."""


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give a temporary path beside ``path``; rename it to ``path`` when the block ends well.

    Raises
    ------
    FindingsError
        If the file cannot be written; nothing is left of it and an older ``path`` is untouched.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield temporary
        _flush_to_disk(temporary)
        temporary.replace(path)
    except OSError as error:
        raise write_failure(path, error) from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def _flush_to_disk(path: Path) -> None:
    """Make the disk say now, not after the rename, that it is full."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def write_failure(path: Path, error: OSError) -> FindingsError:
    """Turn the system's complaint about writing ``path`` into a sentence with a remedy."""
    reason, remedy = _REMEDIES.get(
        error.errno or 0, (error.strerror or str(error), "check the folder, or choose another with --out")
    )
    return FindingsError(f"cannot be written ({reason})", remedy=remedy, file=path)


_FULL = ("the disk is full", "make room or choose another folder, then run the same command again")
_SHUT = (
    "access denied",
    "close the file where another program has it open, or choose a folder that you may write to",
)
_REMEDIES = {
    errno.ENOSPC: _FULL,
    errno.EDQUOT: _FULL,
    errno.EACCES: _SHUT,
    errno.EPERM: _SHUT,
    errno.EROFS: ("the disk is read-only", "choose another folder"),
    errno.ENOTDIR: ("a part of the path is a file", "choose another folder"),
    errno.EEXIST: ("a file of that name is in the way", "choose another folder"),
    errno.EISDIR: ("a folder of that name is in the way", "choose another name"),
}


class Findings:
    """One output folder.

    Parameters
    ----------
    folder : path
        Where the findings lie; made when the first file is written.
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)

    def path_of(self, declared: Table) -> Path:
        """Return where a table lies."""
        return self.folder / f"{declared.name}.parquet"

    @property
    def is_complete(self) -> bool:
        """Whether the last run into this folder reached its end."""
        return (self.folder / SUMMARY).is_file()

    @contextmanager
    def scratch(self) -> Iterator[Findings]:
        """Give a folder of its own for what is half done; it goes away at the end, and what a killed run left, too.

        Raises
        ------
        FindingsError
            If it cannot be made.
        """
        import psutil

        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            for left in self.folder.glob(f"{SCRATCH}*"):
                if not psutil.pid_exists(int(left.name.split("-")[2])):
                    shutil.rmtree(left, ignore_errors=True)
            folder = tempfile.mkdtemp(prefix=f"{SCRATCH}{os.getpid()}-", dir=self.folder)
        except OSError as error:
            raise write_failure(self.folder, error) from error
        try:
            yield Findings(folder)
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def require_writable(self) -> None:
        """Make the folder and try a file in it, so that a long run does not fail at its end.

        Raises
        ------
        FindingsError
            If the folder cannot be made or written to.
        """
        with replacing(self.folder / ".probe") as temporary:
            temporary.write_bytes(b"\0" * 65_536)
        (self.folder / ".probe").unlink()

    def reopen(self) -> None:
        """Mark the folder as unfinished before its tables are replaced one by one."""
        self.remove(SUMMARY)

    def remove(self, name: str) -> None:
        """Take a file out of the folder, if it is there."""
        path = self.folder / name
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise write_failure(path, error) from error

    def write_table(self, declared: Table, table: pa.Table) -> Path:
        """Write one table; the same rows give the same bytes.

        Parameters
        ----------
        declared : Table
            Its declaration in `miner.schema`.
        table : pyarrow.Table
            Its rows, with exactly the declared columns.

        Returns
        -------
        path
            Where it lies.

        Raises
        ------
        FindingsError
            If it cannot be written.
        ValueError
            If the columns are not the declared ones (a defect of the stage that made them).
        """
        with self.writing_table(declared) as write:
            write(table)
        return self.path_of(declared)

    @contextmanager
    def writing_table(self, declared: Table) -> Iterator[Callable[[pa.Table], None]]:
        """Give a function that writes further rows of one table; raises as `write_table`."""
        schema = _described(declared)
        with (
            replacing(self.path_of(declared)) as temporary,
            pq.ParquetWriter(temporary, schema, compression=COMPRESSION) as writer,
        ):

            def write(rows: pa.Table) -> None:
                content = declared.validate(rows).cast(schema).combine_chunks()
                writer.write_table(content, row_group_size=ROWS_PER_GROUP)

            yield write

    def adopt(self, declared: Table, scratch: Findings) -> None:
        """Move a finished table here from a scratch folder of this one."""
        path = self.path_of(declared)
        try:
            scratch.path_of(declared).replace(path)
        except OSError as error:
            raise write_failure(path, error) from error

    def read_table(self, declared: Table) -> pa.Table:
        """Read one table back.

        Raises
        ------
        FindingsError
            If it is not there, is damaged, or was written by another version.
        """
        with self.reading(declared) as path:
            return declared.validate(pq.read_table(path, partitioning=None))

    def read_groups(self, declared: Table, columns: list[str] | None = None) -> Iterator[pa.Table]:
        """Read one table, or some columns of it, back in pieces of `ROWS_PER_GROUP` rows; raises as `read_table`."""
        with self.reading(declared) as path, pq.ParquetFile(path, pre_buffer=False) as file:
            for group in range(file.num_row_groups):
                piece = file.read_row_group(group, columns=columns)
                yield declared.validate(piece) if columns is None else piece

    @contextmanager
    def reading(self, declared: Table) -> Iterator[Path]:
        """Give the path of a table that is there; what goes wrong while reading it is raised as in `read_table`."""
        path = self.path_of(declared)
        self._require_file(path)
        try:
            yield path
        except (OSError, ValueError) as error:  # Arrow's own errors are ValueErrors
            raise FindingsError(
                f"the table cannot be read ({_first_line(error)})", remedy="mine the recording again", file=path
            ) from error

    def write_json(self, name: str, content: Mapping[str, Any]) -> Path:
        """Write a JSON file with sorted keys; not-a-number is refused, it would not be JSON."""
        path = self.folder / name
        text = json.dumps(content, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"
        with replacing(path) as temporary:
            temporary.write_text(text, encoding="utf-8", newline="\n")
        return path

    def read_json(self, name: str) -> dict[str, Any]:
        """Read a JSON file back; ``FindingsError`` where it is missing or damaged."""
        path = self.folder / name
        self._require_file(path)
        try:
            content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise FindingsError(
                f"cannot be read ({_first_line(error)})", remedy="mine the recording again", file=path
            ) from error
        return content

    def summary(self) -> dict[str, Any]:
        """Return ``summary.json``: what was mined, how, and how good it was."""
        return self.read_json(SUMMARY)

    def _require_file(self, path: Path) -> None:
        if path.is_file():
            return
        if not self.folder.is_dir():
            raise FindingsError("there is no such folder", remedy="check the path", file=self.folder)
        if self.is_complete:
            raise FindingsError("the file is missing", remedy="mine the recording again", file=path)
        raise FindingsError(
            "the folder holds no finished findings", remedy="run 'ignition-miner mine' into it first", file=self.folder
        )


def _described(declared: Table) -> pa.Schema:
    """Return the schema with unit and meaning at each column, for whoever opens the file elsewhere."""
    return pa.schema(
        [
            pa.field(c.name, c.type, c.nullable, metadata={"unit": c.unit, "meaning": c.meaning})
            for c in declared.columns
        ],
        metadata={"table": declared.name, "row": declared.row},
    )


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")
