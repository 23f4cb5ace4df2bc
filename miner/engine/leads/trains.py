"""Pulses of one lead as a train, and how two trains go together: rates, delays, places in the cycle.

What a coil does takes a time of its own; what a wheel shows takes an angle. So the length of a coil's pulse hardly
follows the engine's speed, and its answer comes after a constant time, while teeth and other cylinders keep a constant
share of the period.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.signal.looks.unknown_leads import LeadLook, Pulses

__all__ = ["Follow", "Train", "counts_between", "follow", "phase_of", "spread", "train_of"]

Floats = NDArray[np.float64]

_REPEAT_SHARE = 0.2
"""Pulses closer than this share of the usual long intervals are repeated sparks: no engine fires less evenly than
1:3."""

_NEIGHBOURS = 16
"""Intervals around each from which its usual long one is taken (own choice)."""
_LONGEST_INTERVAL_S = 1.2
"""Slower than 100 turns a minute the engine stands."""

_LEAST_PULSES = 12
"""Fewer tell neither rate nor polarity: three cycles of four cylinders (own choice)."""


@dataclass(frozen=True, kw_only=True)
class Train:
    """Pulses of one lead, repeated sparks left out.

    Attributes
    ----------
    active : str
        ``"high"`` or ``"low"``: the state that is the pulse.
    start_s, stop_s : ndarray of shape (n,)
    stretch : ndarray of shape (n,)
    period_s : ndarray of shape (n,)
        To the next pulse; NaN before a pause or the end of a stretch.
    """

    column: str
    active: str
    start_s: Floats
    stop_s: Floats
    stretch: NDArray[np.int64]
    period_s: Floats

    @property
    def size(self) -> int:
        """Number of pulses."""
        return int(self.start_s.size)

    @property
    def width_s(self) -> Floats:
        """Durations."""
        return self.stop_s - self.start_s

    @property
    def rate_hz(self) -> float:
        """Usual pulses in a second while the engine turns."""
        known = self.period_s[np.isfinite(self.period_s)]
        return float(1.0 / np.median(known)) if known.size else 0.0

    def slow_rate_hz(self) -> float:
        """Pulses in a second at the slow end, where an engine idles: cranking takes less than a twentieth of it."""
        known = self.period_s[np.isfinite(self.period_s)]
        if not known.size:
            return 0.0
        order = np.argsort(known)[::-1]
        lasted = np.cumsum(known[order])
        return float(1.0 / known[order][np.searchsorted(lasted, 0.05 * lasted[-1])])

    def width_follows_period(self) -> float | None:
        """Return how the length of a pulse goes with the period: 0 a time of its own, 1 a constant angle.

        The slope of the logarithms over blocks of pulses; None where the speed hardly changes.
        """
        return _slope(self.period_s, self.width_s)


def _slope(period_s: Floats, value_s: Floats) -> float | None:
    """Return the slope of log value over log period, from blocks of pulses; None where the period hardly changes."""
    known = np.isfinite(period_s) & np.isfinite(value_s) & (value_s > 0)
    x, y = np.log(period_s[known]), np.log(value_s[known])
    block = min(max(x.size // _BLOCKS, 1), _BLOCK)
    n = x.size // block
    if n < _LEAST_BLOCKS:
        return None
    x, y = (np.median(v[: n * block].reshape(n, block), axis=1) for v in (x, y))
    if n > _MOST_BLOCKS:
        some = np.linspace(0, n - 1, _MOST_BLOCKS).astype(int)
        x, y = x[some], y[some]
    if np.ptp(x) < _LEAST_CHANGE:
        return None
    runs = x[:, None] - x[None, :]
    far = np.abs(runs) > _LEAST_CHANGE / 2
    return float(np.median((y[:, None] - y[None, :])[far] / runs[far]))


_BLOCK, _BLOCKS, _LEAST_BLOCKS, _LEAST_CHANGE = 7, 8, 6, 0.18
"""Pulses of a block, or fewer so that there are as many blocks as the second; least blocks; change of the period (20 %)
from which on a slope is worth anything."""

_MOST_BLOCKS = 1000
"""Blocks of which every pair counts, spread evenly over all: what noise on a ground shows as pulses are hundreds of
thousands, and all their pairs fit no memory."""


def spread(values: Floats) -> float:
    """Return half the distance of the 10th and the 90th percentile: some missing or odd events do not matter."""
    low, high = np.quantile(values, [0.1, 0.9]) if values.size else (0.0, np.inf)
    return float(high - low) / 2


def train_of(look: LeadLook) -> Train | None:
    """Return the train of a lead that switches, None where there are too few pulses."""
    if min(look.high_states.size, look.low_states.size) < _LEAST_PULSES:
        return None
    active = _polarity(look.high_states, look.low_states)
    pulses = look.high_states if active == "high" else look.low_states
    kept = _without_repeats(pulses)
    start, stop, stretch = pulses.start_s[kept], pulses.stop_s[kept], pulses.stretch[kept]
    period = np.append(np.diff(start), np.nan)
    same = np.append(stretch[1:] == stretch[:-1], False)
    period[~same | (period > _LONGEST_INTERVAL_S)] = np.nan
    if np.isfinite(period).sum() < _LEAST_PULSES // 2:
        return None
    return Train(column=look.column, active=active, start_s=start, stop_s=stop, stretch=stretch, period_s=period)


def _polarity(high: Pulses, low: Pulses) -> str:
    """Return the state that is shorter and varies less; as `miner.signal.looks.profile` decides."""
    up, down = np.log(high.stop_s - high.start_s), np.log(low.stop_s - low.start_s)
    length = float(np.median(up) - np.median(down))
    wide = [float(np.subtract(*np.quantile(x, [0.75, 0.25]))) + 0.02 for x in (up, down)]
    return "high" if length + np.log(wide[0] / wide[1]) < 0 else "low"


def _without_repeats(pulses: Pulses) -> NDArray[np.int64]:
    """Return the pulses that are no repeated sparks of the one before."""
    start = pulses.start_s
    steps = np.diff(start, prepend=-np.inf)
    steps[np.append(True, np.diff(pulses.stretch) != 0)] = np.inf
    capped = np.minimum(steps, _LONGEST_INTERVAL_S)
    padded = np.pad(
        capped, (_NEIGHBOURS // 2, _NEIGHBOURS // 2), mode="reflect" if start.size > _NEIGHBOURS else "edge"
    )
    windows = np.lib.stride_tricks.sliding_window_view(padded, _NEIGHBOURS + 1)
    usual = np.quantile(windows, 0.9, axis=1)
    kept, last = [], -np.inf
    for i, at in enumerate(start):
        if not np.isfinite(steps[i]) or at - last >= _REPEAT_SHARE * usual[i]:
            kept.append(i)
            last = at
    return np.array(kept, np.int64)


def counts_between(base: Train, other: Train) -> tuple[int, float]:
    """Return the usual number of pulses of ``other`` in a period of ``base``, and the share of periods with it."""
    known = np.flatnonzero(np.isfinite(base.period_s))
    usual = np.median(base.period_s[known]) if known.size else 0.0
    local = base.period_s[known]
    smooth = np.array([np.median(local[max(i - 4, 0) : i + 5]) for i in range(local.size)]) if local.size else local
    known = known[(local < 1.4 * smooth) & (local > 0.6 * smooth)] if usual else known
    first = np.searchsorted(other.start_s, base.start_s[known])
    last = np.searchsorted(other.start_s, base.start_s[known] + base.period_s[known])
    counts = last - first
    if not counts.size:
        return 0, 0.0
    values, n = np.unique(counts, return_counts=True)
    return int(values[np.argmax(n)]), float(n.max() / counts.size)


@dataclass(frozen=True, kw_only=True)
class Follow:
    """How one train follows another: the delay from start to start, its spread, and the share of pulses followed.

    ``slope`` is that of log delay over log period: 0 for a time, 1 for an angle, None where the speed hardly changes.
    """

    delay_s: float
    spread_s: float
    share: float
    slope: float | None = None

    @property
    def is_answer(self) -> bool:
        """Whether the delay is a coil's: short, constant, no constant angle, and hardly ever missing."""
        short = self.delay_s < _LONGEST_DELAY_S and self.share > 0.7
        by_angle = self.slope is not None and self.slope > _MOST_SLOPE
        return short and not by_angle and self.spread_s < max(0.12 * self.delay_s, 60e-6)

    @property
    def is_sure(self) -> bool:
        """Whether the speed changed enough to tell an answer from another cylinder that fires soon after."""
        return self.slope is not None or self.delay_s < _SOONEST_DELAY_S


