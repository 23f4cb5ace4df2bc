"""Samples to seconds since the first sample, and back; the one place where steps of ``time_s`` are taken into account.

Usage
-----
>>> clock = Clock(1000.0)
>>> clock.to_seconds([0, 250.5]).tolist()
[0.0, 0.2505]
>>> clock.to_samples(0.25), clock.nearest(0.2504)
(250, 250)
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from miner.recording.chunks import Chunk, iter_chunks
from miner.recording.reader import TIME_COLUMN, Recording
from miner.recording.timing import first_rows

__all__ = ["Clock", "clock_of_chunks", "first_sample_at", "samples_between"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_ON_THE_SAMPLE = 1e-6
"""An instant nearer to a sample than this share of a period is the sample's own: what division leaves is less."""


class Clock:
    """When each sample was taken.

    Known are the instants of some samples and the gaps in which time went on without samples. Between two known
    instants without a gap the samples lie evenly; elsewhere they follow each other at the nominal rate.

    Parameters
    ----------
    rate_hz : float
        Nominal samples per second.
    samples, times_s : array_like, shape (n,)
        Samples whose instants are known, ascending; by default sample 0 at 0 s.
    gaps_s : array_like, shape (k, 2)
        Instants of the last sample before each gap and of the first one after it; not needed where the instants of
        all samples are known.
    """

    def __init__(
        self, rate_hz: float, samples: ArrayLike = (), times_s: ArrayLike = (), gaps_s: ArrayLike = ()
    ) -> None:
        self.rate_hz = rate_hz
        known = np.asarray(samples, np.int64), np.asarray(times_s, np.float64)
        known = known if known[0].size else (np.zeros(1, np.int64), np.zeros(1))
        spans = sorted((float(start), float(stop)) for start, stop in np.asarray(gaps_s, np.float64).reshape(-1, 2))
        self._samples, self._times, uneven = _with_gaps(*known, rate_hz, spans)
        self._nominal = np.append(uneven[1:], True)
        """Whether the samples behind each known one follow at the nominal rate."""

    def to_seconds(self, samples: ArrayLike) -> Floats:
        """Return the instants of samples, of fractions of samples as well, in seconds; NaN stays NaN."""
        at = np.asarray(samples, np.float64)
        k = np.maximum(np.searchsorted(self._samples, np.floor(at), side="right") - 1, 0)
        beyond = at - self._samples[k]
        return np.asarray(
            self._times[k] + np.where(self._nominal[k], beyond / self.rate_hz, beyond * self._step_s(k)), np.float64
        )

    def to_samples(self, time_s: float) -> int:
        """Return the first sample that is not before an instant."""
        k, beyond = self._since_known(time_s)
        return self._not_over_a_gap(k, math.ceil(beyond - _ON_THE_SAMPLE))

    def nearest(self, time_s: float) -> int:
        """Return the sample nearest to an instant; inside a gap the first one after it."""
        k, beyond = self._since_known(time_s)
        return self._not_over_a_gap(k, round(beyond))

    def _since_known(self, time_s: float) -> tuple[int, float]:
        """Return the known instant before a time, and how many sample periods lie between."""
        k = max(int(np.searchsorted(self._times, time_s, side="right")) - 1, 0)
        since_s = time_s - float(self._times[k])
        return k, since_s * self.rate_hz if self._nominal[k] else since_s / float(self._step_s(np.array(k)))

    def _not_over_a_gap(self, k: int, n_samples: int) -> int:
        sample = int(self._samples[k]) + n_samples
        return min(sample, int(self._samples[k + 1])) if k + 1 < len(self._samples) else sample

    def _step_s(self, k: Ints) -> Floats:
        """Return the sample period behind known instants; of the last one it is not used."""
        after = np.minimum(k + 1, len(self._samples) - 1)
        n = np.maximum(self._samples[after] - self._samples[k], 1)
        return np.asarray((self._times[after] - self._times[k]) / n)


Anchors = tuple[Ints, Floats, NDArray[np.bool_]]


