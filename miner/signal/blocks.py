"""Kernels over blocks of samples: extremes, envelope, means. Plain arrays in, plain arrays out.

``raw[i - base]`` is absolute sample ``i``; ranges are absolute and half-open.
"""

from __future__ import annotations

import numpy as np
from numba import njit

__all__ = ["BLOCK", "block_extremes", "find_segments", "fold_envelope", "mean_and_max", "survey"]

BLOCK = 64
"""Samples per block of the fast look: short enough that few blocks hold an edge, long enough for vector code."""


@njit(cache=True, nogil=True, fastmath={"nnan", "nsz"})
def _extremes(x, lo, hi):  # type: ignore[no-untyped-def]
    """Extremes of whole blocks; missing samples never get here, so the order of comparisons is free."""
    for k in range(x.size // BLOCK):
        least = most = x[k * BLOCK]
        for j in range(k * BLOCK, (k + 1) * BLOCK):
            least = min(least, x[j])
            most = max(most, x[j])
        lo[k] = least
        hi[k] = most


@njit(cache=True, nogil=True)
def _into_block(x, k, lo, hi):  # type: ignore[no-untyped-def]
    for value in x:
        lo[k] = min(lo[k], value)
        hi[k] = max(hi[k], value)


@njit(cache=True, nogil=True)
def block_extremes(raw, base, start, stop, grid, lo, hi):  # type: ignore[no-untyped-def]
    """Take the samples ``[start, stop)`` into the block extremes ``lo, hi``; block 0 begins at ``grid``."""
    first, last = -(-(start - grid) // BLOCK), (stop - grid) // BLOCK  # whole blocks [first, last)
    if first >= last:
        for i in range(start, stop):
            _into_block(raw[i - base : i - base + 1], (i - grid) // BLOCK, lo, hi)
        return
    head, tail = grid + first * BLOCK, grid + last * BLOCK
    _extremes(raw[head - base : tail - base], lo[first:last], hi[first:last])
    if start < head:
        _into_block(raw[start - base : head - base], first - 1, lo, hi)
    if tail < stop:
        _into_block(raw[tail - base : stop - base], last, lo, hi)


@njit(cache=True, nogil=True)
def fold_envelope(lo, hi, n_blocks, per_point, env_lo, env_hi, at):  # type: ignore[no-untyped-def]
    """Fold block extremes into envelope points from index ``at`` on."""
    for k in range(n_blocks):
        j = at + k // per_point
        env_lo[j] = min(env_lo[j], lo[k])
        env_hi[j] = max(env_hi[j], hi[k])


@njit(cache=True, nogil=True)
def _first_reaching(gaps, sample):  # type: ignore[no-untyped-def]
    """First gap that ends at or behind a sample; numpy's search compiles for seconds."""
    low, high = 0, gaps.shape[0]
    while low < high:
        middle = (low + high) // 2
        if gaps[middle, 1] < sample:
            low = middle + 1
        else:
            high = middle
    return low


@njit(cache=True, nogil=True)
def find_segments(gaps, a, b, out):  # type: ignore[no-untyped-def]
    """Cut ``[a, b)`` at the gaps; fill ``out`` with (start, stop, 1 if a gap follows) and return their number.

    A gap of length 0 (a time gap) cuts between two samples. Segments of length 0 tell of a gap that begins at once.
    """
    n, p = 0, a
    for k in range(_first_reaching(gaps, a), gaps.shape[0]):
        if gaps[k, 0] >= b:
            break
        if gaps[k, 1] <= a and gaps[k, 0] < a:
            continue
        out[n, 0], out[n, 1], out[n, 2] = p, max(gaps[k, 0], p), 1
        n += 1
        p = max(p, min(gaps[k, 1], b))
    if p < b:
        out[n, 0], out[n, 1], out[n, 2] = p, b, 0
        n += 1
    return n


@njit(cache=True, nogil=True)
def survey(raw, base, first, last, window, gaps, per_point, neutral, env_lo, env_hi, track):  # type: ignore[no-untyped-def]
    """Envelope, and per window least, mean and largest value, of a lead without pulses.

    ``neutral`` holds the (least, most) extremes of nothing, of the samples' type; ``env_lo, env_hi`` begin at ``first``
    and are filled with it; ``track`` has shape (n_windows, 3) and is NaN where a window has no sample.
    """
    lo, hi = np.empty(window // BLOCK, raw.dtype), np.empty(window // BLOCK, raw.dtype)
    segments = np.empty((gaps.shape[0] + 1, 3), np.int64)
    for w in range(track.shape[0]):
        a = first + w * window
        b = min(a + window, last)
        lo[:], hi[:] = neutral[0], neutral[1]
        total, n_valid = 0.0, 0
        for k in range(find_segments(gaps, a, b, segments)):
            p, q = segments[k, 0], segments[k, 1]
            if q > p:
                block_extremes(raw, base, p, q, a, lo, hi)
                total += _sum(raw[p - base : q - base])
                n_valid += q - p
        n_blocks = -(-(b - a) // BLOCK)
        at = (a - first) // (BLOCK * per_point)
        fold_envelope(lo, hi, n_blocks, per_point, env_lo, env_hi, at)
        if n_valid:
            track[w, 1] = total / n_valid
            track[w, 0], track[w, 2] = _ends(lo, hi, n_blocks)


@njit(cache=True, nogil=True)
def _ends(lo, hi, n):  # type: ignore[no-untyped-def]
    least, most = lo[0], hi[0]
    for k in range(1, n):
        least = min(least, lo[k])
        most = max(most, hi[k])
    return least, most


@njit(cache=True, nogil=True)
def _sum(x):  # type: ignore[no-untyped-def]
    total, whole = 0.0, 0
    if x.itemsize == 2:  # 16-bit counts, known when compiling: nothing is rounded, and more fit into a vector
        for i in range(x.size):  # over an index: the compiler makes no vector code of a loop over values
            whole += int(x[i])
        return float(whole)
    for value in x:
        total += value
    return total


@njit(cache=True, nogil=True)
def mean_and_max(raw, base, starts, stops, gaps, sign):  # type: ignore[no-untyped-def]
    """Mean and largest value (of ``sign * raw``) over each range; NaN where a gap touches it or it is empty."""
    out = np.empty((starts.size, 2))
    for k in range(starts.size):
        a, b = starts[k], stops[k]
        out[k, 0] = out[k, 1] = np.nan
        near = _first_reaching(gaps, a + 1)
        if b <= a or a < base or (near < gaps.shape[0] and gaps[near, 0] < b):
            continue
        x = raw[a - base : b - base]
        out[k, 0] = sign * (_sum(x) / x.size)
        least, most = _ends(x, x, x.size)
        out[k, 1] = sign * (most if sign > 0 else least)
    return out