_MOST_SLOPE = 0.5
"""Half way between a time and an angle (own choice)."""
_SOONEST_DELAY_S = 1.2e-3
"""Two cylinders that fire a quarter of a turn apart follow each other no sooner than in 2 ms, at 7,500 turns a minute;
sooner still are the few engines whose pairs fire almost together."""

_LONGEST_DELAY_S = 6e-3
"""An answer comes before the coil has discharged: dwell and burn time are some milliseconds each."""


_IN_PERIOD = 0.8
"""Later than this share of the period it is the next cycle's, for this one's is missing (own choice)."""


def follow(base: Train, other: Train) -> Follow:
    """Return how the pulses of ``other`` follow those of ``base``."""
    at = np.searchsorted(other.start_s, base.start_s - 20e-6)
    there = at < other.size
    delay = np.full(base.size, np.inf)
    delay[there] = other.start_s[at[there]] - base.start_s[there]
    near = delay[delay < _LONGEST_DELAY_S]
    if near.size < 5:
        return Follow(delay_s=np.inf, spread_s=np.inf, share=0.0)
    # `other` may begin later or pause: only what lies within its own stretch of time counts
    within = (base.start_s >= other.start_s[0] - 1.0) & (base.start_s <= other.start_s[-1] + 1.0)
    return Follow(
        delay_s=float(np.median(near)), spread_s=spread(near), share=near.size / max(int(within.sum()), near.size),
        slope=_slope(base.period_s, np.where(delay < _IN_PERIOD * base.period_s, delay, np.nan)),
    )  # fmt: skip


def phase_of(base: Train, other: Train) -> tuple[float, float]:
    """Return the place of ``other`` in the period of ``base``, 0 to 1, and its spread."""
    known = np.flatnonzero(np.isfinite(base.period_s))
    at = np.searchsorted(other.start_s, base.start_s[known])
    there = at < other.size
    phase = (other.start_s[at[there]] - base.start_s[known][there]) / base.period_s[known][there]
    phase = phase[phase < 1.0]
    if phase.size < 5:
        return np.nan, np.inf
    turns = np.exp(2j * np.pi * phase)
    middle = np.angle(np.median(turns.real) + 1j * np.median(turns.imag)) / (2 * np.pi) % 1.0
    off = (phase - middle + 0.5) % 1.0 - 0.5
    return float(middle + np.median(off)) % 1.0, spread(off)
