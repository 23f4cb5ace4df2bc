"""What the review needs of an extraction, as the tables that it declares."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.review.tables import ENVELOPE, TRACKS
from miner.signal.extraction import Envelope, Extraction

__all__ = ["envelope_table", "tracks_table"]


def envelope_table(envelopes: Mapping[int, Envelope]) -> pa.Table:
    """Return least and largest value of each block of every lead; null where a block holds no sample."""
    parts = [ENVELOPE.empty()]
    for index, envelope in sorted(envelopes.items()):
        low, high = envelope.volts()
        columns = {
            "lead": pa.array(np.full(low.size, index, np.int16)),
            "block": np.arange(low.size),
            "min": _single(low),
            "max": _single(high),
        }
        parts.append(ENVELOPE.validate(pa.table(columns)))
    return pa.concat_tables(parts)


def tracks_table(extraction: Extraction) -> pa.Table:
    """Return the mean of every lead without pulses over each window; null where a window holds no sample."""
    parts = [TRACKS.empty()]
    for index, track in sorted(extraction.tracks.items()):
        columns = {
            "lead": pa.array(np.full(track.mean.size, index, np.int16)),
            "time_s": extraction.window_start_s,
            "value": _single(track.mean),
        }
        parts.append(TRACKS.validate(pa.table(columns)))
    return pa.concat_tables(parts)


def _single(values: NDArray[np.float64]) -> pa.Array:
    return pa.array(values.astype(np.float32), mask=np.isnan(values))
