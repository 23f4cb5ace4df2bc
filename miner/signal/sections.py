"""Cut a recording into fixed stretches of absolute samples that can be worked on apart.

A section owns the pulses that start in it. It is read from a margin before (levels settle) to as far behind its end as
its last pulse may reach; the margins and the grid depend on rate and length only, never on who works on it.
"""

from __future__ import annotations

from dataclasses import dataclass

from miner.recording.reader import Recording

__all__ = ["ENVELOPE_SAMPLES", "MAX_PULSE_S", "Section", "plan_sections", "window_samples"]

ENVELOPE_SAMPLES = 4096
"""Samples per point of the min/max envelope; sections and windows start on its grid."""

MAX_PULSE_S = 5.0
"""An on-state that lasts longer is given up as a pulse: no coil is charged for seconds (our own bound)."""

_WINDOW_S, _SECTION_S, _MARGIN_S = 0.1, 300.0, 10.0
"""Length of the windows in which levels are followed; of a section, long beside its margin and short beside the memory;
of the margin, in which levels settle from the profile: a hundred windows (own choice)."""


@dataclass(frozen=True, kw_only=True)
class Section:
    """Owned samples ``[start, stop)`` and read samples ``[read_start, read_stop)``, absolute and half-open."""

    index: int
    start: int
    stop: int
    read_start: int
    read_stop: int


def window_samples(rate_hz: float) -> int:
    """Return the length of the windows in which levels are followed: about 0.1 s, whole envelope points."""
    return max(1, round(_WINDOW_S * rate_hz / ENVELOPE_SAMPLES)) * ENVELOPE_SAMPLES


def plan_sections(recording: Recording) -> list[Section]:
    """Return the sections of a recording in order; they tile it."""
    window = window_samples(recording.rate_hz)
    length = max(1, round(_SECTION_S * recording.rate_hz / window)) * window
    margin = max(1, round(_MARGIN_S * recording.rate_hz / window)) * window
    beyond = (int(MAX_PULSE_S * recording.rate_hz / window) + 3) * window
    n = recording.n_samples
    return [
        Section(
            index=start // length,
            start=start,
            stop=min(start + length, n),
            read_start=max(0, start - margin),
            read_stop=min(start + length + beyond, n),
        )
        for start in range(0, n, length)
    ]
