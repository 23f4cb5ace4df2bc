"""What a section, or a whole recording, yielded: pulses, gaps, envelope, tracks and quality."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.recording.clock import Clock
from miner.recording.ranges import joined
from miner.recording.reader import Recording
from miner.schema import CRANK, GAPS, PULSES

__all__ = [
    "Envelope",
    "Extraction",
    "LeadQuality",
    "Track",
    "in_order",
    "join_extractions",
    "merge_gaps",
    "spans_of",
    "time_gaps",
]

Floats = NDArray[np.float64]

_GAPS_APART_S = 1e-3
"""Gaps with less between them are reported as one: no pulse and no level can be measured in so short a stretch."""


@dataclass(frozen=True, kw_only=True)
class Envelope:
    """Least and largest stored value of each ``samples_per_point`` samples; ``low > high`` where all are missing."""

    samples_per_point: int
    scale: float
    offset: float
    low: NDArray[Any]
    high: NDArray[Any]

    def volts(self) -> tuple[Floats, Floats]:
        """Return (least, largest) in the lead's unit, NaN where all samples are missing."""
        empty = self.low > self.high
        ends = [np.where(empty, np.nan, x.astype(np.float64)) * self.scale + self.offset for x in (self.low, self.high)]
        return np.minimum(*ends), np.maximum(*ends)


@dataclass(frozen=True, kw_only=True)
class Track:
    """One lead over the windows of about 0.1 s, in its unit; NaN where a window has no sample."""

    least: Floats
    mean: Floats
    most: Floats


@dataclass(frozen=True, kw_only=True)
class LeadQuality:
    """How one lead with pulses behaved: level and usual amplitude of each window, and counts."""

    off_level_v: Floats
    amplitude_v: Floats
    noise_v: float
    n_spikes: int
    n_dropouts: int
    n_pulses: int
    n_clipped: int

    def summary(self) -> dict[str, float | int]:
        """Return JSON-ready figures for ``summary.json``."""
        return {
            "off_level_median_v": float(np.median(self.off_level_v)),
            "off_level_least_v": float(np.min(self.off_level_v)),
            "off_level_most_v": float(np.max(self.off_level_v)),
            "amplitude_median_v": float(np.median(self.amplitude_v)),
            "noise_v": self.noise_v,
            "n_pulses": self.n_pulses,
            "n_spikes_passed_over": self.n_spikes,
            "n_dropouts_closed": self.n_dropouts,
            "clipped_share": self.n_clipped / self.n_pulses if self.n_pulses else 0.0,
        }


@dataclass(frozen=True, kw_only=True)
class Extraction:
    """Result of a section or, joined, of a recording.

    Attributes
    ----------
    pulses, gaps : pa.Table
        As `miner.schema.PULSES` and `miner.schema.GAPS`, both in order of (start_s, lead).
    window_start_s : ndarray of shape (n_windows,)
        Instant of the first sample of each window of ``window_samples``; the axis of tracks and levels, and the map
        from samples to seconds for the envelope.
    window_samples : int
        Samples per window.
    envelope : mapping of int to Envelope
        By lead index, every lead.
    tracks : mapping of int to Track
        By lead index, leads without pulses.
    leads : mapping of int to LeadQuality
        By lead index, leads with pulses.
    columns : mapping of int to str
        Column of each lead index.
    crank : pa.Table
        As `miner.schema.CRANK`, in time order; empty without a wheel on the crank.
    """

    pulses: pa.Table
    gaps: pa.Table
    window_start_s: Floats
    window_samples: int
    envelope: Mapping[int, Envelope]
    tracks: Mapping[int, Track]
    leads: Mapping[int, LeadQuality]
    columns: Mapping[int, str]
    crank: pa.Table = field(default_factory=CRANK.empty)

    def clock(self, recording: Recording) -> Clock:
        """Return the clock of the recording, of which these windows are the first, or all."""
        if not recording.has_time:
            return Clock(recording.rate_hz)
        samples = np.arange(len(self.window_start_s)) * self.window_samples
        return Clock(recording.rate_hz, samples, self.window_start_s, time_gaps(self.gaps))

    @property
    def quality(self) -> dict[str, dict[str, float | int]]:
        """Summary per column with pulses, JSON-ready."""
        return {self.columns[index]: lead.summary() for index, lead in self.leads.items()}


