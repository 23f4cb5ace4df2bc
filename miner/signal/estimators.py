"""Kernels that estimate a level or a spread from samples of which some are not its own.

Each is one continuous function of the samples: raising a sample by some volts moves it by no more than those volts
times a fixed factor, whatever the sample was. Nothing is left out once a limit is passed; influence is bounded instead
(Huber, Robust Statistics, 1981: trimmed and winsorised means).
"""

from __future__ import annotations

import numpy as np
from numba import njit

__all__ = ["level_of", "middle", "quiet_spread", "trimmed_mean"]

_LEVEL_OF, _ROUGH_LEVEL_OF = 512, 96
"""Samples the middle of a stretch is taken of; longer stretches are thinned evenly. The rough one only finds edges."""

_SPAN = 2048
"""Counts between the least and the largest sample up to which ranks are counted out: an array this short stays in the
fastest cache (own choice; any value gives the same results)."""

_MIDDLE_OF = 32
"""Samples, and up to twice as many, the middle of a block is taken of."""

_LEAST_BLOCKS, _MOST_BLOCKS = 6, 40
"""Blocks a spread is taken of, half over one another where they are few; 40 hold all of a pulse of 3 ms at 1 MS/s (own
choice, for speed)."""


@njit(cache=True, nogil=True)
def _select(x, k, left):  # type: ignore[no-untyped-def]
    """Put the ``k``-th least of ``x[left:]`` in its place, smaller ones before it (Hoare; not slowed by equal ones)."""
    right = x.size - 1
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


@njit(cache=True, nogil=True)
def middle(x):  # type: ignore[no-untyped-def]
    """Return the median of ``x``, whose order is lost: ``numpy.median(x)``."""
    k = x.size // 2
    _select(x, k, 0)
    if x.size % 2:
        return x[k]
    below = x[0]
    for value in x[1:k]:
        below = max(below, value)
    return (below + x[k]) / 2


@njit(cache=True, nogil=True)
def _counted_mean(x, least, most, below, above):  # type: ignore[no-untyped-def]
    """As `trimmed_mean` for integers from ``least`` to ``most``: noise makes a selection guess wrong half the time."""
    counts = np.zeros(most - least + 1, np.int32)
    for i in range(x.size):
        counts[int(x[i]) - least] += 1
    total, rank, end = 0, 0, x.size - above
    for j in range(counts.size):
        behind = rank + counts[j]
        total += max(min(behind, end) - max(rank, below), 0) * j
        rank = behind
    return least + total / (end - below)


@njit(cache=True, nogil=True)
def trimmed_mean(x, below, above):  # type: ignore[no-untyped-def]
    """Return the mean without the least and the largest ones: ``numpy.sort(x)[below : x.size - above].mean()``."""
    if x.itemsize == 2:  # 16-bit counts; known when compiling
        least = most = int(x[0])
        for i in range(x.size):
            least = min(least, int(x[i]))
            most = max(most, int(x[i]))
        if most - least < _SPAN:
            return _counted_mean(x, least, most, below, above)
    ordered, end = x.astype(np.float64), x.size - above
    if below > 0:
        _select(ordered, below, 0)
    if above > 0:
        _select(ordered, end, below)
    total, first = 0.0, ordered[below]
    for i in range(below, end):
        total += ordered[i] - first
    return first + total / (end - below)


@njit(cache=True, nogil=True)
def _clipped_mean(x, centre, reach):  # type: ignore[no-untyped-def]
    """Return ``centre + numpy.clip(x - centre, -reach, reach).mean()``."""
    total = 0.0
    for i in range(x.size):
        total += min(max(x[i] - centre, -reach), reach)
    return centre + total / x.size


@njit(cache=True, nogil=True)
def level_of(x, reach, rough):  # type: ignore[no-untyped-def]
    """Return the level of a stretch: the mean with every sample drawn to within ``reach`` of the middle half's mean.

    Where a converter's steps are as wide as the noise it is finer than they are, which a median is not; spikes move it
    by no more than their share of ``reach``.
    """
    n_most = _ROUGH_LEVEL_OF if rough else _LEVEL_OF
    thinned = x[:: max(1, -(-x.size // n_most))]
    quarter = thinned.size // 4
    centre = trimmed_mean(thinned, quarter, quarter)
    return centre if rough or not reach > 0.0 else _clipped_mean(x, centre, reach)


@njit(cache=True, nogil=True)
def _mean_square(x, centre, reach):  # type: ignore[no-untyped-def]
    """Return ``(numpy.clip(x - centre, -reach, reach) ** 2).mean()``; nothing is clipped where the reach is 0."""
    total, most = 0.0, reach if reach > 0.0 else np.inf
    for i in range(x.size):
        difference = min(max(x[i] - centre, -most), most)
        total += difference * difference
    return total / x.size


@njit(cache=True, nogil=True)
def _blocks(x, shortest, reach):  # type: ignore[no-untyped-def]
    """Return (level, mean square about it) of blocks evenly over ``x``; a third of a block does not set its level."""
    length = max(min(3 * shortest, x.size // _LEAST_BLOCKS), min(3, x.size))
    n = max(1, min(2 * (x.size // length) - 1, _MOST_BLOCKS))
    levels, squares, step = np.empty(n), np.empty(n), max(1, length // _MIDDLE_OF)
    cut = -(-length // step) // 3
    for k in range(n):
        start = (x.size - length) * k // max(n - 1, 1)
        block = x[start : start + length]
        levels[k] = _clipped_mean(block, trimmed_mean(block[::step], cut, cut), reach)
        squares[k] = _mean_square(block, levels[k], reach)
    return levels, squares


@njit(cache=True, nogil=True)
def _off_a_line(y):  # type: ignore[no-untyped-def]
    """Return the mean square distance from the straight line of least squares."""
    n, mean, slope, square = y.size, 0.0, 0.0, 0.0
    for k in range(n):
        mean += y[k] / n
    for k in range(n):
        slope += (k - (n - 1) / 2) * (y[k] - mean)
        square += (y[k] - mean) ** 2
    return max(square - slope * slope * 12 / max(n * (n * n - 1.0), 1.0), 0.0) / n


@njit(cache=True, nogil=True)
def quiet_spread(x, shortest, reach):  # type: ignore[no-untyped-def]
    """Return the standard deviation of a stretch without what is shorter than ``shortest`` samples, and without slope.

    The quick part is the variance within blocks, no sample taken for more than ``reach``, and without the quarter that
    holds most of it, where spikes and ringing are; the slow part is that of their levels about a line: notches and
    hum. Both of every stretch alike.
    """
    levels, squares = _blocks(x, shortest, reach)
    return np.sqrt(trimmed_mean(squares, 0, squares.size // 4) + _off_a_line(levels))
