"""Kernel that follows one lead: levels window by window, pulses by hysteresis with opening, then closing.

All state is a function of the absolute sample grid: a window is worked on only when it is wholly read.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from miner.signal.blocks import BLOCK, block_extremes, find_segments, fold_envelope
from miner.signal.estimators import middle
from miner.signal.measure import CUT_OFF, NEAR_GAP, measure_pulse

__all__ = ["advance", "new_state"]

BLIND, OFF, RISING, ON, FALLING, BACK_UP = 0, 1, 2, 3, 4, 5
"""Modes: off-state not seen yet; off; on-run not long enough yet; on; off-run not long enough yet; on-run inside it."""

MODE, START, STOP, RUN, LOST, FLOOR, GAP_END, N_PENDING, N_LOST, N_PULSES, N_AMPS, N_SPIKES, N_DROPOUTS = range(13)
"""Places in the integer state. RUN: first sample of the current run in FALLING/BACK_UP/BLIND, -1 for none. LOST: first
sample of an on-state whose pulse cannot be measured, -1 for none."""

LEVEL, USUAL, N_RING = 0, 1, 15
"""Places in the float state: off-state level, usual amplitude, then a ring of the last amplitudes."""

_ON_SHARE, _OFF_SHARE = 0.25, 0.6
"""Threshold of the usual amplitude: a pulse of 40 % of it is crossed at 62 % of its own; hysteresis below it."""

_LEAST_SHARE = 0.2
"""Of the usual amplitude: what lies no further from the off-state right before it is no pulse but the off-state on its
way to another level, or hum of a line that nothing drives (own choice, below the threshold's share: whatever crosses
that at once lies further; an engine that catches lifts the supply, and a line pulled up to it, by volts)."""

_SLOPING_SHARE = 0.5
"""The same where neither end of it is an edge: nothing comes from 10 % to 90 % within what is looked at beside it."""

_BINS, _STRIDE = 64, 16
"""Cells of the histogram of levels and samples from one looked at to the next: its mean of each cell, not the cell, is
the level, so that neither is its resolution."""

_SHIFT, _LIFT = 40, 1 << 16  # see below
_ONE = 1 << _SHIFT
"""Number and sum in one integer: the number from bit 40 on, below it the sum of samples lifted above zero, which has
room for 8 million samples of 16 bits; a window has 0.1 s of every 16th."""


def new_state(read_start: int, off: float, usual: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the (integer, float) state of a lead before its first sample; ``off`` and ``usual`` in signed counts."""
    ints = np.zeros(13, np.int64)
    ints[[RUN, LOST]], ints[[FLOOR, GAP_END]] = -1, read_start
    floats = np.full(2 + N_RING, np.nan)
    floats[LEVEL], floats[USUAL] = off, usual
    return ints, floats


@njit(cache=True, nogil=True)
def _fill_bins(x, first, stop, sign, bottom, per_bin, counts, sums):  # type: ignore[no-untyped-def]
    for i in range(first, stop, _STRIDE):
        v = sign * x[i]
        j = (v - bottom) * per_bin
        if 0.0 <= j < _BINS:
            counts[int(j)] += 1
            sums[int(j)] += v


