"""Tables that mining leaves for the review, made from what the sections of a recording hold."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.findings.store import Findings
from miner.review.tables import CLOCK, ENVELOPE, TRACKS, USUAL_VALUES
from miner.signal.extraction import Extraction

__all__ = ["clock_table", "keep_sections", "measure_table"]


def keep_sections(findings: Findings, sections: Iterable[Extraction], *, with_clock: bool) -> None:
    """Write envelope, slow leads and instants of a recording, section by section.

    Parameters
    ----------
    findings : Findings
    sections : iterable of Extraction
        In order.
    with_clock : bool
        Whether the recording has times of its own; the instants are left out otherwise.

    Raises
    ------
    FindingsError
        If a table cannot be written.
    """
    first_block = first_sample = 0
    with (
        findings.writing_table(ENVELOPE) as write_envelope,
        findings.writing_table(TRACKS) as write_tracks,
        findings.writing_table(CLOCK) as write_clock,
    ):
        for section in sections:
            write_envelope(_envelope_table(section, first_block))
            write_tracks(_track_table(section))
            if with_clock:
                write_clock(clock_table(section.window_start_s, section.window_samples, first_sample))
            first_block += max((len(envelope.low) for envelope in section.envelope.values()), default=0)
            first_sample += len(section.window_start_s) * section.window_samples


def _envelope_table(section: Extraction, first_block: int) -> pa.Table:
    """Return smallest and largest value of every lead and block."""
    parts = [ENVELOPE.empty()]
    for lead, envelope in sorted(section.envelope.items()):
        low, high = (ends.astype(np.float32) for ends in envelope.volts())
        leads = np.full(len(low), lead, np.int16)
        parts.append(pa.table([leads, first_block + np.arange(len(low)), low, high], schema=ENVELOPE.schema))
    return pa.concat_tables(parts)


def _track_table(section: Extraction) -> pa.Table:
    """Return the mean of every slow lead over time."""
    parts = [TRACKS.empty()]
    for lead, track in sorted(section.tracks.items()):
        leads = np.full(len(track.mean), lead, np.int16)
        values = pa.array(track.mean.astype(np.float32), from_pandas=True)
        parts.append(pa.table([leads, section.window_start_s, values], schema=TRACKS.schema))
    return pa.concat_tables(parts)


def clock_table(window_start_s: NDArray[np.float64], window_samples: int, first_sample: int = 0) -> pa.Table:
    """Return the instants that tie samples to seconds, from those of successive windows of samples."""
    samples = first_sample + np.arange(len(window_start_s)) * window_samples
    return pa.table([samples, window_start_s], schema=CLOCK.schema)


def measure_table(suspects: pa.Table, scores: pa.Table | None) -> pa.Table:
    """Return usual value and distance of every measure of the listed events."""
    if scores is None:
        return USUAL_VALUES.empty()
    listed = scores.filter(pc.is_in(scores["event_id"], value_set=suspects["event_id"].combine_chunks()))
    parts = []
    for name in scores.column_names:
        measure = name.removeprefix("usual_")
        if measure == name:
            continue
        names = pa.array([measure] * len(listed), pa.string())
        columns = [listed["event_id"], names, listed[name], listed[f"distance_{measure}"]]
        parts.append(pa.table(columns, names=USUAL_VALUES.schema.names).cast(USUAL_VALUES.schema))
    return pa.concat_tables(parts) if parts else USUAL_VALUES.empty()