def _with_gaps(samples: Ints, times_s: Floats, rate_hz: float, gaps_s: list[tuple[float, float]]) -> Anchors:
    """Add to the known instants the first sample after each gap; the flag says that a gap lies before the anchor."""
    if not gaps_s:
        return samples, times_s, np.zeros(len(samples), np.bool_)
    anchors: list[Anchors] = [(samples[:1], times_s[:1], np.zeros(1, np.bool_))]
    done = 1
    for start_s, stop_s in gaps_s:
        until = max(done, int(np.searchsorted(times_s, start_s, side="right")))
        if until > done:
            anchors.append((samples[done:until], times_s[done:until], np.zeros(until - done, np.bool_)))
        sample, time_s = anchors[-1][0][-1], anchors[-1][1][-1]
        after = sample + round((start_s - time_s) * rate_hz) + 1
        anchors.append((np.array([after]), np.array([stop_s]), np.ones(1, np.bool_)))
        done = until + int(until < len(samples) and samples[until] <= after)
    anchors.append((samples[done:], times_s[done:], np.zeros(len(samples) - done, np.bool_)))
    columns = (np.concatenate([anchor[i] for anchor in anchors]) for i in range(3))
    return tuple(columns)  # type: ignore[return-value]


def clock_of_chunks(recording: Recording, chunks: list[Chunk]) -> Clock:
    """Return the clock of successive chunks: their own instants where the recording has a time column."""
    times = [chunk.time_s for chunk in chunks if chunk.time_s is not None]
    if not times:
        return Clock(recording.rate_hz)
    time_s = np.concatenate(times)
    return Clock(recording.rate_hz, chunks[0].start + np.arange(time_s.size), time_s)


def samples_between(recording: Recording, start_s: float, stop_s: float) -> tuple[int, int]:
    """Return the range of samples in ``[start_s, stop_s)``, within the recording.

    Raises
    ------
    RecordingError
        As `first_sample_at`.
    """
    start, stop = (first_sample_at(recording, time_s) for time_s in (start_s, stop_s))
    return start, max(start, stop)


def first_sample_at(recording: Recording, time_s: float, *, deepest: int | None = None) -> int:
    """Return the first sample of a recording that is not before an instant; at its end the number of samples.

    Parameters
    ----------
    time_s : float
        Seconds since the first sample, by the time column where there is one. Only its beginnings of row groups, and
        the one row group up to the instant, are then read.
    deepest : int, optional
        Samples that are read of that row group at most; an instant deeper in it is answered with the last of them.

    Raises
    ------
    RecordingError
        As `miner.recording.chunks.iter_chunks`.
    """
    if not recording.has_time:
        return min(max(Clock(recording.rate_hz).to_samples(time_s), 0), recording.n_samples)
    if time_s <= 0.0:
        return 0
    starts, group_s = _groups(recording)
    group = bisect_right(range(len(starts)), time_s, key=group_s) - 1
    first = starts[group]
    close_s = _ON_THE_SAMPLE / recording.rate_hz
    if time_s - group_s(group) <= close_s:
        return first
    stop = starts[group + 1] if group + 1 < len(starts) else recording.n_samples
    stop = stop if deepest is None else min(stop, first + deepest)
    for chunk in iter_chunks(recording, [], start=first + 1, stop=stop):  # what lies before would be decoded as well
        assert chunk.time_s is not None
        if chunk.time_s[-1] >= time_s - close_s:
            return max(clock_of_chunks(recording, [chunk]).to_samples(time_s), chunk.start)
    return stop


def _groups(recording: Recording) -> tuple[list[int], Callable[[int], float]]:
    """Return where each row group with rows starts, and a function that reads its first instant."""
    places = [
        (part, group)
        for part in recording.parts
        for group, start in enumerate(part.group_starts)
        if start < part.group_stop(group)
    ]

    @cache
    def first_s(number: int) -> float:
        return float(first_rows(places[number], TIME_COLUMN, 1)[0]) - recording.first_time_s

    return [part.group_starts[group] for part, group in places], first_s
