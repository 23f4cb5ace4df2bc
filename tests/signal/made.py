"""Leads with pulses whose edges are known, and the way from samples to the table of pulses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.recording.reader import Recording, open_recording
from miner.signal.extract import extract_pulses
from miner.signal.extraction import Extraction
from miner.signal.leads import LeadSpec
from miner.signal.looks.profile import profile_leads
from tests.recording.made import write_recording

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Lead:
    """Trapezoid pulses: 50 % instants and edges in samples, levels in volts."""

    starts: Floats
    stops: Floats
    n_samples: int
    off_v: float = 0.2
    on_v: float = 5.0
    edge: float = 3.0

    def volts(self) -> Floats:
        """Return the clean samples."""
        at = np.arange(self.n_samples, dtype=np.float64)
        shape = np.zeros(self.n_samples)
        for start, stop in zip(self.starts, self.stops, strict=True):
            a, b = max(int(start - self.edge) - 2, 0), int(stop + self.edge) + 3
            t = at[a:b]
            up = np.clip((t - start) / self.edge + 0.5, 0, 1)
            down = np.clip((stop - t) / self.edge + 0.5, 0, 1)
            shape[a:b] += np.minimum(up, down)
        return self.off_v + (self.on_v - self.off_v) * shape


def regular(
    n: int = 80, *, period: float = 9000.3, width: float = 3170.7, first: float = 2000.4, **options: Any
) -> Lead:
    """Return pulses at fractional places; the last one ends well before the end."""
    starts = first + period * np.arange(n)
    return Lead(starts=starts, stops=starts + width, n_samples=int(starts[-1] + width + period), **options)


def counts(volts: Floats, *, scale: float = 0.0024, dtype: type = np.int16) -> NDArray[Any]:
    """Return what a recorder stores: rounded and cut off at the ends of its type."""
    limits = np.iinfo(dtype)
    return np.clip(np.round(volts / scale), limits.min, limits.max).astype(dtype)


def recorded(
    path: Path,
    columns: Mapping[str, NDArray[Any] | pa.Array],
    *,
    scale: float = 1.0,
    rate_hz: float = 1e6,
    **options: Any,
) -> Recording:
    """Write the columns, all of one scale, and open them."""
    scales = {name: {"scale": str(scale), "offset": "0", "unit": "V"} for name in columns}
    return open_recording(write_recording(path / "r.parquet", columns, rate_hz=rate_hz, scales=scales, **options))


def specs(roles: Mapping[str, str], active: str | None = None) -> list[LeadSpec]:
    """Return leads with the given roles by column."""
    return [
        LeadSpec(index=i, column=column, role=role, active=active if role in ("command", "feedback") else None)
        for i, (column, role) in enumerate(roles.items())
    ]


def extracted(recording: Recording, leads: Sequence[LeadSpec]) -> Extraction:
    """Go from recording to pulses."""
    return extract_pulses(recording, leads, profile_leads(recording, leads))


def one_lead(path: Path, samples: NDArray[Any] | pa.Array, *, active: str | None = None, **options: Any) -> Extraction:
    """Go from the samples of one command lead to its pulses."""
    return extracted(recorded(path, {"x": samples}, **options), specs({"x": "command"}, active))


def column(extraction: Extraction, name: str) -> Floats:
    """Return a column of the pulses as floats, NaN for null."""
    return extraction.pulses[name].cast(pa.float64()).to_numpy()
