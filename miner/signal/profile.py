"""A first look at a recording: polarity, state levels and noise of every lead with pulses.

Reads from the start until every such lead has shown enough pulses. The look is thinned to about 50,000 samples a second
and freed of single outlying samples (a running median of five), so that aliased spikes do not set the range.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.errors import SignalError
from miner.recording.chunks import Chunk, iter_chunks
from miner.recording.reader import ChannelInfo, Recording
from miner.signal.leads import LeadProfile, LeadSpec
from miner.signal.levels import noise_sigma, state_levels

__all__ = ["profile_leads"]

_LOOK_HZ = 50_000.0
"""Thinned rate of the look: ignition pulses last hundreds of microseconds."""

_FIRST_LOOK_S, _LOOK_GROWTH = 8.0, 2.0
"""The look is judged after 8, 16, 32 ... seconds: fixed instants, so that it does not depend on chunks."""

_ENOUGH_PULSES = 60
_LEAST_PULSES = 2
_LEAST_AMPLITUDE_V = 0.02
_LEAST_SEPARATION_SIGMA = 8.0
"""Two levels closer than this many sigma of the noise are one level."""

_LEAST_SAMPLES_PER_PULSE = 4.0
_RUN_SPREAD_FLOOR = 0.02


@dataclass(frozen=True, kw_only=True)
class _Runs:
    """Durations, in thinned samples, of whole runs in the two states."""

    low: NDArray[np.int64]
    high: NDArray[np.int64]

    @property
    def n_pulses(self) -> int:
        return min(self.low.size, self.high.size)


def profile_leads(recording: Recording, leads: Sequence[LeadSpec]) -> dict[int, LeadProfile]:
    """Look at every command and feedback lead; return profiles by lead index.

    Raises
    ------
    SignalError
        If a lead stays on one level, shows no pulses, or is sampled too slowly; names column and remedy.
    RecordingError
        As `miner.recording.chunks.iter_chunks`.
    """
    wanted = [lead for lead in leads if lead.has_pulses]
    if not wanted:
        return {}
    look: dict[str, NDArray[np.float64]] = {}
    for look in _growing_looks(recording, [lead.column for lead in wanted]):
        found = [_count_pulses(look[lead.column], recording.channels[lead.column]) for lead in wanted]
        if min(found) >= _ENOUGH_PULSES:
            break
    stride = _stride(recording)
    return {lead.index: _profile(lead, look[lead.column], recording, stride) for lead in wanted}


def _stride(recording: Recording) -> int:
    return max(1, int(recording.rate_hz / _LOOK_HZ))


def _growing_looks(recording: Recording, columns: list[str]) -> Iterator[dict[str, NDArray[np.float64]]]:
    """Yield thinned raw samples from the start up to 8, 16, 32 ... seconds, at last the whole recording."""
    stride = _stride(recording)
    kept: dict[str, list[NDArray[np.float64]]] = {column: [] for column in columns}
    until = round(_FIRST_LOOK_S * recording.rate_hz)
    for chunk in iter_chunks(recording, columns):
        for column in columns:
            kept[column].append(_thinned(chunk, column, stride))
        if chunk.stop >= until or chunk.stop == recording.n_samples:
            n_kept = -(-min(until, recording.n_samples) // stride)
            yield {column: _joined(pieces)[:n_kept] for column, pieces in kept.items()}
            while until <= chunk.stop:
                until = round(until * _LOOK_GROWTH)


def _joined(pieces: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    pieces[:] = [np.concatenate(pieces)]
    return pieces[0]


def _thinned(chunk: Chunk, column: str, stride: int) -> NDArray[np.float64]:
    """Every ``stride``-th sample of the absolute grid; NaN where missing."""
    first = -chunk.start % stride
    values = chunk.raw[column][first::stride].astype(np.float64)
    at = np.arange(chunk.start + first, chunk.stop, stride)
    for start, stop in chunk.missing[column]:
        values[np.searchsorted(at, start) : np.searchsorted(at, stop)] = np.nan
    return values


def _despiked(look: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the running median of five samples, missing ones left out."""
    x = look[np.isfinite(look)]
    if x.size < 5:
        return x
    windows = np.lib.stride_tricks.sliding_window_view(x, 5)
    pieces = [np.median(windows[i : i + 65536], axis=1) for i in range(0, windows.shape[0], 65536)]
    return np.concatenate(pieces)


def _volts(look: NDArray[np.float64], channel: ChannelInfo) -> NDArray[np.float64]:
    return look * channel.scale + channel.offset


