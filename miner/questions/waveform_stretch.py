"""Stretches of a recording for planting into: where they lie, their samples, and where each event's pulses are."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.events.columns import column_values, median_of_known
from miner.events.rows import Rows, TimeIndex
from miner.recording.chunks import Chunk, iter_chunks
from miner.recording.clock import Clock, clock_of_chunks, first_sample_at
from miner.recording.reader import Recording
from miner.signal.sections import Section, window_samples
from miner.synthetic.columns import Columns, columns_of
from miner.synthetic.faults.samples import AFTER_S, BEFORE_S, PulseSamples

__all__ = ["Excerpt", "LocalPulse", "PulseFinder", "choose_stretches", "read_stretch", "store_pulse"]

SETTLING_S = 1.0
"""Read ahead of a stretch, for the levels to settle from the profile: ten windows."""

LONGEST_S = 10.0
"""A stretch does not go on over a stop."""

DEEPEST_S = 30.0
"""A stretch deep inside a long row group is taken nearer to its beginning: all before it would have to be decoded."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Excerpt:
    """Stored samples of a stretch, changed in place, and the events the recording has there."""

    recording: Recording
    section: Section
    chunks: list[Chunk]  # as they were read, without their samples
    clock: Clock
    raw: dict[str, NDArray[Any]]
    columns: Columns

    def second(self, sample: int) -> float:
        """Return the instant of a sample of the stretch."""
        return float(self.clock.to_seconds(self.section.read_start + sample))

    def sample(self, instant_s: float) -> int:
        """Return the first sample of the stretch that is not before an instant."""
        at = self.clock.to_samples(instant_s) - self.section.read_start
        return min(max(at, 0), self.section.read_stop - self.section.read_start)

    def pieces(self) -> Iterator[Chunk]:
        """Yield the stretch as chunks, as it was read but with what was planted."""
        for chunk in self.chunks:
            own = slice(chunk.start - self.section.read_start, chunk.stop - self.section.read_start)
            yield replace(chunk, raw={name: raw[own] for name, raw in self.raw.items()})


@dataclass(frozen=True, kw_only=True)
class LocalPulse:
    """A pulse in volts with its surroundings, and where they lie in the stretch."""

    column: str
    at: slice
    pulse: PulseSamples


