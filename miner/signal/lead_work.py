"""One lead of one section: its samples, its state, and what its kernel found."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from miner.recording.ranges import clipped
from miner.recording.reader import Recording
from miner.signal.blocks import BLOCK, mean_and_max, survey
from miner.signal.buffers import GapList, SampleBuffer, widened
from miner.signal.charge import charges
from miner.signal.detect import (
    LOST,
    MODE,
    N_DROPOUTS,
    N_LOST,
    N_PENDING,
    N_PULSES,
    N_SPIKES,
    RISING,
    START,
    advance,
    new_state,
)
from miner.signal.extraction import Envelope, LeadQuality, Track
from miner.signal.leads import LeadProfile, LeadSpec
from miner.signal.measure import CLIPPED, FIELDS, Limits
from miner.signal.sections import ENVELOPE_SAMPLES, MAX_PULSE_S, Section, window_samples

__all__ = ["LeadWork", "PulseWork", "SurveyWork"]

Floats = NDArray[np.float64]

_SPIKE_S, _SPIKE_SAMPLES = 25e-6, 2.5
"""Runs above the threshold that are shorter are spikes: a coil of millihenries charges for hundreds of microseconds."""

_DROPOUT_S, _DROPOUT_SAMPLES = 60e-6, 2.5
"""Runs below it that are shorter do not end a pulse: ringing, bounce, interference from the neighbouring coils."""

_BEFORE_S, _BEFORE_SAMPLES = 400e-6, 24
"""Off-state looked at before each pulse."""

_AFTER_S, _AFTER_SAMPLES = 300e-6, 8
"""How long after the threshold a slow trailing edge may take to its 10 % level."""

_ZERO_S = 100e-6
"""Before a turn-on, in which a clamp on the coil's wire shows its zero."""

_NOISE_SIGMA, _STEPS = 3.0, 1.5
"""Of the noise, and of the converter's steps: a sample so far from its level still is noise (own choice; at 3 sigma
three in a thousand are drawn nearer, and a step and a half reaches the steps on either side)."""


def _at_least(seconds: float, samples: float, rate_hz: float) -> int:
    return math.ceil(max(seconds * rate_hz, samples))


def _neutral_extremes(dtype: np.dtype[Any]) -> NDArray[Any]:
    """Return (least, largest) of no samples: every sample replaces them."""
    if dtype.kind == "f":
        return np.array([np.inf, -np.inf], dtype)
    return np.array([np.iinfo(dtype).max, np.iinfo(dtype).min], dtype)