def _runs_of(x: NDArray[np.float64], low: float, high: float) -> _Runs:
    """Whole runs below 40 % and above 60 % of the distance between the levels; the band between keeps the state."""
    side = np.where(x > low + 0.6 * (high - low), 1, np.where(x < low + 0.4 * (high - low), -1, 0))
    decided = np.flatnonzero(side)
    if decided.size == 0:
        return _Runs(low=np.empty(0, np.int64), high=np.empty(0, np.int64))
    turns = decided[np.flatnonzero(np.diff(side[decided])) + 1]
    lengths, states = np.diff(turns), side[turns[:-1]]
    return _Runs(low=lengths[states < 0], high=lengths[states > 0])


def _count_pulses(look: NDArray[np.float64], channel: ChannelInfo) -> int:
    volts = _despiked(_volts(look, channel))
    if volts.size == 0:
        return 0
    return _runs_of(volts, *state_levels(volts)).n_pulses


def _profile(lead: LeadSpec, look: NDArray[np.float64], recording: Recording, stride: int) -> LeadProfile:
    channel = recording.channels[lead.column]
    volts = _despiked(_volts(look, channel))
    if volts.size == 0:
        raise _refusal(recording, lead, "the lead has no valid sample", "check the recording or leave the lead out")
    low_v, high_v = state_levels(volts)
    noise_v = noise_sigma(_volts(look[np.isfinite(look)], channel))
    if high_v - low_v < max(_LEAST_AMPLITUDE_V, _LEAST_SEPARATION_SIGMA * noise_v):
        level_v = float(np.median(volts))
        side = "always high" if level_v > 1.0 else "always low"
        raise _refusal(
            recording, lead, f"no pulses: the lead is {side} (about {level_v:.3g} {channel.unit})",
            "check the clip, the column and its role, or leave the lead out of the setup",
        )  # fmt: skip
    runs = _runs_of(volts, low_v, high_v)
    if runs.n_pulses < _LEAST_PULSES:
        raise _refusal(
            recording, lead, f"no pulses: the lead changes its level {runs.n_pulses} times in the whole recording",
            "check that the engine ran, the clip, and the column",
        )  # fmt: skip
    active = lead.active or _polarity(runs)
    pulse_samples = float(np.median(runs.high if active == "high" else runs.low)) * stride
    if pulse_samples < _LEAST_SAMPLES_PER_PULSE:
        raise _refusal(
            recording, lead, f"the rate of {recording.rate_hz:g} samples a second is too low: a pulse is "
            f"{pulse_samples:.0f} samples long", "record at 100,000 samples a second or more",
        )  # fmt: skip
    off_v, on_v = (low_v, high_v) if active == "high" else (high_v, low_v)
    return LeadProfile(
        index=lead.index, column=lead.column, active=active, off_v=off_v, on_v=on_v, noise_v=noise_v,
        pulse_us=pulse_samples / recording.rate_hz * 1e6, n_pulses=runs.n_pulses,
        clip_count=_clip_count(look, channel, active, off_v, on_v),
    )  # fmt: skip


def _polarity(runs: _Runs) -> str:
    """Tell the on-state from the off-state: it is the shorter one, and the less variable one.

    Off-time follows engine speed, on-time hardly does. Both are medians or quartiles over runs, so one long stop, or
    one pulse of a second at key-on, decides nothing.
    """
    length = np.log(np.median(runs.high) / np.median(runs.low))
    spread = np.log(_spread(runs.high) / _spread(runs.low))
    return "high" if length + spread < 0 else "low"


def _spread(lengths: NDArray[np.int64]) -> float:
    """Interquartile range of the logarithm of run lengths, with a floor for equal runs."""
    lower, upper = np.quantile(np.log(lengths), [0.25, 0.75])
    return float(upper - lower) + _RUN_SPREAD_FLOOR


def _clip_count(look: NDArray[np.float64], channel: ChannelInfo, active: str, off_v: float, on_v: float) -> float:
    """Return the stored value the on-state is cut off at, or NaN.

    An on-state that never leaves the most extreme value while the off-state is noisy is cut off by the recorder; near
    zero volts it is a good ground.
    """
    known = look[np.isfinite(look)]
    volts = _volts(known, channel)
    half_v = (on_v - off_v) / 2
    on = known[np.abs(volts - on_v) < abs(half_v) / 2]
    off = known[np.abs(volts - off_v) < abs(half_v) / 2]
    rising = (active == "high") == (channel.scale > 0)
    extreme = float(known.max() if rising else known.min())
    if channel.dtype.startswith("float") or on.size == 0 or off.size == 0:
        return np.nan
    flat_top = np.mean(on == extreme) > 0.8 and noise_sigma(off) >= 0.5
    return extreme if flat_top and abs(on_v) > 0.1 * abs(on_v - off_v) else np.nan


def _refusal(recording: Recording, lead: LeadSpec, problem: str, remedy: str) -> SignalError:
    return SignalError(problem, remedy=remedy, file=recording.path, column=lead.column)