def join_extractions(parts: Sequence[Extraction]) -> Extraction:
    """Join the extractions of successive sections, in order."""
    first = parts[0]
    return Extraction(
        pulses=in_order(pa.concat_tables([part.pulses for part in parts])),
        gaps=merge_gaps(pa.concat_tables([part.gaps for part in parts])),
        window_start_s=np.concatenate([part.window_start_s for part in parts]),
        window_samples=first.window_samples,
        envelope={i: _join_envelopes([part.envelope[i] for part in parts]) for i in first.envelope},
        tracks={i: _join_tracks([part.tracks[i] for part in parts]) for i in first.tracks},
        leads={i: _join_leads([part.leads[i] for part in parts]) for i in first.leads},
        columns=first.columns,
        crank=pa.concat_tables([part.crank for part in parts]),
    )


def spans_of(gaps: pa.Table) -> Floats:
    """Return start and stop of gaps, shape (k, 2), in seconds."""
    return np.stack([gaps["start_s"].to_numpy(), gaps["stop_s"].to_numpy()], axis=1)


def time_gaps(gaps: pa.Table) -> Floats:
    """Return start and stop of the gaps that cost samples of all leads, shape (k, 2), in seconds."""
    return spans_of(gaps.filter(pc.is_null(gaps["lead"])))


def in_order(pulses: pa.Table) -> pa.Table:
    """Return pulses in order of (start_s, lead)."""
    return PULSES.validate(pulses.take(pc.sort_indices(pulses, [("start_s", "ascending"), ("lead", "ascending")])))


def merge_gaps(gaps: pa.Table) -> pa.Table:
    """Return the gaps, per lead, with those that overlap or almost touch made one, in order of (start_s, lead)."""
    lead, spans = gaps["lead"].fill_null(-1).to_numpy(), spans_of(gaps)
    if not len(lead):
        return GAPS.empty()
    merged = [(one, joined(spans[lead == one], _GAPS_APART_S)) for one in np.unique(lead)]
    leads = np.concatenate([np.full(len(own), one) for one, own in merged])
    starts, stops = np.concatenate([own for _, own in merged]).T
    order = np.lexsort((leads, starts))
    return GAPS.validate(
        pa.table(
            {
                "lead": pa.array(leads[order], pa.int16(), mask=leads[order] < 0),
                "start_s": starts[order],
                "stop_s": stops[order],
            }
        )
    )


def _join_envelopes(parts: list[Envelope]) -> Envelope:
    return Envelope(
        samples_per_point=parts[0].samples_per_point,
        scale=parts[0].scale,
        offset=parts[0].offset,
        low=np.concatenate([part.low for part in parts]),
        high=np.concatenate([part.high for part in parts]),
    )


def _join_tracks(parts: list[Track]) -> Track:
    return Track(
        least=np.concatenate([part.least for part in parts]),
        mean=np.concatenate([part.mean for part in parts]),
        most=np.concatenate([part.most for part in parts]),
    )


def _join_leads(parts: list[LeadQuality]) -> LeadQuality:
    return LeadQuality(
        off_level_v=np.concatenate([part.off_level_v for part in parts]),
        amplitude_v=np.concatenate([part.amplitude_v for part in parts]),
        noise_v=parts[0].noise_v,
        n_spikes=sum(part.n_spikes for part in parts),
        n_dropouts=sum(part.n_dropouts for part in parts),
        n_pulses=sum(part.n_pulses for part in parts),
        n_clipped=sum(part.n_clipped for part in parts),
    )