@njit(cache=True, nogil=True)
def _fill_whole_bins(x, first, stop, sign, bottom, per_bin, counts, sums):  # type: ignore[no-untyped-def]
    """As `_fill_bins` for 16-bit counts, whose sums are exact in any order.

    Most samples fall into the same bin, and each addition waits for the one before it. So number and sum go into one
    integer, and neighbours into two tables.
    """
    tables = np.zeros((2, _BINS), np.int64)
    for i in range(first, stop, _STRIDE):
        v = sign * x[i]
        j = (v - bottom) * per_bin
        if 0.0 <= j < _BINS:
            tables[(i // _STRIDE) & 1, int(j)] += _ONE + int(v) + _LIFT
    for j in range(_BINS):
        both = tables[0, j] + tables[1, j]
        n = both >> _SHIFT
        counts[j] += n
        sums[j] += (both - (n << _SHIFT)) - n * _LIFT


@njit(cache=True, nogil=True)
def _follow_level(raw, base, segments, n_segments, lim, s, f):  # type: ignore[no-untyped-def]
    """Take the off-state level of a window: the lowest well-filled mode within half an amplitude of the last one."""
    counts, sums = np.zeros(_BINS, np.int64), np.zeros(_BINS)
    bottom, per_bin = f[LEVEL] - f[USUAL] / 2, _BINS / f[USUAL]
    n_seen = 0
    for k in range(n_segments):
        first, stop = -(-segments[k, 0] // _STRIDE) * _STRIDE - base, segments[k, 1] - base
        n_seen += max(-(-(stop - first) // _STRIDE), 0)
        if raw.itemsize == 2:  # 16-bit counts; known when compiling
            _fill_whole_bins(raw, first, stop, lim.sign, bottom, per_bin, counts, sums)
        else:
            _fill_bins(raw, first, stop, lim.sign, bottom, per_bin, counts, sums)
    most = 0
    for j in range(_BINS):
        most = max(most, counts[j])
    if most < max(4, n_seen // 50):
        return
    mode = 0
    while counts[mode] < most // 4 or counts[mode] == 0:
        mode += 1
    while mode + 1 < _BINS and counts[mode + 1] > counts[mode]:
        mode += 1
    n, total = 0, 0.0
    for j in range(max(mode - 1, 0), min(mode + 2, _BINS)):
        n += counts[j]
        total += sums[j]
    level = total / n
    if s[MODE] <= OFF or abs(level - f[LEVEL]) < 0.15 * f[USUAL]:  # within a pulse only small moves are believed
        f[LEVEL] = level


@njit(cache=True, nogil=True)
def _close(s, lim, pending, stop, flags):  # type: ignore[no-untyped-def]
    n = s[N_PENDING]
    flags |= NEAR_GAP if s[FLOOR] == s[GAP_END] and s[START] - s[GAP_END] < lim.before else 0
    pending[n, 0], pending[n, 1], pending[n, 2] = s[START], stop, s[FLOOR]
    pending[n, 3], pending[n, 4] = stop + lim.after, flags
    s[N_PENDING] = n + 1
    s[FLOOR] = stop


@njit(cache=True, nogil=True)
def _lose(s, lost, start, stop):  # type: ignore[no-untyped-def]
    """Report an on-state that cannot be measured."""
    n = s[N_LOST]
    lost[n, 0], lost[n, 1] = start, stop
    s[N_LOST] = n + 1


@njit(cache=True, nogil=True)
def _gap(s, lim, pending, lost, at):  # type: ignore[no-untyped-def]
    """Give up what is open where a gap begins; nothing is measured across it."""
    mode = s[MODE]
    if mode >= FALLING:
        off_run = (s[RUN] if mode == BACK_UP else at) - s[STOP]
        if off_run >= 3:
            _close(s, lim, pending, s[STOP], NEAR_GAP)
            s[LOST] = s[RUN] if mode == BACK_UP else -1
        else:
            s[LOST] = s[START]
    elif mode in (RISING, ON):
        s[LOST] = s[START]
    for k in range(s[N_PENDING]):
        if pending[k, 3] > at:
            pending[k, 3] = at
            pending[k, 4] |= NEAR_GAP
    if s[LOST] >= 0:
        _lose(s, lost, s[LOST], at)
    s[MODE], s[RUN], s[LOST] = BLIND, -1, -1


@njit(cache=True, nogil=True)
def _blind(s, lim, lost, i, v, on_at, off_at):  # type: ignore[no-untyped-def]
    """Wait for an off-state; what is on until then began before it could be seen."""
    if v >= on_at:
        s[RUN] = -1
    elif v < off_at and s[RUN] < 0:
        s[RUN] = i
    if s[RUN] >= 0:
        if i - s[RUN] + 1 >= lim.min_off:
            if s[LOST] >= 0:
                _lose(s, lost, s[LOST], s[RUN])
            s[MODE], s[LOST] = OFF, -1
    elif s[LOST] == -1:
        s[LOST] = i
    elif s[LOST] >= 0 and i - s[LOST] >= lim.max_on:
        _lose(s, lost, s[LOST], i)
        s[LOST] = -2  # on for seconds: not a pulse that was cut


@njit(cache=True, nogil=True)
def _end_pulse(s, lim, pending):  # type: ignore[no-untyped-def]
    _close(s, lim, pending, s[STOP], 0)
    s[MODE] = OFF


@njit(inline="always")
def _falling(s, lim, pending, i, v, on_at, off_at):  # type: ignore[no-untyped-def]
    """Take a sample behind the threshold crossing that may end a pulse: opening first, then closing."""
    counted = lim.own_start <= i < lim.own_stop
    if s[MODE] == FALLING:
        if v >= on_at:
            s[MODE], s[RUN] = BACK_UP, i
        elif i - s[STOP] + 1 >= lim.min_off:
            _end_pulse(s, lim, pending)
    elif v < off_at:
        s[MODE] = FALLING
        s[N_SPIKES] += counted
        if i - s[STOP] + 1 >= lim.min_off:
            _end_pulse(s, lim, pending)
    elif i - s[RUN] + 1 >= lim.min_on:
        s[MODE] = ON
        if s[RUN] - s[STOP] < lim.min_off:
            s[N_DROPOUTS] += counted
        else:
            _close(s, lim, pending, s[STOP], 0)
            s[START] = s[RUN]


@njit(inline="always")
def _step(s, lim, pending, lost, i, v, on_at, off_at):  # type: ignore[no-untyped-def]
    """Take one sample into the state."""
    mode = s[MODE]
    if mode == OFF:
        if v >= on_at:
            s[MODE], s[START] = RISING, i
            s[FLOOR] = max(s[FLOOR], s[GAP_END])
    elif mode == RISING:
        if v < off_at:
            s[MODE] = OFF
            s[N_SPIKES] += lim.own_start <= i < lim.own_stop
        elif i - s[START] + 1 >= lim.min_on:
            s[MODE] = ON
    elif mode == ON:
        if v < off_at:
            s[MODE], s[STOP] = FALLING, i
    elif mode == BLIND:
        _blind(s, lim, lost, i, v, on_at, off_at)
    else:
        _falling(s, lim, pending, i, v, on_at, off_at)


@njit(cache=True, nogil=True)
def _passed(extremes, k, last, sign, level, below):  # type: ignore[no-untyped-def]
    """First block of ``[k, last)`` that does not stay below (or else at or above) the level; ``last`` for none."""
    while k < last and (sign * extremes[k] < level) == below:
        k += 1
    return k


@njit(cache=True, nogil=True)
def _scan(raw, base, p, q, grid, lo, hi, lim, s, f, pending, lost):  # type: ignore[no-untyped-def]
    """Take the samples ``[p, q)``; whole blocks that stay on one side of the threshold are passed over."""
    height = min(max(_ON_SHARE * f[USUAL], 6.0 * lim.noise), 0.35 * f[USUAL])
    on_at, off_at = f[LEVEL] + height, f[LEVEL] + _OFF_SHARE * height
    upper, lower = (hi, lo) if lim.sign > 0 else (lo, hi)
    i = p
    while i < q:
        if s[MODE] == ON and i - s[START] >= lim.max_on:
            _close(s, lim, pending, s[START] + lim.max_on, CUT_OFF)
            s[MODE], s[RUN], s[LOST] = BLIND, -1, -2
        if (i - grid) % BLOCK == 0 and i + BLOCK <= q:
            k, last = (i - grid) // BLOCK, (q - grid) // BLOCK
            upto = k
            if s[MODE] == OFF:
                upto = _passed(upper, k, last, lim.sign, on_at, True)
            elif s[MODE] == ON:
                allowed = -(-(s[START] + lim.max_on - i) // BLOCK)
                upto = _passed(lower, k, min(last, k + allowed), lim.sign, off_at, False)
            elif s[MODE] == BLIND and s[LOST] != -1 and lim.sign * lower[k] >= on_at:
                _blind(s, lim, lost, i, lim.sign * lower[k], on_at, off_at)
                upto = k + 1
            if upto > k:
                i += (upto - k) * BLOCK
                continue
        _step(s, lim, pending, lost, i, lim.sign * raw[i - base], on_at, off_at)
        i += 1


@njit(cache=True, nogil=True)
def _learn_amplitude(lim, f, s, amplitude):  # type: ignore[no-untyped-def]
    """Usual amplitude: median of the last pulses, kept within half and twice that of the first look."""
    f[2 + s[N_AMPS] % N_RING] = amplitude
    s[N_AMPS] += 1
    if s[N_AMPS] >= N_RING:
        f[USUAL] = min(max(middle(f[2 : 2 + N_RING].copy()), 0.5 * lim.usual), 2.0 * lim.usual)


@njit(cache=True, nogil=True)
def _measure_ripe(raw, base, upto, last, lim, s, f, pending, pulses):  # type: ignore[no-untyped-def]
    """Measure the pending pulses whose trailing margin is read; keep the others."""
    kept = 0
    for k in range(s[N_PENDING]):
        following = s[START] if s[MODE] >= RISING else upto
        if k + 1 < s[N_PENDING]:
            following = pending[k + 1, 0]
        if pending[k, 3] > upto and not last:
            pending[kept] = pending[k]
            kept += 1
            continue
        pending[k, 3] = max(min(pending[k, 3], following, upto), pending[k, 1])
        out = pulses[s[N_PULSES]]
        measure_pulse(raw, base, lim, pending[k], f[LEVEL], out)
        slopes = out[6] != out[6] and out[5] != out[5]  # neither 10 % instant
        if out[2] < (_SLOPING_SHARE if slopes else _LEAST_SHARE) * f[USUAL] and pending[k, 4] == 0:
            continue
        s[N_PULSES] += 1
        if out[2] > 0.0 and pending[k, 4] == 0:
            _learn_amplitude(lim, f, s, out[2])
    s[N_PENDING] = kept


@njit(cache=True, nogil=True)
def advance(  # type: ignore[no-untyped-def]
    raw, base, first, last, at_end, window, gaps, lim, s, f, pending, pulses, lost, per_point, neutral, env_lo, env_hi,
    levels,
):  # fmt: skip
    """Work on the windows ``[first, last)``; both are on the window grid, or ``last`` is the recording's end.

    ``raw[i - base]`` is absolute sample ``i``; it must reach back to what `keep_from` asked for. Measured pulses go to
    ``pulses[:s[N_PULSES]]``, on-states that could not be measured to ``lost[:s[N_LOST]]``, level and usual amplitude of
    each window to ``levels``. Returns the first sample that is still needed.
    """
    s[N_PULSES] = s[N_LOST] = 0
    lo, hi = np.empty(window // BLOCK, raw.dtype), np.empty(window // BLOCK, raw.dtype)
    segments = np.empty((gaps.shape[0] + 1, 3), np.int64)
    for w in range(levels.shape[0]):
        a = first + w * window
        b = min(a + window, last)
        n_segments = find_segments(gaps, a, b, segments)
        lo[:], hi[:] = neutral[0], neutral[1]
        for k in range(n_segments):
            if segments[k, 1] > segments[k, 0]:
                block_extremes(raw, base, segments[k, 0], segments[k, 1], a, lo, hi)
        fold_envelope(lo, hi, -(-(b - a) // BLOCK), per_point, env_lo, env_hi, (a - first) // (BLOCK * per_point))
        _follow_level(raw, base, segments, n_segments, lim, s, f)
        levels[w, 0], levels[w, 1] = f[LEVEL], f[USUAL]
        for k in range(n_segments):
            p, q = segments[k, 0], segments[k, 1]
            if p > a or (k and segments[k - 1, 2]):
                s[GAP_END] = s[FLOOR] = p
            _scan(raw, base, p, q, a, lo, hi, lim, s, f, pending, lost)
            if segments[k, 2]:
                _gap(s, lim, pending, lost, q)
                s[GAP_END] = s[FLOOR] = b
        if at_end and b == last:
            _gap(s, lim, pending, lost, b)
        _measure_ripe(raw, base, b, at_end and b == last, lim, s, f, pending, pulses)
    return keep_from(s, lim, pending, last)


@njit(cache=True, nogil=True)
def keep_from(s, lim, pending, upto):  # type: ignore[no-untyped-def]
    """First sample that measuring may still need: the oldest open pulse and the off-state before it."""
    oldest = upto
    if s[MODE] >= RISING:
        oldest = min(oldest, s[START])
    if s[LOST] >= 0:
        oldest = min(oldest, s[LOST])
    for k in range(s[N_PENDING]):
        oldest = min(oldest, pending[k, 0])
    return oldest - lim.before - lim.min_off - 2