def choose_stretches(recording: Recording, events: Rows, n_stretches: int, n_turns: int) -> Iterator[tuple[int, int]]:
    """Yield absolute sample ranges of ``n_turns`` turns of the firing sequence, apart, where they are quickly reached.

    They lie around events spread evenly over the recording.
    """
    rate_hz, n = recording.rate_hz, events.num_rows
    starts = np.concatenate([part.group_starts for part in recording.parts])
    free_from = 0
    for row in ((2 * number + 1) * n // (2 * n_stretches) for number in range(n_stretches if n else 0)):
        near = events.slice(max(row - 50, 0), 100)
        rpm = median_of_known(column_values(near, "engine_rpm"))
        length_s = SETTLING_S + min(120.0 * n_turns / rpm if rpm > 0 else LONGEST_S, LONGEST_S)
        length, window = round(length_s * rate_hz), window_samples(rate_hz)
        deepest = round(DEEPEST_S * rate_hz)
        middle = first_sample_at(recording, events.slice(row, 1)["time_s"][0].as_py(), deepest=deepest + length)
        start = max(middle - length // 2, 0)
        group = int(starts[np.searchsorted(starts, start, side="right") - 1])
        start = max(min(start, group + deepest), free_from) // window * window
        stop = min(start + length, recording.n_samples)
        if stop - start > length // 2:
            yield start, stop
        free_from = stop + window


def read_stretch(recording: Recording, columns: list[str], events: Rows, start: int, stop: int) -> Excerpt | None:
    """Read a stretch; None where it holds no events."""
    chunks: list[Chunk] = []
    raw: dict[str, NDArray[Any]] = {}
    for chunk in iter_chunks(recording, columns, start=start, stop=stop):
        for name, samples in chunk.raw.items():
            if name not in raw:
                raw[name] = np.empty(stop - start, dtype=samples.dtype)
            raw[name][chunk.start - start : chunk.stop - start] = samples
        chunks.append(replace(chunk, raw={}))
    window = window_samples(recording.rate_hz)
    settled = min(start + round(SETTLING_S * recording.rate_hz) // window * window, stop - 1)
    stretch = Excerpt(
        recording=recording,
        section=Section(index=0, start=settled, stop=stop, read_start=start, read_stop=stop),
        chunks=chunks,
        clock=clock_of_chunks(recording, chunks),
        raw=raw,
        columns={},
    )
    ends_s = [stretch.second(settled - start), stretch.second(stop - 1 - start)]
    index = TimeIndex(events)
    first, last = (index.row_at(end_s) for end_s in ends_s)
    own = columns_of(events.slice(first, last - first))
    return replace(stretch, columns=own) if first < last else None


def store_pulse(stretch: Excerpt, one: LocalPulse) -> None:
    """Put volts back as the recorder would have stored them; samples that were not touched stay as they were."""
    channel = stretch.recording.channels[one.column]
    stored = stretch.raw[one.column][one.at]
    changed = one.pulse.volts != _volts(stretch.recording, one.column, stored)
    raw = (one.pulse.volts[changed] - channel.offset) / channel.scale
    if stored.dtype.kind in "iu":
        limits = np.iinfo(stored.dtype)
        raw = np.clip(np.rint(raw), limits.min, limits.max)
    stored[changed] = raw.astype(stored.dtype)


def _volts(recording: Recording, column: str, raw: NDArray[Any]) -> _Floats:
    channel = recording.channels[column]
    return np.asarray(raw.astype(np.float64) * channel.scale + channel.offset)


class PulseFinder:
    """Finds the samples of an event's pulses from the event table alone."""

    def __init__(self, stretch: Excerpt, setup: Setup) -> None:
        self.stretch, self._setup = stretch, setup
        columns = stretch.columns
        begin_s = columns["time_s"] + np.where(columns["command_seen"] == 1, 1e-6 * columns["delay_us"], 0.0)
        self._spans = {
            "command": (columns["time_s"], columns["time_s"] + 1e-6 * columns["on_time_us"]),
            "feedback": (begin_s, begin_s + 1e-6 * columns["feedback_width_us"]),
        }

    def pulse(self, role: str, row: int) -> LocalPulse | None:
        """Return the pulse of one event on the lead of a role, None where there is none."""
        start_s, stop_s = self._spans[role]
        slots, pattern = self.stretch.columns["slot"], self._setup.engine.pattern
        if not np.isfinite(stop_s[row]):
            return None
        for _, channel in self._setup.leads(role):
            served = [pattern.slot_of(cylinder) for cylinder in channel.served(self._setup.engine)]
            if slots[row] in served:
                near = slice(max(row - 2 * pattern.n_slots, 0), row + 2 * pattern.n_slots + 1)
                others = np.isin(slots[near], served) & np.isfinite(stop_s[near])
                before, after = stop_s[near][others], start_s[near][others]
                before, after = before[before < start_s[row]], after[after > start_s[row]]
                floor = self.stretch.sample(before.max() + AFTER_S) if before.size else 0
                limit = (
                    self.stretch.sample(after.min() - BEFORE_S) if after.size else self.stretch.raw[channel.column].size
                )
                return self._local(
                    channel.column, floor, self.stretch.sample(start_s[row]), self.stretch.sample(stop_s[row]), limit
                )
        return None

    def _local(self, column: str, floor: int, start: int, stop: int, limit: int) -> LocalPulse:
        """Return a pulse with its free room, an edge's length away from the other pulses of its lead."""
        at = slice(min(floor, start), max(limit, stop))
        pulse = PulseSamples(
            volts=_volts(self.stretch.recording, column, self.stretch.raw[column][at]),
            start=start - at.start,
            stop=stop - at.start,
            floor=floor - at.start,
            limit=limit - at.start,
            rate_hz=self.stretch.recording.rate_hz,
        )
        return LocalPulse(column=column, at=at, pulse=pulse)
