"""Events that need not be in memory: a table, or a file that is read in pieces."""

from __future__ import annotations

from typing import Protocol

import numpy as np
import pyarrow as pa

__all__ = ["Rows", "spread_rows"]

PAUSE_S = 5.0
"""Between stretches that were moved together: no cycle lasts as long."""


class Rows(Protocol):
    """Rows of EVENTS in time order; an Arrow table is one."""

    @property
    def num_rows(self) -> int:
        """Events."""

    def select(self, columns: list[str]) -> pa.Table:
        """Return all rows of some columns."""

    def slice(self, offset: int, length: int) -> pa.Table:
        """Return successive rows, all columns."""


def spread_rows(events: Rows, n_events: int, n_stretches: int) -> pa.Table:
    """Return all events where they are few, else stretches spread evenly over the recording.

    Parameters
    ----------
    events : Rows
    n_events : int
        As many at most.
    n_stretches : int
        Of equal length; moved together to a short pause between them.
    """
    n = events.num_rows
    if n <= n_events:
        return events.slice(0, n)
    length = n_events // n_stretches
    pieces, end_s = [], 0.0
    for start in np.linspace(0, n - length, n_stretches).astype(np.int64):
        piece = events.slice(int(start), length)
        place = piece.column_names.index("time_s")
        time_s = piece["time_s"].to_numpy()
        moved = time_s - time_s[0] + end_s
        end_s = float(moved[-1]) + PAUSE_S
        pieces.append(piece.set_column(place, piece.schema.field("time_s"), pa.array(moved)))
    return pa.concat_tables(pieces)
