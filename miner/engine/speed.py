"""Engine speed and timing from the tracked slots.

degrees = 6 * rpm * seconds (Heywood, Internal Combustion Engine Fundamentals, ch. 2; from memory).
"""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = ["cycle_speed_rpm", "timing_residual_deg"]

N_SIDE = 4
"""Neighbours on each side for the expected place: a quadratic through eight stays robust against two wild ones."""


def cycle_speed_rpm(
    turn_on_s: NDArray[np.float64],
    crank_deg: NDArray[np.float64],
    segment: NDArray[np.int64],
    n_slots: int,
) -> NDArray[np.float64]:
    """Return the speed over the cycle centred on each slot; at a segment's ends over its first or last cycle.

    Parameters
    ----------
    turn_on_s, crank_deg : ndarray of float64, shape (n,)
        When and at which crank angle each slot was.
    segment : ndarray of int64, shape (n,)
        Stretch between pauses, ascending.
    n_slots : int
        Slots of one repetition.

    Returns
    -------
    ndarray of float64, shape (n,)
        rpm; NaN in a segment of one slot.
    """
    rows = np.arange(len(segment))
    first = np.searchsorted(segment, segment, side="left")
    last = np.searchsorted(segment, segment, side="right") - 1
    below = _span_rpm(turn_on_s, crank_deg, rows - n_slots // 2, first, last, n_slots)
    if n_slots % 2 == 0:
        return below
    above = _span_rpm(turn_on_s, crank_deg, rows - n_slots // 2 - 1, first, last, n_slots)
    with np.errstate(divide="ignore"):
        return np.asarray(2.0 / (1.0 / below + 1.0 / above))


def _span_rpm(
    turn_on_s: NDArray[np.float64],
    crank_deg: NDArray[np.float64],
    start: NDArray[np.int64],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    n_slots: int,
) -> NDArray[np.float64]:
    low = np.maximum(np.minimum(start, last - n_slots), first)
    high = np.minimum(low + n_slots, last)
    seconds = turn_on_s[high] - turn_on_s[low]
    degrees = crank_deg[high] - crank_deg[low]
    rpm = np.full(len(start), np.nan)
    np.divide(degrees, 6.0 * seconds, out=rpm, where=seconds > 0)
    return rpm


def timing_residual_deg(
    turn_on_s: NDArray[np.float64],
    crank_deg: NDArray[np.float64],
    segment: NDArray[np.int64],
    seen: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Return how far each seen slot lies off the place its neighbours expect, in crank degrees; positive is late.

    Expected is a quadratic of time over crank angle through up to four seen neighbours on each side, the slot
    itself left out, fitted for least absolute deviation so that a displaced neighbour does not pull it. Beside it
    stands what the neighbours of one side alone expect (least squares): where all timing has stepped, as at a gear
    change, an event agrees with one side.

    Returns
    -------
    ndarray of float64, shape (n, 3)
        Off the place expected from both sides, from the slots before, from the slots after. NaN where the slot was
        not seen or has fewer than two neighbours on a side or five in all; of one side, where it has fewer than four.
    """
    return np.asarray(_residuals(turn_on_s, crank_deg, segment, seen))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _residuals(turn_on_s, crank_deg, segment, seen):  # type: ignore[no-untyped-def]
    n = len(turn_on_s)
    out = np.full((n, 3), np.nan)
    x, y = np.empty(2 * N_SIDE), np.empty(2 * N_SIDE)
    for i in range(n):
        if not seen[i]:
            continue
        before = _gather(turn_on_s, crank_deg, segment, seen, i, -1, x, y, 0)
        total = _gather(turn_on_s, crank_deg, segment, seen, i, 1, x, y, before)
        if before < 2 or total - before < 2 or total < 5:
            continue
        span = max(abs(x[before - 1]), abs(x[total - 1]))
        place, slope = _robust_quadratic(x[:total] / span, y[:total], 12)
        if slope > 0.0:
            out[i, 0] = -place * span / slope
            if before == N_SIDE:
                out[i, 1] = -_robust_quadratic(x[:before] / span, y[:before], 1)[0] * span / slope
            if total - before == N_SIDE:
                out[i, 2] = -_robust_quadratic(x[before:total] / span, y[before:total], 1)[0] * span / slope
    return out


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _gather(turn_on_s, crank_deg, segment, seen, i, step, x, y, n):  # type: ignore[no-untyped-def]
    """Append up to ``N_SIDE`` seen neighbours on one side, as offsets from slot ``i``."""
    wanted = n + N_SIDE
    j = i + step
    tried = 0
    while 0 <= j < len(seen) and segment[j] == segment[i] and n < wanted and tried < 2 * N_SIDE:
        if seen[j]:
            x[n] = crank_deg[j] - crank_deg[i]
            y[n] = turn_on_s[j] - turn_on_s[i]
            n += 1
        j += step
        tried += 1
    return n


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _robust_quadratic(x, y, n_steps):  # type: ignore[no-untyped-def]
    """Return value and slope at 0 of a quadratic, by iteratively reweighted least squares (L1; in one step, plain)."""
    n = len(x)
    weight = np.ones(n)
    a, b, c = 0.0, 0.0, 0.0
    smallest = 1e-4 * (y.max() - y.min())
    for _ in range(n_steps):
        s0, s1, s2, s3, s4, t0, t1, t2 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for k in range(n):
            w, u = weight[k], x[k]
            s0 += w
            s1 += w * u
            s2 += w * u * u
            s3 += w * u**3
            s4 += w * u**4
            t0 += w * y[k]
            t1 += w * u * y[k]
            t2 += w * u * u * y[k]
        det = s0 * (s2 * s4 - s3 * s3) - s1 * (s1 * s4 - s3 * s2) + s2 * (s1 * s3 - s2 * s2)
        a = (t0 * (s2 * s4 - s3 * s3) - s1 * (t1 * s4 - s3 * t2) + s2 * (t1 * s3 - s2 * t2)) / det
        b = (s0 * (t1 * s4 - t2 * s3) - t0 * (s1 * s4 - s3 * s2) + s2 * (s1 * t2 - t1 * s2)) / det
        c = (s0 * (s2 * t2 - s3 * t1) - s1 * (s1 * t2 - t1 * s2) + t0 * (s1 * s3 - s2 * s2)) / det
        for k in range(n):
            weight[k] = 1.0 / max(abs(y[k] - a - b * x[k] - c * x[k] * x[k]), smallest)
        weight /= weight.max()
    return a, b
