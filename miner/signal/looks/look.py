"""What one look of some seconds shows of a lead: state levels, whole runs, noise, and whether that is a signal at all.

A signal stays on two levels and changes between them at once. Noise of the converter, hum and drift do not: their two
most frequent values lie together, or most samples lie between or beyond them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from miner.recording.reader import ChannelInfo
from miner.signal.looks.levels import noise_sigma, state_levels

__all__ = ["Look", "look_at"]

Floats = NDArray[np.float64]

_LEAST_AMPLITUDE_V = 0.02
"""Two levels closer than this are one level (own choice: half a percent of a logic level)."""

_LEAST_SEPARATION_SIGMA = 8.0
"""Two levels closer than this many sigma of the noise are one level (own choice: 4 sigma on either side)."""

_LEAST_STEPS, _LOGIC_STEP_V = 3.0, 0.5
"""Nor are they two if fewer of the converter's steps apart, for noise toggles one or two; unless the steps are that
high: then they are no converter's but those of a logic recorder, which knows two values (own choices)."""

_STEPS_FROM = 1 << 17
"""Samples the converter's step is taken from."""

_AT_ONCE = 1 << 13
"""Samples freed of spikes in one go: so few stay in the fast cache."""

_NEAR, _LEAST_NEAR = 0.25, 0.8
"""Least share of the samples within this share of the amplitude of a level. A sine has 67 % there, whatever its
amplitude; ignition pulses, edges and ringing included, over 95 %."""

_BLOCK_S, _LIVELY, _MOST_BLOCKS = 0.1, 0.5, 40
"""Levels are taken in blocks of this length, in which drift is little, that reach over this share of what the look
reaches over; of no more than so many, evenly spread."""


@dataclass(frozen=True, kw_only=True)
class Look:
    """One look at one lead.

    Attributes
    ----------
    n_samples : int
        Valid samples in it.
    middle_v, low_v, high_v, noise_v : float
        Median, state levels and noise in volts; NaN without samples.
    step_v : float
        Least step between stored values; 0 where it is as high as a signal.
    edge : float
        Mean length of an edge, in thinned samples.
    low_runs, high_runs : ndarray of int64
        Durations, in thinned samples, of the whole runs on either level.
    low_share : float
        Share of the samples that are nearer to the lower level.
    low_cut, high_cut : float
        Stored value either state is cut off at by the recorder; NaN where it is not.
    is_signal : bool
        Whether the two levels are those of a signal.
    """

    n_samples: int
    middle_v: float
    low_v: float
    high_v: float
    noise_v: float
    step_v: float
    edge: float
    low_runs: NDArray[np.int64]
    high_runs: NDArray[np.int64]
    low_share: float
    low_cut: float
    high_cut: float
    is_signal: bool

    @property
    def amplitude_v(self) -> float:
        """Distance between the levels."""
        return self.high_v - self.low_v

    @property
    def n_pulses(self) -> int:
        """Whole pulses with whole pauses."""
        return min(self.low_runs.size, self.high_runs.size)


_NO_RUNS = np.empty(0, np.int64)  # of a look without states


def look_at(raw: Floats, channel: ChannelInfo, rate_hz: float) -> Look:
    """Look at thinned stored values of one lead.

    Parameters
    ----------
    raw : ndarray of shape (n,)
        Every so-many-th stored value; NaN where missing.
    channel : ChannelInfo
        Gives volts and the kind of number stored.
    rate_hz : float
        Thinned samples a second.
    """
    raw = raw[np.isfinite(raw)]
    if raw.size == 0:
        return Look(
            n_samples=0, middle_v=np.nan, low_v=np.nan, high_v=np.nan, noise_v=np.nan, step_v=0.0, edge=0.0,
            low_runs=_NO_RUNS, high_runs=_NO_RUNS, low_share=np.nan, low_cut=np.nan, high_cut=np.nan, is_signal=False,
        )  # fmt: skip
    volts = raw * channel.scale + channel.offset
    calm = _despiked(volts)
    noise_v = noise_sigma(volts)
    share_near, low_v, high_v = _levels_in_blocks(calm, max(1, round(_BLOCK_S * rate_hz)))
    low_runs, high_runs, edge = _whole_runs(calm, low_v, high_v)
    step_v = _step(raw, abs(channel.scale))
    is_signal = (
        share_near >= _LEAST_NEAR
        and low_runs.size + high_runs.size > 0
        and _are_two_levels(high_v - low_v, noise_v, step_v)
    )
    low_cut, high_cut = _cuts(raw, volts, low_v, high_v, channel) if is_signal else (np.nan, np.nan)
    return Look(
        n_samples=raw.size, middle_v=float(np.median(calm[::16])), low_v=low_v, high_v=high_v, noise_v=noise_v,
        step_v=step_v, edge=edge,
        low_runs=low_runs, high_runs=high_runs, low_share=float(np.mean(calm < (low_v + high_v) / 2)),
        low_cut=low_cut, high_cut=high_cut, is_signal=is_signal,
    )  # fmt: skip


