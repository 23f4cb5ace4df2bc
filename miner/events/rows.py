"""Events that need not be in memory: a table, or a file that is read in pieces."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Protocol, TypeAlias

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.events.columns import column_values
from miner.memory import Kept

__all__ = [
    "PIECE_EVENTS", "Rows", "StoredRows", "TimeIndex", "cylinder_values", "first_id", "pieces_of",
    "rows_between", "single_values", "spread_rows", "with_column",
]  # fmt: skip

PIECE_EVENTS = 1 << 16
"""Events in a piece: what is worked out piece by piece needs a few MB, whatever the length of the recording."""

PIECES_KEPT = 8
"""Instants of the events in so many pieces, half a MB each."""

PAUSE_S = 5.0
"""Between stretches that were moved together: no cycle lasts as long."""


class StoredRows(Protocol):
    """Rows of EVENTS in time order that lie on a disk."""

    @property
    def num_rows(self) -> int:
        """Events."""

    def pieces(self, columns: list[str]) -> Iterator[pa.Table]:
        """Yield all rows of some columns, piece after piece."""

    def slice(self, offset: int, length: int, columns: list[str] | None = None) -> pa.Table:
        """Return successive rows, all columns or some."""


Rows: TypeAlias = pa.Table | StoredRows


def rows_between(events: Rows, first: int, stop: int, columns: Sequence[str]) -> pa.Table:
    """Return rows ``[first, stop)`` of some columns; what lies beyond the ends is left out."""
    first, stop = max(first, 0), min(stop, events.num_rows)
    if isinstance(events, pa.Table):
        return events.select(list(columns)).slice(first, max(stop - first, 0))
    return events.slice(first, max(stop - first, 0), list(columns))


def pieces_of(events: Rows, columns: Sequence[str]) -> Iterator[pa.Table]:
    """Yield all rows of some columns in pieces of `PIECE_EVENTS`, however they are stored; the last may be shorter."""
    names = list(columns)
    held = None
    for table in [events.select(names)] if isinstance(events, pa.Table) else events.pieces(names):
        held = table if held is None else pa.concat_tables([held, table])
        while held.num_rows >= PIECE_EVENTS:
            yield held.slice(0, PIECE_EVENTS)
            held = held.slice(PIECE_EVENTS)
    if held is not None and held.num_rows:
        yield held


class TimeIndex:
    """Finds rows by time, from the instants at which pieces begin.

    Parameters
    ----------
    events : Rows
        In time order.
    """

    def __init__(self, events: Rows) -> None:
        self._events = events
        self._kept: Kept[NDArray[np.float64]] = Kept(PIECES_KEPT)
        self._starts_s = np.array([piece["time_s"][0].as_py() for piece in pieces_of(events, ["time_s"])])

    def row_at(self, time_s: float) -> int:
        """Return the first row that is not before the instant; the number of rows where there is none."""
        first = max(int(np.searchsorted(self._starts_s, time_s)) - 1, 0) * PIECE_EVENTS
        return first + int(np.searchsorted(self._kept.get(first, lambda: self._times_s(first)), time_s))

    def _times_s(self, first: int) -> NDArray[np.float64]:
        return column_values(rows_between(self._events, first, first + PIECE_EVENTS, ["time_s"]), "time_s")


def first_id(events: Rows) -> int:
    """Return the running number of the first event; the row of any other is its own less this."""
    return int(rows_between(events, 0, 1, ["event_id"])["event_id"][0].as_py()) if events.num_rows else 0


def single_values(events: pa.Table, column: str) -> NDArray[np.float32]:
    """Return a column as float32 (n,), NaN for null."""
    return column_values(events, column).astype(np.float32)


def cylinder_values(events: pa.Table, column: str = "cylinder") -> NDArray[np.int16]:
    """Return the cylinders, -1 where they cannot be told."""
    values: NDArray[np.int16] = events[column].fill_null(pa.scalar(-1, pa.int16())).to_numpy()
    return values


def with_column(events: pa.Table, name: str, values: NDArray[np.float64] | NDArray[np.int64]) -> pa.Table:
    """Return events with other values in one of their columns."""
    return events.set_column(events.column_names.index(name), events.schema.field(name), pa.array(values))


def spread_rows(events: Rows, n_events: int, n_stretches: int) -> pa.Table:
    """Return all events where they are few, else stretches spread evenly over the recording.

    Parameters
    ----------
    events : Rows
    n_events : int
        As many at most.
    n_stretches : int
        Of equal length; moved together to a short pause between them, over which the segment changes.
    """
    n = events.num_rows
    if n <= n_events:
        return events.slice(0, n)
    length = n_events // n_stretches
    pieces: list[pa.Table] = []
    end_s = 0.0
    for start in np.linspace(0, n - length, n_stretches).astype(np.int64):
        piece = events.slice(int(start), length)
        piece = piece.take(pa.array(np.arange(piece.num_rows)))  # a slice would hold on to all around it
        time_s = piece["time_s"].to_numpy()
        moved = time_s - time_s[0] + end_s
        end_s = float(moved[-1]) + PAUSE_S
        piece = with_column(piece, "time_s", moved)
        pieces.append(with_column(piece, "segment", piece["segment"].to_numpy() + len(pieces)))
    return pa.concat_tables(pieces)
