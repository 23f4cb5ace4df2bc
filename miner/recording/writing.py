"""Write a recording as the Parquet that decodes fastest, under a temporary name until it is complete.

Measured with ``python -m tests.performance.bench_import encodings``: integers decode fastest, and stay small, as
differences packed to the bits they need (DELTA_BINARY_PACKED) without compression; lines that seldom change as a
dictionary, whose runs shrink to nothing; floats as they are, since noise does not compress.
"""

from __future__ import annotations

import filecmp
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

import pyarrow as pa
import pyarrow.parquet as pq

from miner.errors import RecordingError

__all__ = ["GROUP_ROWS", "MADE_FROM", "RecordingWriter", "renamed_when_complete"]

MADE_FROM = "made_from"
"""Metadata key of a recording that was made here, of files or arrays; it alone may be replaced by a later one."""

GROUP_ROWS = 1 << 20
"""Rows of a row group: a few MB a column, enough to decode ahead and little enough to skip (own choice)."""


@contextmanager
def renamed_when_complete(target: Path, inputs: Sequence[Path] = (), *, overwrite: bool = True) -> Iterator[Path]:
    """Hand out a temporary name beside the target; rename it when the block ends well, remove it when not.

    Without ``overwrite`` what was made here earlier stays, too, unless the same is made again.

    Raises
    ------
    RecordingError
        If the target is one of the inputs, is a folder or anything else that was not made here, or its folder cannot
        be written.
    """
    if any(target.exists() and one.exists() and target.samefile(one) for one in inputs):
        raise RecordingError("the output would replace an input", remedy="give --out another name", file=target)
    if target.is_dir():
        raise RecordingError("the output is a folder", remedy="name a file that ends with .parquet", file=target)
    if target.exists() and not _was_made_here(target):
        raise RecordingError(
            "the file that lies there is no import of this tool and would be replaced",
            remedy="give --out another name", file=target,
        )  # fmt: skip
    temporary = target.with_name(f"{target.name}.{os.getpid()}.partial")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        yield temporary
        if not overwrite and target.exists() and not filecmp.cmp(temporary, target, shallow=False):
            raise RecordingError(
                "another import lies there already", remedy="give --out another name, or add --overwrite", file=target
            )
        temporary.replace(target)
    except OSError as error:
        raise RecordingError(
            f"cannot be written ({error.strerror or error})", remedy="free space, or name another folder", file=target
        ) from error
    finally:
        temporary.unlink(missing_ok=True)


def _was_made_here(path: Path) -> bool:
    try:
        return MADE_FROM.encode() in (pq.read_schema(path).metadata or {})
    except (OSError, ValueError, pa.ArrowException):
        return False


class RecordingWriter:
    """Takes tables of any length and writes row groups of one length; a context manager.

    Parameters
    ----------
    path : path
        File to write.
    schema : Schema
        Of the recording, metadata included.
    seldom_changing : sequence of str, optional
        Columns that stay on few values for long.
    """

    def __init__(self, path: Path, schema: pa.Schema, *, seldom_changing: Sequence[str] = ()) -> None:
        packed = [f.name for f in schema if pa.types.is_integer(f.type) and f.name not in seldom_changing]
        self.n_rows = 0
        self._held: list[pa.Table] = []
        self._n_held = 0
        self._schema = schema
        self._writer = pq.ParquetWriter(
            path,
            schema,
            compression="none",
            write_page_checksum=True,
            use_dictionary=list(seldom_changing) or False,
            write_statistics=[f.name for f in schema if f.name not in seldom_changing] or False,
            column_encoding=dict.fromkeys(packed, "DELTA_BINARY_PACKED") or None,
        )

    def write(self, columns: Mapping[str, pa.Array]) -> None:
        """Append rows, one array a column of the schema."""
        table = pa.table([columns[name] for name in self._schema.names], schema=self._schema)
        self.n_rows += table.num_rows
        self._held.append(table)
        self._n_held += table.num_rows
        if self._n_held >= GROUP_ROWS:
            self._write_groups()

    def _write_groups(self) -> None:
        held = pa.concat_tables(self._held)
        whole = held.num_rows // GROUP_ROWS * GROUP_ROWS
        self._writer.write_table(held.slice(0, whole), row_group_size=GROUP_ROWS)
        rest = held.slice(whole)
        self._held, self._n_held = ([rest] if rest.num_rows else []), rest.num_rows

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if kind is None and self._held:
            self._writer.write_table(pa.concat_tables(self._held), row_group_size=GROUP_ROWS)
        self._writer.close()
