"""Kernels that measure one pulse from its raw samples on its own levels (IEEE Std 181-2011 terms).

Everything is in signed counts ``v = sign * raw`` so that the on-state is always above the off-state, and in absolute,
fractional sample indices. NaN is "could not be measured".
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from miner.signal.estimators import level_of, quiet_spread

__all__ = ["FIELDS", "Limits", "measure_pulse", "reference_instant"]


class Limits(NamedTuple):
    """Bounds of detection and measurement on one lead, in samples and signed counts."""

    sign: float
    min_on: int
    """Shorter runs above the threshold are spikes."""
    min_off: int
    """Shorter runs below it inside a pulse are dropouts, ringing or bounce."""
    max_on: int
    before: int
    """Off-state looked at before a pulse."""
    after: int
    """How far behind its end a pulse's trailing edge may reach."""
    own_start: int
    own_stop: int
    """Spikes and dropouts are counted within."""
    usual: float
    """Amplitude of the first look."""
    noise: float
    reach: float
    """How far from its level a sample counts in full."""
    edge: float
    """Samples from 0 to 100 % of a usual edge of this lead."""
    clip_count: float
    """Signed count the on-state is cut off at; NaN where it is not."""


FIELDS = ("start", "stop", "amplitude", "off_level", "rise", "fall", "rise_10", "fall_90", "ripple", "flags", "quiet")
"""Columns of a measured pulse: instants of the 50 % level, levels in signed counts, 10-90 % instants and the width
between them, standard deviation of the on-state, flags, and the same deviation without the spikes."""

NEAR_GAP, CUT_OFF, CLIPPED, SLOW = 1, 2, 4, 8
"""Flags, summed."""

_SWITCHED = 0.75
"""Share of the amplitude that only the line's own switching reaches: spikes of the neighbours come to 3 V of 5, and a
sample of a fast edge may lie anywhere on it (own choice)."""

_EDGES = 1.5
"""Of a usual edge, left out of the on-state at either end and of the off-state before it: of an exponential one all but
4 % (own choice). This pulse's own edge would make the stretches jump where something reaches its 10 or 90 %."""

_NEVER = -np.inf
"""Where a pulse ends, dropouts before it are as likely as bounce behind: all crossings are weighed."""

_SLOW_SAMPLES = 10.0
"""A pulse of fewer samples is measured to a few per cent only."""


@njit(cache=True, nogil=True)
def reference_instant(raw, base, sign, level, settled, lo, hi, rising):  # type: ignore[no-untyped-def]
    """Return (index of the first sample behind the transition, its interpolated instant) within ``[lo, hi)``.

    The transition is over with the first sample that comes to ``settled``: what falls back after that is ringing or
    bounce of a line that has switched. Of all crossings of ``level`` up to there it is the one that leaves fewest
    samples on the wrong side of it, the least squares step through the two-valued signal: a spike that falls back
    before it gets that far is outvoted, and so is noise on a slow edge; the earlier of equals wins. (-1, NaN) where
    there is none.
    """
    for i in range(lo + 1, hi):
        if (sign * raw[i - base] >= settled) == rising and (sign * raw[i - 1 - base] >= settled) != rising:
            hi = i + 1
            break
    n_behind_wrong = 0
    for i in range(lo + 1, hi):
        n_behind_wrong += (sign * raw[i - base] >= level) != rising
    best, cost = -1, hi - lo + 1
    n_before_wrong = 0
    for i in range(lo + 1, hi):
        before, here = sign * raw[i - 1 - base] >= level, sign * raw[i - base] >= level
        n_before_wrong += before == rising
        if here == rising and before != rising and n_before_wrong + n_behind_wrong < cost:
            best, cost = i, n_before_wrong + n_behind_wrong
        n_behind_wrong -= here != rising
    if best < 0:
        return -1, np.nan
    return best, _between(raw, base, sign, level, best - 1)


@njit(cache=True, nogil=True)
def _between(raw, base, sign, level, i):  # type: ignore[no-untyped-def]
    """Instant at which the straight line from sample ``i`` to ``i + 1`` reaches the level."""
    y0, y1 = sign * raw[i - base], sign * raw[i + 1 - base]
    return i + (level - y0) / (y1 - y0)


