"""What the events around an event show: medians of those before and of those after it, its own left out.

A fault that comes now and then, alone or in a burst, does not move a median of twenty-five; a level that steps or
drifts is that of the events on one side at least.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["MEDIAN_NOISE", "Sides", "medians_beside", "medians_of_others"]

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

MEDIAN_NOISE = 1.2533
"""A median of n values is off by this over the root of n, in sigma (root of pi / 2, normal law)."""


class Sides(NamedTuple):
    """Medians before and after each event (n,), and of how many values each is; NaN of none."""

    before: _Floats
    after: _Floats
    n_before: _Ints
    n_after: _Ints


def medians_beside(values: _Floats, time_s: _Floats, n_beside: int, within_s: float) -> Sides:
    """Return the medians of the ``n_beside`` values known before and after each event of one series.

    Parameters
    ----------
    values : ndarray (n,)
        In time order; NaN: not known, or not to be learned from.
    time_s : ndarray (n,)
    n_beside : int
        Values on each side.
    within_s : float
        None further away than this.

    Returns
    -------
    Sides
        For one row ``np.median(values[row - n_beside : row])`` and ``np.median(values[row + 1 :][:n_beside])``.
    """
    return Sides(*_beside(values, time_s, n_beside, within_s))


@njit(cache=True, nogil=True)
def _beside(values: _Floats, time_s: _Floats, n_beside: int, within_s: float) -> tuple[_Floats, _Floats, _Ints, _Ints]:
    before, n_before = _trailing(values, time_s, n_beside, within_s)
    after, n_after = _trailing(values[::-1].copy(), -time_s[::-1].copy(), n_beside, within_s)
    return before, after[::-1].copy(), n_before, n_after[::-1].copy()


@njit(cache=True, nogil=True)
def _trailing(values: _Floats, time_s: _Floats, n_beside: int, within_s: float) -> tuple[_Floats, _Ints]:
    """Return the medians of the values before each, from a window that is kept in order of size."""
    n = values.size
    out, count = np.full(n, np.nan), np.zeros(n, dtype=np.int64)
    known = np.empty(n, dtype=np.int64)
    ordered = np.empty(n_beside + 1)
    first = last = size = 0  # known[first:last] are in the window
    for row in range(n):
        while first < last and (size > n_beside or time_s[row] - time_s[known[first]] > within_s):
            place = np.searchsorted(ordered[:size], values[known[first]])
            for k in range(place, size - 1):
                ordered[k] = ordered[k + 1]
            size -= 1
            first += 1
        count[row] = size
        if size:
            out[row] = (ordered[(size - 1) // 2] + ordered[size // 2]) / 2
        if not np.isnan(values[row]):
            place = np.searchsorted(ordered[:size], values[row])
            for k in range(size, place, -1):
                ordered[k] = ordered[k - 1]
            ordered[place] = values[row]
            size += 1
            known[last] = row
            last += 1
    return out, count


def medians_of_others(values: _Floats, time_s: _Floats, group: _Ints, n_beside: int, within_s: _Floats) -> Sides:
    """Return the medians of the nearest ``n_beside`` values of the other cylinders before and after each event.

    Parameters
    ----------
    values : ndarray (n,)
        Of all cylinders in time order; NaN: not known, or not to be learned from.
    time_s, group : ndarray (n,)
    n_beside : int
    within_s : ndarray (n,)
        None further away than this.
    """
    return Sides(*_others(values, time_s, group, n_beside, within_s))


@njit(cache=True, nogil=True)
def _others(
    values: _Floats, time_s: _Floats, group: _Ints, n_beside: int, within_s: _Floats
) -> tuple[_Floats, _Floats, _Ints, _Ints]:
    n = values.size
    out = np.full((2, n), np.nan)
    count = np.zeros((2, n), dtype=np.int64)
    held = np.empty(n_beside)
    for row in range(n):
        for side in range(2):
            step = 2 * side - 1
            taken = 0
            k = row + step
            while 0 <= k < n and taken < n_beside and abs(time_s[k] - time_s[row]) <= within_s[row]:
                if group[k] != group[row] and not np.isnan(values[k]):
                    held[taken] = values[k]
                    taken += 1
                k += step
            count[side, row] = taken
            if taken:
                out[side, row] = np.median(held[:taken])
    return out[0], out[1], count[0], count[1]