def _despiked(x: Floats) -> Floats:
    """Return the running median of five samples: aliased spikes are single ones and do not set the range."""
    if x.size < 5:
        return x
    return np.concatenate([_middle_of_five(x[i : i + _AT_ONCE + 4]) for i in range(0, x.size - 4, _AT_ONCE)])


def _middle_of_five(x: Floats) -> Floats:
    """Return the median of five neighbours: the middle one of three.

    These are the larger of the smaller ones of two pairs, the smaller of their larger ones, and the fifth.
    """
    a, b, c, d, e = (x[i : x.size - 4 + i] for i in range(5))
    below = np.maximum(np.minimum(a, b), np.minimum(c, d))
    above = np.minimum(np.maximum(a, b), np.maximum(c, d))
    return np.asarray(np.maximum(np.minimum(below, above), np.minimum(np.maximum(below, above), e)), np.float64)


def _step(raw: Floats, scale: float) -> float:
    """Return the least step between stored values in volts; 0 for a logic recorder's, which is the signal itself."""
    steps = np.diff(np.unique(raw[:_STEPS_FROM])) * scale
    step_v = float(steps.min()) if steps.size else 0.0
    return 0.0 if step_v >= _LOGIC_STEP_V else step_v


def _are_two_levels(amplitude_v: float, noise_v: float, step_v: float) -> bool:
    """Whether two levels so far apart are two."""
    return amplitude_v >= max(_LEAST_AMPLITUDE_V, _LEAST_SEPARATION_SIGMA * noise_v, _LEAST_STEPS * step_v)


def _levels_in_blocks(x: Floats, n_block: int) -> tuple[float, float, float]:
    """Return (share of samples near a level, median lower level, median upper level) over the blocks with a change."""
    blocks = [x[i : i + n_block] for i in range(0, x.size, n_block)]
    reach = np.array([np.ptp(block) for block in blocks])
    lively = [blocks[i] for i in np.flatnonzero(reach >= _LIVELY * np.ptp(x))]
    if not lively:  # drift alone: no block reaches far
        return 0.0, float(x.min()), float(x.max())
    lively = lively[:: -(-len(lively) // _MOST_BLOCKS)]
    levels = np.array([state_levels(block) for block in lively])
    near = [_share_near(block, low, high) for block, (low, high) in zip(lively, levels, strict=True)]
    low, high = np.median(levels, axis=0)
    return float(np.mean(near)), float(low), float(high)


def _share_near(x: Floats, low: float, high: float) -> float:
    off = np.minimum(np.abs(x - low), np.abs(x - high))
    return float(np.mean(off < _NEAR * (high - low)))


def _whole_runs(x: Floats, low: float, high: float) -> tuple[NDArray[np.int64], NDArray[np.int64], float]:
    """Whole runs below 40 % and above 60 % of the distance between the levels; the band between keeps the state.

    Also returns the mean length of an edge, five times that of its way through the band.
    """
    side = np.where(x > low + 0.6 * (high - low), 1, np.where(x < low + 0.4 * (high - low), -1, 0))
    decided = np.flatnonzero(side)
    turned = np.flatnonzero(np.diff(side[decided]))
    if turned.size == 0:
        return _NO_RUNS, _NO_RUNS, 0.0
    turns = decided[turned + 1]
    lengths, states = np.diff(turns), side[turns[:-1]]
    return lengths[states < 0], lengths[states > 0], 5.0 * float(np.mean(turns - decided[turned] - 1))


def _cuts(raw: Floats, volts: Floats, low_v: float, high_v: float, channel: ChannelInfo) -> tuple[float, float]:
    """Return the stored values at which the lower and the upper state are cut off, or NaN.

    A state that never leaves the most extreme value while the other one is noisy is cut off by the recorder; near zero
    volts it is a good ground.
    """
    if channel.dtype.startswith("float"):
        return np.nan, np.nan
    near_v = (high_v - low_v) / 4
    low, high = raw[np.abs(volts - low_v) < near_v], raw[np.abs(volts - high_v) < near_v]
    ends = (raw.min(), raw.max()) if channel.scale > 0 else (raw.max(), raw.min())
    grounded_v = 0.1 * (high_v - low_v)
    return (
        _cut(low, high, ends[0]) if abs(low_v) > grounded_v else np.nan,
        _cut(high, low, ends[1]) if abs(high_v) > grounded_v else np.nan,
    )


def _cut(state: Floats, other: Floats, end: Any) -> float:
    flat = state.size and other.size and np.mean(state == end) > 0.8 and noise_sigma(other) >= 0.5
    return float(end) if flat else np.nan
