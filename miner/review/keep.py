"""Tables that mining leaves for the review, made from what it holds in memory anyway."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner.review.tables import CLOCK, ENVELOPE, MEASURES, TRACKS
from miner.signal.extraction import Envelope, Extraction

__all__ = ["clock_table", "envelope_tables", "measure_table", "track_table"]


def envelope_tables(sections: Iterable[Mapping[int, Envelope]]) -> Iterator[pa.Table]:
    """Yield smallest and largest value of every lead and block, section after section."""
    first = 0
    for section in sections:
        parts = [ENVELOPE.empty()]
        for lead, envelope in sorted(section.items()):
            low, high = (ends.astype(np.float32) for ends in envelope.volts())
            leads = np.full(len(low), lead, np.int16)
            parts.append(pa.table([leads, first + np.arange(len(low)), low, high], schema=ENVELOPE.schema))
        yield pa.concat_tables(parts)
        first += max((len(envelope.low) for envelope in section.values()), default=0)


def track_table(extraction: Extraction) -> pa.Table:
    """Return the mean of every slow lead over time."""
    parts = []
    for lead, track in sorted(extraction.tracks.items()):
        leads = np.full(len(track.mean), lead, np.int16)
        values = pa.array(track.mean.astype(np.float32), from_pandas=True)
        parts.append(pa.table([leads, extraction.window_start_s, values], schema=TRACKS.schema))
    return pa.concat_tables(parts) if parts else TRACKS.empty()


def clock_table(extraction: Extraction) -> pa.Table:
    """Return the instants that tie samples to seconds."""
    times = extraction.window_start_s
    return pa.table([np.arange(len(times)) * extraction.window_samples, times], schema=CLOCK.schema)


def measure_table(suspects: pa.Table, scores: pa.Table | None) -> pa.Table:
    """Return usual value and distance of every measure of the listed events."""
    if scores is None:
        return MEASURES.empty()
    listed = scores.filter(pc.is_in(scores["event_id"], value_set=suspects["event_id"].combine_chunks()))
    parts = []
    for name in scores.column_names:
        measure = name.removeprefix("usual_")
        if measure == name:
            continue
        names = pa.array([measure] * len(listed), pa.string())
        columns = [listed["event_id"], names, listed[name], listed[f"distance_{measure}"]]
        parts.append(pa.table(columns, names=MEASURES.schema.names).cast(MEASURES.schema))
    return pa.concat_tables(parts) if parts else MEASURES.empty()
