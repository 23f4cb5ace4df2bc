"""The event table as it lies in a findings folder, read in pieces: a day's events need not fit into memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from miner.findings.store import Findings
from miner.memory import Kept
from miner.schema import EVENTS

__all__ = ["EventFile"]

GROUPS_KEPT = 4
"""Decoded row groups, some 7 MB each: whoever wants an event soon wants those beside it."""


class EventFile:
    """Rows of EVENTS in time order, as an Arrow table would give them.

    Parameters
    ----------
    findings : Findings
        Folder with an event table.
    columns : sequence of str, optional
        Those that rows are to have where none are asked for; all by default.
    kept : int, default=GROUPS_KEPT
        Decoded row groups at hand.

    Raises
    ------
    FindingsError
        If it is not there, is damaged, or was written by another version; so does every method.
    """

    def __init__(self, findings: Findings, *, columns: Sequence[str] | None = None, kept: int = GROUPS_KEPT) -> None:
        self._findings = findings
        self._columns = [c.name for c in EVENTS.columns] if columns is None else list(columns)
        self._schema = pa.schema([EVENTS.schema.field(name) for name in self._columns])
        self._kept: Kept[pa.Table] = Kept(kept)
        with findings.reading(EVENTS) as path, pq.ParquetFile(path, page_checksum_verification=True) as file:
            EVENTS.validate(file.schema_arrow.empty_table())
            sizes = [file.metadata.row_group(group).num_rows for group in range(file.num_row_groups)]
        self._starts = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)

    @property
    def num_rows(self) -> int:
        """Events."""
        return int(self._starts[-1])

    def pieces(self, columns: list[str]) -> Iterator[pa.Table]:
        """Yield all rows of some columns, piece after piece."""
        yield from self._findings.read_groups(EVENTS, columns)

    def slice(self, offset: int, length: int, columns: list[str] | None = None) -> pa.Table:
        """Return successive rows, all columns or some."""
        offset = min(max(offset, 0), self.num_rows)
        stop = min(offset + length, self.num_rows)
        first, last = np.searchsorted(self._starts, (offset, max(stop - 1, offset)), side="right") - 1
        groups = range(int(first), min(int(last) + 1, self._starts.size - 1))
        tables = [self._group(group) for group in groups] if columns is None else [self._read(groups, columns)]
        rows = pa.concat_tables(tables or [EVENTS.empty().select(columns or self._columns)])
        begin = int(self._starts[groups.start]) if groups else 0
        return rows.slice(offset - begin, stop - offset)

    def take(self, rows: NDArray[np.int64]) -> pa.Table:
        """Return some rows in the order asked for."""
        order = np.argsort(rows, kind="stable")
        group = np.searchsorted(self._starts, rows[order], side="right") - 1
        pieces = [
            self._group(int(one)).take(pa.array(rows[order][group == one] - self._starts[one]))
            for one in np.unique(group)
        ]
        return pa.concat_tables(pieces or [EVENTS.empty().select(self._columns)]).take(pa.array(np.argsort(order)))

    def _group(self, group: int) -> pa.Table:
        return self._kept.get(group, lambda: self._read([group], self._columns).cast(self._schema))

    def _read(self, groups: Sequence[int], columns: list[str]) -> pa.Table:
        with (
            self._findings.reading(EVENTS) as path,
            pq.ParquetFile(path, pre_buffer=False, page_checksum_verification=True) as file,
        ):
            return file.read_row_groups(list(groups), columns=columns).select(columns)
