"""Kernels that measure one pulse from its raw samples on its own levels (IEEE Std 181-2011 terms).

Everything is in signed counts ``v = sign * raw`` so that the on-state is always above the off-state, and in absolute,
fractional sample indices. NaN is "could not be measured".
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

__all__ = ["FIELDS", "Limits", "measure_pulse", "middle", "reference_instant"]


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
    clip_count: float
    """Signed count the on-state is cut off at; NaN where it is not."""


FIELDS = ("start", "stop", "amplitude", "off_level", "rise", "fall", "rise_10", "fall_90", "ripple", "flags", "quiet")
"""Columns of a measured pulse: instants of the 50 % level, levels in signed counts, 10-90 % instants and the width
between them, standard deviation of the on-state, flags, and the same deviation without the spikes."""

NEAR_GAP, CUT_OFF, CLIPPED, SLOW = 1, 2, 4, 8
"""Flags, summed."""

_MEDIAN_OF, _ROUGH_MEDIAN_OF = 512, 96
"""Samples a median is taken of; longer stretches are thinned evenly. The error of the median of n samples is 1.25 over
the square root of n, so 6 % of the noise; the rough one only finds the edges."""

_SPAN = 2048
"""Counts between the least and the largest sample up to which a median is counted out: an array this short stays in
the fastest cache (own choice; any value gives the same medians)."""

_SPIKE_SIGMA, _SPIKE_SHARE, _SPIKE_DEPTH = 4.0, 0.1, 0.7
"""Of the on-state: samples this many sigma off that are few in a row, while they are no more than this share of it and
no deeper than this share of the amplitude, are spikes of the neighbours. More or deeper ones are its own."""

_SWITCHED = 0.75
"""Share of the amplitude that only the line's own switching reaches: spikes of the neighbours come to 3 V of 5, and a
sample of a fast edge may lie anywhere on it (own choice)."""

_NEVER = -np.inf
"""Where a pulse ends, dropouts before it are as likely as bounce behind: all crossings are weighed."""

_SLOW_SAMPLES = 10.0
"""A pulse of fewer samples is measured to a few per cent only."""


@njit(cache=True, nogil=True)
def middle(x):  # type: ignore[no-untyped-def]
    """Return the median of ``x``, whose order is lost (Hoare's selection, not slowed by equal values)."""
    left, right, k = 0, x.size - 1, x.size // 2
    while left < right:
        pivot, i, j = x[(left + right) // 2], left, right
        while i <= j:
            while x[i] < pivot:
                i += 1
            while pivot < x[j]:
                j -= 1
            if i <= j:
                x[i], x[j] = x[j], x[i]
                i += 1
                j -= 1
        left = i if k > j else left
        right = j if k < i else right
    if x.size % 2:
        return x[k]
    below = x[0]
    for value in x[1:k]:
        below = max(below, value)
    return (below + x[k]) / 2


@njit(cache=True, nogil=True)
def counted_middle(x, least, most):  # type: ignore[no-untyped-def]
    """Return the median of the integers ``x`` between ``least`` and ``most``, as `middle`, by counting them out.

    Several times faster: noise makes a selection guess wrong at every other sample.
    """
    counts = np.zeros(most - least + 1, np.int32)
    for i in range(x.size):
        counts[int(x[i]) - least] += 1
    k, upper = x.size // 2, 0
    seen = counts[0]
    while seen <= k:
        upper += 1
        seen += counts[upper]
    lower = upper
    if x.size % 2 == 0 and seen - counts[upper] == k:  # the lower one of the middle two is another value
        lower -= 1
        while counts[lower] == 0:
            lower -= 1
    return least + (lower + upper) / 2


@njit(cache=True, nogil=True)
def _median(raw, base, start, stop, sign, n_most):  # type: ignore[no-untyped-def]
    step = max(1, -(-(stop - start) // n_most))
    x = raw[start - base : stop - base : step]
    if raw.itemsize == 2:  # 16-bit counts; known when compiling
        least = most = int(x[0])
        for i in range(x.size):
            least = min(least, int(x[i]))
            most = max(most, int(x[i]))
        if most - least < _SPAN:
            return sign * counted_middle(x, least, most)
    return sign * middle(x.astype(np.float64))


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
def _quiet_spread(raw, base, start, stop, on, amplitude, lim, ripple):  # type: ignore[no-untyped-def]
    """Return the standard deviation of the on-state without spikes of its neighbours; ``ripple``, where there are none.

    A spike is a run of fewer than ``min_on`` samples beyond the noise: what makes no pulse makes no ripple either.
    """
    x, centre = raw[start - base : stop - base], lim.sign * on
    reach = _SPIKE_SIGMA * lim.noise
    least = most = x[0]
    for i in range(x.size):
        least, most = min(least, x[i]), max(most, x[i])
    furthest = max(most - centre, centre - least)
    if reach <= 0.0 or furthest <= reach or furthest > _SPIKE_DEPTH * abs(amplitude):
        return ripple
    n_left_out, run, total, square = 0, 0, 0.0, 0.0
    for i in range(x.size + 1):
        if i < x.size and abs(x[i] - centre) > reach:
            run += 1
            continue
        if run >= lim.min_on:
            for k in range(i - run, i):
                total += x[k] - centre
                square += (x[k] - centre) ** 2
        else:
            n_left_out += run
        run = 0
        if i < x.size:
            total += x[i] - centre
            square += (x[i] - centre) ** 2
    n = x.size - n_left_out
    if n_left_out == 0 or n_left_out > _SPIKE_SHARE * x.size:
        return ripple
    return np.sqrt(max(square / n - (total / n) ** 2, 0.0))


@njit(cache=True, nogil=True)
def _on_state(start, stop, t50, t90, u90, u50):  # type: ignore[no-untyped-def]
    """Range of the on-state with the edges left out: twice the half transition, and 2 % of the pulse, at either end."""
    lead = 2.0 * (t90 - t50) if t90 == t90 else 0.0
    trail = 2.0 * (u50 - u90) if u90 == u90 else 0.0
    guard = 1.0 + 0.02 * (u50 - t50)
    a, b = int(np.ceil(t50 + lead + guard)), int(np.floor(u50 - trail - guard)) + 1
    if b - a >= 3:
        return a, b
    middle = (start + stop) // 2
    quarter = max((stop - start) // 4, 1)
    return max(middle - quarter, start), min(middle + quarter, stop)


@njit(cache=True, nogil=True)
def _off_level(raw, base, lim, floor, end, fallback, n_most):  # type: ignore[no-untyped-def]
    start = max(floor, end - lim.before)
    return _median(raw, base, start, end, lim.sign, n_most) if end - start >= 5 else fallback


@njit(cache=True, nogil=True)
def measure_pulse(raw, base, lim, pulse, off, out):  # type: ignore[no-untyped-def]
    """Measure one pulse into ``out`` (see `FIELDS`).

    ``pulse`` holds the threshold crossings (start, stop), the ``floor`` before which other pulses or gaps lie, the
    ``limit`` behind it, and flags; ``off`` is the lead's off-state level, taken where too little lies before the pulse.
    """
    start, stop, floor, flags = pulse[0], pulse[1], pulse[2], pulse[4]
    quarter = (stop - start) // 4
    on = _median(raw, base, start + quarter, stop - quarter, lim.sign, _ROUGH_MEDIAN_OF)
    off_level = _off_level(raw, base, lim, floor, start - 1, off, _ROUGH_MEDIAN_OF)
    t10, t50, t90, u90, u50, u10 = _edges(raw, base, lim, pulse, off_level, on)
    if t50 == t50 and u50 == u50:
        reach = 2.0 * (t50 - t10) if t10 == t10 else 0.0
        before = min(start - 1, int(t50 - reach - 1.0))
        off_level = _off_level(raw, base, lim, floor, before, off, _MEDIAN_OF)
        a, b = _on_state(start, stop, t50, t90, u90, u50)
        on = _median(raw, base, a, b, lim.sign, _MEDIAN_OF)
        t10, t50, t90, u90, u50, u10 = _edges(raw, base, lim, pulse, off_level, on)
    t50 = t50 if t50 == t50 else float(start)
    u50 = u50 if u50 == u50 else float(stop)
    a, b = _on_state(start, stop, t50, t90, u90, u50)
    ripple, clipped = _spread(raw, base, a, b, lim.clip_count, lim.sign)
    flags |= CLIPPED if clipped > 0.5 else 0
    flags |= SLOW if u50 - t50 < _SLOW_SAMPLES else 0
    out[0], out[1], out[2], out[3] = t50, u50, on - off_level, off_level
    out[4], out[5], out[6], out[7] = t90, u10, t10, u90
    out[8], out[9] = ripple, flags
    out[10] = _quiet_spread(raw, base, a, b, on, on - off_level, lim, ripple)