@njit(cache=True, nogil=True)
def _back_to(raw, base, sign, level, at, floor, below):  # type: ignore[no-untyped-def]
    """Go back from sample ``at`` to the first one below (or else at or above) the level; return the instant between."""
    for i in range(at - 1, floor - 1, -1):
        if (sign * raw[i - base] < level) == below:
            return _between(raw, base, sign, level, i)
    return np.nan


@njit(cache=True, nogil=True)
def _on_to(raw, base, sign, level, at, limit, below):  # type: ignore[no-untyped-def]
    """Go on from sample ``at`` to the first one below (or else at or above) the level; return the instant between."""
    for i in range(at, limit):
        if (sign * raw[i - base] < level) == below:
            return _between(raw, base, sign, level, i - 1)
    return np.nan


@njit(cache=True, nogil=True)
def _settled(raw, base, sign, half, high, at, limit):  # type: ignore[no-untyped-def]
    """Instant at which a leading edge, at or above the half level from sample ``at`` on, comes to ``high``.

    Where it bounces before it was seen there it had switched all the same: the straight line is drawn on.
    """
    for i in range(at, limit):
        value = sign * raw[i - base]
        if value >= high:
            return _between(raw, base, sign, high, i - 1)
        if value < half:
            return min(_between(raw, base, sign, high, at - 1), at + 1.0)
    return np.nan


@njit(cache=True, nogil=True)
def _before_held(raw, base, sign, half, switched, start, stop):  # type: ignore[no-untyped-def]
    """Last sample below half before the first of ``[start, stop)`` that has switched and is not alone above half.

    ``stop`` where there is none: spikes of some 0.1 us are seen as single samples.
    """
    for i in range(start + 1, stop):
        beside = max(sign * raw[i - 1 - base], sign * raw[i + 1 - base])
        if sign * raw[i - base] >= switched and beside >= half:
            while i > start and sign * raw[i - base] >= half:
                i -= 1
            return i
    return stop


@njit(cache=True, nogil=True)
def _first_at(raw, base, sign, level, start, stop, step):  # type: ignore[no-untyped-def]
    """First sample at or above the level, going from ``start`` towards ``stop``; ``start`` where there is none."""
    for i in range(start, stop, step):
        if sign * raw[i - base] >= level:
            return i
    return start


@njit(cache=True, nogil=True)
def _edges(raw, base, lim, pulse, off, on):  # type: ignore[no-untyped-def]
    """Return 10, 50, 90 % instants of the leading and 90, 50, 10 % instants of the trailing transition."""
    start, stop, floor, limit = pulse[0], pulse[1], pulse[2], pulse[3]
    sign, half = lim.sign, (off + on) / 2
    low, high = off + 0.1 * (on - off), off + 0.9 * (on - off)
    near = lim.min_off
    first = _first_at(raw, base, sign, half, start, stop, 1)
    switched = off + _SWITCHED * (on - off)
    lo, hi = max(first - near, floor), min(first + near, stop)
    i, t50 = reference_instant(raw, base, sign, half, _NEVER, lo, hi, True)
    if i >= 0:  # bounce follows at once; a lone spike well ahead is none
        held = _before_held(raw, base, sign, half, switched, max(lo, i - near), i)
        lo = held if held < i else max(lo, i - lim.min_on)
        i, t50 = reference_instant(raw, base, sign, half, switched, lo, hi, True)
    last = _first_at(raw, base, sign, half, stop - 1, start, -1)
    lo, hi = max(last - near, i, start), min(last + near, limit)
    j, u50 = reference_instant(raw, base, sign, half, _NEVER, lo, hi, False)
    t10 = t90 = u90 = u10 = np.nan
    if i >= 0:
        t10 = _back_to(raw, base, sign, low, i, max(floor, start - lim.before), True)
        t90 = _settled(raw, base, sign, half, high, i, stop)
    if j >= 0:
        u90 = _back_to(raw, base, sign, high, j, max(start, i), False)
        u10 = _on_to(raw, base, sign, low, j, limit, True)
    return t10, t50, t90, u90, u50, u10


