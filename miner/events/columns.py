"""Columns of the event table as arrays: NaN, or -1, for what was not measured."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.schema import OPERATING_STATES

__all__ = ["column_values", "median_of_known", "seen_values", "state_codes"]


def column_values(events: pa.Table, column: str) -> NDArray[np.float64]:
    """Return a column as float64 (n,) of its own, NaN for null, and throughout where an older table lacks it."""
    if column not in events.column_names:
        return np.full(events.num_rows, np.nan)
    return np.array(events[column].cast(pa.float64()).to_numpy(zero_copy_only=False), dtype=np.float64)


def median_of_known(values: NDArray[np.float64]) -> float:
    """Return the median of what was measured (n,), NaN where nothing was."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def seen_values(events: pa.Table, column: str) -> NDArray[np.int8]:
    """Return a true-or-false column as 1, 0 and -1 for null."""
    return np.asarray(
        events[column].cast(pa.int8()).fill_null(pa.scalar(-1, pa.int8())).to_numpy(zero_copy_only=False), dtype=np.int8
    )


def state_codes(events: pa.Table, column: str = "operating_state") -> NDArray[np.int8]:
    """Return the place of each operating state in `OPERATING_STATES`."""
    codes = [np.zeros(0, dtype=np.int8)]
    for chunk in events[column].chunks:
        coded = chunk if pa.types.is_dictionary(chunk.type) else chunk.dictionary_encode()
        places = np.array([OPERATING_STATES.index(name) for name in coded.dictionary.to_pylist()], dtype=np.int8)
        codes.append(places[coded.indices.to_numpy()])
    return np.concatenate(codes)