class LeadWork(ABC):
    """What every lead has: buffer, gaps and envelope."""

    def __init__(self, recording: Recording, section: Section, spec: LeadSpec) -> None:
        self.spec = spec
        self.channel = recording.channels[spec.column]
        self.section = section
        self.window = window_samples(recording.rate_hz)
        dtype = widened(np.dtype(self.channel.dtype))
        self.buffer = SampleBuffer(dtype, section.read_start)
        self.gaps, self.missing, self.breaks = GapList(), GapList(), GapList()
        self.neutral = _neutral_extremes(dtype)
        self._lows: list[NDArray[Any]] = []
        self._highs: list[NDArray[Any]] = []

    def take(self, values: NDArray[Any], missing: NDArray[np.int64], breaks: NDArray[np.int64]) -> None:
        """Take in the samples that follow, with the ranges in which they are missing."""
        first = self.buffer.stop
        self.buffer.append(values)
        if not (missing.size or breaks.size):
            return
        missing = clipped(missing, first, self.buffer.stop)
        none = np.empty(0, np.int64)
        self.gaps.append(missing, breaks)
        self.missing.append(missing, none)
        self.breaks.append(np.empty((0, 2), np.int64), breaks)

    def missing_in(self, first: int, last: int) -> NDArray[np.int64]:
        """Return the missing ranges clipped to ``[first, last)``."""
        return clipped(self.missing.ranges, first, last)

    def breaks_in(self, first: int, last: int) -> NDArray[np.int64]:
        """Return the time gaps at samples in ``[first, last)``."""
        at = self.breaks.ranges[:, 0]
        return at[(at >= first) & (at < last)]

    def lost_owned(self) -> NDArray[np.int64]:
        """Return ranges in which an on-state could not be measured; none on a lead without pulses."""
        return np.empty((0, 2), np.int64)

    @abstractmethod
    def advance(self, first: int, last: int, at_end: bool) -> None:
        """Work on the windows ``[first, last)``."""

    def drop_before(self, sample: int) -> None:
        """Forget what lies before an absolute sample."""
        self.buffer.drop_before(sample)
        for ranges in (self.gaps, self.missing, self.breaks):
            ranges.drop_before(sample)

    def _new_envelope(self, first: int, last: int) -> tuple[NDArray[Any], NDArray[Any]]:
        n = -(-(last - first) // ENVELOPE_SAMPLES)
        return np.full(n, self.neutral[0]), np.full(n, self.neutral[1])

    def _keep_envelope(self, first: int, low: NDArray[Any], high: NDArray[Any]) -> None:
        own = self._owned_slice(first, ENVELOPE_SAMPLES)
        self._lows.append(low[own])
        self._highs.append(high[own])

    def _owned_slice(self, first: int, step: int) -> slice:
        """Part of an array with one entry per ``step`` samples from ``first`` on that the section owns."""
        start, stop = self.section.start - first, self.section.stop - first
        return slice(max(start, 0) // step, max(-(-stop // step), 0))

    def envelope(self) -> Envelope:
        """Return the envelope of the section."""
        return Envelope(
            samples_per_point=ENVELOPE_SAMPLES,
            scale=self.channel.scale,
            offset=self.channel.offset,
            low=np.concatenate(self._lows),
            high=np.concatenate(self._highs),
        )


class SurveyWork(LeadWork):
    """A lead without pulses."""

    def __init__(self, recording: Recording, section: Section, spec: LeadSpec) -> None:
        super().__init__(recording, section, spec)
        self._tracks: list[Floats] = []

    def advance(self, first: int, last: int, at_end: bool) -> None:  # noqa: ARG002
        """Take envelope and track of the windows."""
        low, high = self._new_envelope(first, last)
        track = np.full((-(-(last - first) // self.window), 3), np.nan)
        survey(
            self.buffer.values, self.buffer.base, first, last, self.window, self.gaps.ranges,
            ENVELOPE_SAMPLES // BLOCK, self.neutral, low, high, track,
        )  # fmt: skip
        self._keep_envelope(first, low, high)
        self._tracks.append(track[self._owned_slice(first, self.window)])

    def over(self, starts: NDArray[np.int64], stops: NDArray[np.int64]) -> Floats:
        """Return (mean, largest value) in the lead's unit over each range; NaN where a gap touches it."""
        sign = math.copysign(1.0, self.channel.scale)
        out = mean_and_max(self.buffer.values, self.buffer.base, starts, stops, self.gaps.ranges, sign)
        return np.asarray(out * abs(self.channel.scale) + self.channel.offset, np.float64)

    def rise_over(self, starts: NDArray[np.int64], stops: NDArray[np.int64]) -> Floats:
        """Return the mean of the last tenth of each range less that of the first; NaN where a gap touches either."""
        tenth = np.maximum((stops - starts) // 10, 1)
        return self.over(stops - tenth, stops)[:, 0] - self.over(starts, starts + tenth)[:, 0]

    def charges_over(self, starts: NDArray[np.int64], stops: NDArray[np.int64], rate_hz: float) -> Floats:
        """Return how a coil charged in each range: A/ms, us, ratio, us and A; see `miner.signal.charge`."""
        sign = math.copysign(1.0, self.channel.scale)
        before = _at_least(_ZERO_S, 1, rate_hz)
        out = charges(self.buffer.values, self.buffer.base, starts, stops, self.gaps.ranges, sign, before)
        out *= np.array([abs(self.channel.scale) * rate_hz * 1e-3, 1e6 / rate_hz, 1.0, 1e6 / rate_hz])
        return np.column_stack([out, self.rise_over(starts, stops)])

    def track(self) -> Track:
        """Return least, mean and largest value of each window of the section."""
        values = np.concatenate(self._tracks) * self.channel.scale + self.channel.offset
        ends = values[:, [0, 2]]
        return Track(least=ends.min(axis=1), mean=values[:, 1], most=ends.max(axis=1))


class PulseWork(LeadWork):
    """A lead with pulses."""

    def __init__(self, recording: Recording, section: Section, spec: LeadSpec, profile: LeadProfile) -> None:
        super().__init__(recording, section, spec)
        self._noise_v = profile.noise_v
        scale, offset = self.channel.scale, self.channel.offset
        self._sign = math.copysign(1.0, scale) * (1.0 if profile.active == "high" else -1.0)
        off = self._sign * (profile.off_v - offset) / scale
        usual = abs((profile.on_v - profile.off_v) / scale)
        rate_hz = recording.rate_hz
        self._limits = Limits(
            sign=self._sign,
            min_on=_at_least(_SPIKE_S, _SPIKE_SAMPLES, rate_hz),
            min_off=_at_least(_DROPOUT_S, _DROPOUT_SAMPLES, rate_hz),
            max_on=math.ceil(MAX_PULSE_S * rate_hz),
            before=_at_least(_BEFORE_S, _BEFORE_SAMPLES, rate_hz),
            after=_at_least(_AFTER_S, _AFTER_SAMPLES, rate_hz),
            own_start=section.start,
            own_stop=section.stop,
            usual=usual,
            noise=profile.noise_v / abs(scale),
            reach=_NOISE_SIGMA * profile.noise_v / abs(scale) + _STEPS * profile.step_v / abs(scale),
            edge=profile.edge_us * 1e-6 * rate_hz,
            clip_count=self._sign * profile.clip_count,
        )
        self._ints, self._floats = new_state(section.read_start, off, usual)
        self._shortest = self._limits.min_on + self._limits.min_off
        self._pending = np.zeros((self._n_most(self.window + self._limits.after), 5), np.int64)
        self._pulse_room, self._lost_room = np.empty((0, len(FIELDS))), np.empty((0, 2), np.int64)
        self._pulses = np.empty((0, len(FIELDS)))
        self._lost = np.empty((0, 2), np.int64)
        self._levels: list[Floats] = []
        self._n_pulses = self._n_clipped = 0
        self.keep_from = section.read_start

    def _n_most(self, n_samples: int) -> int:
        """Most pulses that so many samples can hold, and some that were open before."""
        return n_samples // self._shortest + 64

    def _rooms(self, n_samples: int, n_windows: int) -> tuple[Floats, NDArray[np.int64]]:
        """Return arrays large enough for what the windows can yield; they are used again for the next windows."""
        n_pulses = self._n_most(n_samples + self._limits.after)
        n_lost = 2 * (self.gaps.ranges.shape[0] + n_windows) + 8
        if self._pulse_room.shape[0] < n_pulses:
            self._pulse_room = np.empty((n_pulses, len(FIELDS)))
        if self._lost_room.shape[0] < n_lost:
            self._lost_room = np.empty((n_lost, 2), np.int64)
        return self._pulse_room, self._lost_room

    def advance(self, first: int, last: int, at_end: bool) -> None:
        """Follow levels and pulses through the windows."""
        low, high = self._new_envelope(first, last)
        levels = np.empty((-(-(last - first) // self.window), 2))
        pulses, lost = self._rooms(last - first, levels.shape[0])
        self.keep_from = advance(
            self.buffer.values, self.buffer.base, first, last, at_end, self.window, self.gaps.ranges, self._limits,
            self._ints, self._floats, self._pending, pulses, lost, ENVELOPE_SAMPLES // BLOCK, self.neutral, low, high,
            levels,
        )  # fmt: skip
        self._keep_envelope(first, low, high)
        self._levels.append(levels[self._owned_slice(first, self.window)])
        self._pulses = self._own(pulses[: self._ints[N_PULSES]])
        self._lost = self._own(lost[: self._ints[N_LOST]])
        self._n_pulses += self._pulses.shape[0]
        self._n_clipped += int(np.count_nonzero(self._pulses[:, FIELDS.index("flags")].astype(np.int64) & CLIPPED))

    def _own(self, rows: NDArray[Any]) -> NDArray[Any]:
        """Rows whose first column, a start, lies in the section."""
        return rows[(rows[:, 0] >= self.section.start) & (rows[:, 0] < self.section.stop)]

    @property
    def is_open(self) -> bool:
        """Whether something that started in the section is not measured yet."""
        s, stop = self._ints, self.section.stop
        pending = s[N_PENDING] > 0 and self._pending[0, 0] < stop
        return bool(pending or (s[MODE] >= RISING and s[START] < stop) or 0 <= s[LOST] < stop)

    def lost_owned(self) -> NDArray[np.int64]:
        """Return ranges of the last windows in which an on-state could not be measured."""
        return self._lost

    def found(self) -> dict[str, Floats]:
        """Return the pulses of the last windows by field, levels in volts."""
        rows = dict(zip(FIELDS, self._pulses.T, strict=True))
        scale, offset = self.channel.scale, self.channel.offset
        rows["amplitude_v"] = rows["amplitude"] * abs(scale)
        rows["off_level_v"] = self._sign * rows["off_level"] * scale + offset
        rows["ripple_v"] = rows["ripple"] * abs(scale)
        rows["quiet_ripple_v"] = rows["quiet"] * abs(scale)
        return rows

    def quality(self) -> LeadQuality:
        """Return levels over time and counts of the section."""
        levels = np.concatenate(self._levels)
        scale, offset = self.channel.scale, self.channel.offset
        return LeadQuality(
            off_level_v=self._sign * levels[:, 0] * scale + offset,
            amplitude_v=levels[:, 1] * abs(scale),
            noise_v=self._noise_v,
            n_spikes=int(self._ints[N_SPIKES]),
            n_dropouts=int(self._ints[N_DROPOUTS]),
            n_pulses=self._n_pulses,
            n_clipped=self._n_clipped,
        )
