"""One output folder: tables and JSON, each complete or not there at all, and all of one run.

Every file is written under a temporary name beside its place, flushed to the disk and renamed, so that a full
disk, a pulled plug or a killed process leaves the file of before or none. A run writes all its files into a folder of
its own inside this one and renames that to ``.ready`` when they are complete: from then on the new findings count.
Their files are moved to their places one by one, ``summary.json`` last; who opens the folder in between, or after a
pulled plug, moves the rest first. So there are the findings of before or the new ones, never a mixture.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from miner.errors import FindingsError
from miner.files import replacing, write_failure
from miner.schema import Table

__all__ = ["READY", "SUMMARY", "TIMING", "Findings", "json_text", "replacing", "write_failure"]

SUMMARY = "summary.json"
"""The file whose presence says that the folder is complete."""

TIMING = "timing.json"
"""How long it took; apart from the summary, which depends on the input only."""

SCRATCH = ".half-done-"
READY = ".ready"

COMPRESSION = "zstd"
ROWS_PER_GROUP = 32_768
"""Rows per Parquet row group: small enough to read a part of a long table, large enough to compress well."""


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
        """Whether a run into this folder reached its end."""
        return (self.folder / SUMMARY).is_file() or (self.folder / READY / SUMMARY).is_file()

    @contextmanager
    def scratch(self) -> Iterator[Findings]:
        """Give a folder of its own for what is half done; it goes away at the end, and what a killed run left, too.

        Only for who holds the folder (`miner.findings.lock`).

        Raises
        ------
        FindingsError
            If it cannot be made.
        """
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            for left in self.folder.glob(f"{SCRATCH}*"):
                shutil.rmtree(left, ignore_errors=True)
            folder = tempfile.mkdtemp(prefix=SCRATCH, dir=self.folder)
        except OSError as error:
            raise write_failure(self.folder, error) from error
        try:
            yield Findings(folder)
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def publish(self, prepared: Path) -> None:
        """Put a folder with all files of new findings, complete and flushed, in the place of the old ones.

        Parameters
        ----------
        prepared : path
            On the same disk; it is gone afterwards.

        Raises
        ------
        FindingsError
            If files cannot be moved; whoever opens the findings next goes on with it.
        """
        try:
            self.folder.parent.mkdir(parents=True, exist_ok=True)
            if not self.folder.exists():
                prepared.replace(self.folder)
                return
            self.settle()
            if (self.folder / READY).is_dir():  # what is left of a disturbed run, and cannot be told any more
                shutil.rmtree(self.folder / READY)
            prepared.replace(self.folder / READY)
        except OSError as error:
            raise write_failure(self.folder, error) from error
        self.settle()

    def settle(self) -> None:
        """Move to their places the files of a finished run that was disturbed while it moved them.

        Raises
        ------
        FindingsError
            If one cannot be moved.
        """
        ready = self.folder / READY
        if not ready.is_dir() or _is_damaged(ready / SUMMARY):
            return  # a damaged summary takes the place of no other
        try:
            # without its summary, which is the last to go, the folder is only waiting to be removed
            if (ready / SUMMARY).is_file():
                self._remove_left(ready)
                for path in sorted(ready.iterdir(), key=lambda path: (path.name == SUMMARY, path.name)):
                    with suppress(FileNotFoundError):  # another process moves them as well
                        path.replace(self.folder / path.name)
            shutil.rmtree(ready, ignore_errors=True)
        except OSError as error:
            raise write_failure(Path(error.filename2 or self.folder), error) from error

    def _remove_left(self, ready: Path) -> None:
        """Remove the files of the old findings that the new ones do not have, going by what the summaries say."""
        try:
            old, new = (
                json.loads((folder / SUMMARY).read_text(encoding="utf-8"))["files"] for folder in (self.folder, ready)
            )
            left = [name for name in old if name not in new and Path(name).name == name]
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            return  # there are none, or nobody knows what belongs to them
        for name in left:
            (self.folder / name).unlink(missing_ok=True)

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
            pq.ParquetWriter(temporary, schema, compression=COMPRESSION, write_page_checksum=True) as writer,
        ):

            def write(rows: pa.Table) -> None:
                content = declared.validate(rows).cast(schema).combine_chunks()
                writer.write_table(content, row_group_size=ROWS_PER_GROUP)

            yield write

    def read_table(self, declared: Table) -> pa.Table:
        """Read one table back.

        Raises
        ------
        FindingsError
            If it is not there, is damaged, or was written by another version.
        """
        with self.reading(declared) as path:
            return declared.validate(pq.read_table(path, partitioning=None, page_checksum_verification=True))

    def read_groups(self, declared: Table, columns: list[str] | None = None) -> Iterator[pa.Table]:
        """Read one table, or some columns of it, back in pieces of `ROWS_PER_GROUP` rows; raises as `read_table`."""
        with (
            self.reading(declared) as path,
            pq.ParquetFile(path, pre_buffer=False, page_checksum_verification=True) as file,
        ):
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
        with replacing(path) as temporary:
            temporary.write_text(json_text(content), encoding="utf-8", newline="\n")
        return path

    def read_json(self, name: str) -> dict[str, Any]:
        """Read a JSON file back; ``FindingsError`` where it is missing or damaged."""
        path = self.folder / name
        self._require_file(path)
        try:
            content = dict(json.loads(path.read_text(encoding="utf-8")))
        except (OSError, TypeError, ValueError, RecursionError) as error:
            raise FindingsError(
                f"cannot be read ({_first_line(error)})", remedy="mine the recording again", file=path
            ) from error
        return content

    def summary(self) -> dict[str, Any]:
        """Return ``summary.json``: what was mined, how, and how good it was."""
        self.settle()
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


def _is_damaged(path: Path) -> bool:
    """Whether a JSON file is there and holds no object."""
    try:
        return not isinstance(json.loads(path.read_text(encoding="utf-8")), dict)
    except OSError:
        return path.exists() and not path.is_file()
    except (ValueError, RecursionError):
        return True


def json_text(content: Mapping[str, Any]) -> str:
    """Return what is written of a JSON file: the same content, the same text."""
    return json.dumps(content, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"


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
