"""What a pass over the whole recording shows for a check: when each lead pulsed, where samples are missing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.recording.clock import Clock
from miner.recording.progress import OnProgress
from miner.recording.reader import Recording
from miner.schema import PULSE_ROLES
from miner.signal.extract import iter_extractions
from miner.signal.extraction import merge_gaps, spans_of
from miner.signal.leads import LeadSpec
from miner.signal.looks.profile import profile_leads

__all__ = ["Passed", "pass_over", "passed_by"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Passed:
    """The pass.

    Attributes
    ----------
    starts_s : mapping of str to ndarray
        Per lead with pulses when each began.
    gaps : mapping of str or None to ndarray of shape (k, 2)
        Per lead, and under None for all of them, from when to when samples are missing.
    end_s : float
    """

    starts_s: Mapping[str, Floats]
    gaps: Mapping[str | None, Floats]
    end_s: float


def pass_over(recording: Recording, leads: Sequence[LeadSpec], *, on_progress: OnProgress | None = None) -> Passed:
    """Read the whole recording once.

    Raises
    ------
    RecordingError, SignalError
        As `miner.signal.extract.iter_extractions` and `miner.signal.looks.profile.profile_leads`.
    """
    if not leads:
        return passed_by((), leads, recording)
    parts = iter_extractions(recording, leads, profile_leads(recording, leads), on_progress=on_progress)
    return passed_by(((part.pulses.select(["lead", "start_s"]), part.gaps) for part in parts), leads, recording)


def passed_by(parts: Iterable[tuple[pa.Table, pa.Table]], leads: Sequence[LeadSpec], recording: Recording) -> Passed:
    """Return the pass from (pulses, gaps) of each of the recording's sections."""
    names = {lead.index: lead.column for lead in leads}
    starts: dict[str, list[Floats]] = {lead.column: [] for lead in leads if lead.role in PULSE_ROLES}
    missing = []
    for pulses, gaps in parts:
        lead, start_s = pulses["lead"].to_numpy(), pulses["start_s"].to_numpy()
        for index, column in names.items():
            if column in starts:
                starts[column].append(start_s[lead == index])
        missing.append(gaps)
    joined = merge_gaps(pa.concat_tables(missing)) if missing else None
    gaps = {} if joined is None else _by_lead(joined, names)
    of_all = gaps.get(None, np.empty((0, 2)))  # they take time and no samples
    gapless_s = float(Clock(recording.rate_hz).to_seconds(recording.n_samples))
    return Passed(
        starts_s={
            column: np.sort(np.concatenate(pieces)) if pieces else np.empty(0) for column, pieces in starts.items()
        },
        gaps=gaps,
        end_s=gapless_s + float((of_all[:, 1] - of_all[:, 0]).sum()),
    )


def _by_lead(gaps: pa.Table, names: Mapping[int, str]) -> dict[str | None, Floats]:
    lead = gaps["lead"].fill_null(-1).to_numpy()
    spans = spans_of(gaps)
    return {names.get(int(one)): spans[lead == one] for one in np.unique(lead)}
