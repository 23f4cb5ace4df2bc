"""Sets of ranges: missing samples, gaps in time, runs of flags, stretches to be read.

A set is an array of shape (k, 2), of sample indices or of seconds; a row is a range from its start to its stop.
Ranges of samples are half open. Rows may come in any order and overlap, unless a function says otherwise.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Range", "clipped", "contains", "covered", "ends_in", "joined", "ordered", "runs_of", "touches"]

Range = tuple[int, int]
Ranges = NDArray[Any]
Bools = NDArray[np.bool_]


def runs_of(flags: Bools, first: int = 0) -> NDArray[np.int64]:
    """Return the half-open runs of true flags, ascending and apart; ``first`` is the index of the first flag.

    Examples
    --------
    >>> runs_of(np.array([True, False, True, True])).tolist()
    [[0, 1], [2, 4]]
    """
    bounds = np.flatnonzero(np.diff(flags.view(np.int8), prepend=np.int8(0), append=np.int8(0)))
    return (bounds + first).reshape(-1, 2)


def ordered(ranges: ArrayLike) -> Ranges:
    """Return ranges that hold the same, starts and stops both ascending."""
    rows = np.asarray(ranges).reshape(-1, 2)
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    return np.stack([rows[:, 0], np.maximum.accumulate(rows[:, 1])], axis=1)


def joined(ranges: ArrayLike, apart: float = 0) -> Ranges:
    """Return the same as few ranges, ascending and more than ``apart`` from each other; empty ones count as well.

    Examples
    --------
    >>> joined([(5, 9), (0, 5), (30, 31)]).tolist()
    [[0, 9], [30, 31]]
    """
    rows = ordered(ranges)
    new = np.flatnonzero(np.append(True, rows[1:, 0] > rows[:-1, 1] + apart)[: len(rows)])
    last = np.append(new[1:] - 1, len(rows) - 1)[: len(new)]
    return np.stack([rows[new, 0], rows[last, 1]], axis=1)


def clipped(ranges: Ranges, first: float, last: float) -> Ranges:
    """Return what of each range lies within ``[first, last)``, in their order; empty ones are left out."""
    inside = np.clip(ranges, first, max(first, last))
    return inside[inside[:, 1] > inside[:, 0]]


def contains(ranges: ArrayLike, at: ArrayLike) -> Bools:
    """Return for each place whether one of the ranges, half open, holds it."""
    rows = ordered(ranges)
    return _begun(rows, np.searchsorted(rows[:, 1], at, side="right"), at)


def touches(ranges: ArrayLike, first: ArrayLike, last: ArrayLike) -> Bools:
    """Return for each ``first`` and ``last`` whether some range, ends included, has a point in ``[first, last]``."""
    rows = ordered(ranges)
    return _begun(rows, np.searchsorted(rows[:, 1], first, side="left"), last)


def _begun(rows: Ranges, following: NDArray[np.int64], by: ArrayLike) -> Bools:
    """Return whether the range that follows has begun by then."""
    starts = np.append(rows[:, 0].astype(np.float64), np.nan)  # after the last one none begins
    return np.asarray(starts[following] <= by)


def ends_in(ranges: ArrayLike, first: ArrayLike, last: ArrayLike) -> Bools:
    """Return for each pair of ``first`` and ``last`` whether some range ends in ``[first, last]``."""
    stops = np.sort(np.asarray(ranges).reshape(-1, 2)[:, 1])
    return np.asarray(np.searchsorted(stops, last, side="right") > np.searchsorted(stops, first, side="left"))


def covered(ranges: ArrayLike, first: float, last: float) -> float:
    """Return how much of ``[first, last]`` the ranges cover together."""
    inside = clipped(joined(ranges), first, last)
    return float((inside[:, 1] - inside[:, 0]).sum())