@njit(cache=True, nogil=True)
def _moments(x):  # type: ignore[no-untyped-def]
    """Return the sums of the differences to the first sample and of their squares."""
    total, square = 0.0, 0.0
    if x.itemsize == 2:  # 16-bit counts, known when compiling: in integers nothing is rounded, whatever the order
        whole, whole_square = 0, 0
        for i in range(x.size):  # over an index: the compiler makes no vector code of a loop over values
            d = int(x[i]) - int(x[0])
            whole += d
            whole_square += d * d
        return float(whole), float(whole_square)
    for value in x:
        difference = value - float(x[0])
        total += difference
        square += difference * difference
    return total, square


@njit(cache=True, nogil=True)
def _spread(raw, base, start, stop, clip_count, sign):  # type: ignore[no-untyped-def]
    """Return the standard deviation, and the share of samples at the clip count."""
    x = raw[start - base : stop - base]
    total, square = _moments(x)
    mean = total / x.size
    n_clipped = 0
    if clip_count == clip_count:
        for i in range(x.size):
            n_clipped += sign * x[i] == clip_count
    return np.sqrt(max(square / x.size - mean * mean, 0.0)), n_clipped / x.size


@njit(cache=True, nogil=True)
def _on_state(start, stop, t50, u50, edge):  # type: ignore[no-untyped-def]
    """Range of the on-state with the edges left out: those usual on this lead, and 2 % of the pulse, at either end."""
    width = u50 - t50
    guard = min(1.0 + _EDGES * edge + 0.02 * width, 0.3 * width)
    a, b = int(np.ceil(t50 + guard)), int(np.floor(u50 - guard)) + 1
    if b - a >= 3:
        return a, b
    middle = (start + stop) // 2
    quarter = max((stop - start) // 4, 1)
    return max(middle - quarter, start), min(middle + quarter, stop)


@njit(cache=True, nogil=True)
def _level(raw, base, lim, start, stop, rough):  # type: ignore[no-untyped-def]
    return lim.sign * level_of(raw[start - base : stop - base], lim.reach, rough)


@njit(cache=True, nogil=True)
def _off_level(raw, base, lim, floor, end, fallback, rough):  # type: ignore[no-untyped-def]
    start = max(floor, end - lim.before)
    return _level(raw, base, lim, start, end, rough) if end - start >= 5 else fallback


@njit(cache=True, nogil=True)
def measure_pulse(raw, base, lim, pulse, off, out):  # type: ignore[no-untyped-def]
    """Measure one pulse into ``out`` (see `FIELDS`).

    ``pulse`` holds the threshold crossings (start, stop), the ``floor`` before which other pulses or gaps lie, the
    ``limit`` behind it, and flags; ``off`` is the lead's off-state level, taken where too little lies before the pulse.
    """
    start, stop, floor, flags = pulse[0], pulse[1], pulse[2], pulse[4]
    quarter = (stop - start) // 4
    on = _level(raw, base, lim, start + quarter, stop - quarter, True)
    off_level = _off_level(raw, base, lim, floor, start - 1, off, True)
    t10, t50, t90, u90, u50, u10 = _edges(raw, base, lim, pulse, off_level, on)
    if t50 == t50 and u50 == u50:
        before = min(start - 1, int(t50 - _EDGES * lim.edge - 1.0))
        off_level = _off_level(raw, base, lim, floor, before, off, False)
        a, b = _on_state(start, stop, t50, u50, lim.edge)
        on = _level(raw, base, lim, a, b, False)
        t10, t50, t90, u90, u50, u10 = _edges(raw, base, lim, pulse, off_level, on)
    t50 = t50 if t50 == t50 else float(start)
    u50 = u50 if u50 == u50 else float(stop)
    a, b = _on_state(start, stop, t50, u50, lim.edge)
    ripple, clipped = _spread(raw, base, a, b, lim.clip_count, lim.sign)
    flags |= CLIPPED if clipped > 0.5 else 0
    flags |= SLOW if u50 - t50 < _SLOW_SAMPLES else 0
    out[0], out[1], out[2], out[3] = t50, u50, on - off_level, off_level
    out[4], out[5], out[6], out[7] = t90, u10, t10, u90
    out[8], out[9] = ripple, flags
    out[10] = quiet_spread(raw[a - base : b - base], lim.min_on, lim.reach)
