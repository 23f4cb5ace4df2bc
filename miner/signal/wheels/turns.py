"""From teeth to crank angle: which place of the wheel each tooth is, teeth that did not come, teeth too many.

A wheel of N teeth in equal steps of which M are left out shows an interval of M + 1 steps once a turn; the first tooth
behind it is the reference (geometry). Each interval is held against the step before it. Where a step cannot be told any
more - the crank stood, samples are missing, the gap is not where it should be - a new stretch begins, and its angle is
known once the gap has come again where it should.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from miner.signal.leads import Wheel

__all__ = ["Course", "place_teeth"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SLOWEST_RPM = 30.0
"""Slower than this, measured over one step, the crank stands: a starter turns it at 150 to 350 rpm, and a compression
stroke halves that for a moment (common practice, no source)."""

_CUT, _LATE = 1.4, 1.5
"""Of a step: two intervals that together last less than the first are one, cut by a tooth too many; one that lasts
longer than the second is missing a tooth. The steps behind must agree, so no start and no stop is taken for either
(own choice: two real steps last 2, and no crank gains a third from tooth to tooth but at a start)."""

_WHOLE_LOW, _WHOLE_HIGH = 0.6, 1.6
"""Of the step before: what is one step, or a gap in its steps (own choice, wide: a compression stroke slows
a crank)."""

_MOST_MISSING = 8
"""Teeth in a row that may be counted as missing; behind more the place is lost (own choice)."""

PLACE, STRETCH, MISSING, EXTRA = 0, 1, 2, 3
"""Columns of the result: running step within the stretch (-1: not a tooth), stretch, teeth missing and too many since
the tooth before."""


@dataclass(frozen=True, kw_only=True)
class Course:
    """Teeth that have a place.

    Attributes
    ----------
    tooth : ndarray of shape (n,)
        Index of each among all teeth found.
    angle_deg : ndarray of shape (n,)
        Crank angle, running on within a stretch; a multiple of the wheel's repeat is its reference where ``is_known``.
    stretch : ndarray of shape (n,)
    is_known : ndarray of shape (n,)
        Whether the reference of the stretch is known.
    n_missing, n_extra : ndarray of shape (n,)
        Teeth that did not come, and teeth too many, since the one before.
    """

    tooth: Ints
    angle_deg: Floats
    stretch: Ints
    is_known: NDArray[np.bool_]
    n_missing: Ints
    n_extra: Ints


def place_teeth(time_s: Floats, broken: NDArray[np.bool_], wheel: Wheel) -> Course:
    """Give each tooth its place.

    Parameters
    ----------
    time_s : ndarray of shape (n,)
        Instants of the teeth, ascending.
    broken : ndarray of shape (n,)
        Whether samples are missing between a tooth and the one before.
    wheel : Wheel
    """
    pitch_deg = wheel.turn_deg / wheel.teeth
    longest_s = pitch_deg / (6.0 * SLOWEST_RPM)
    rows, reference, confirmed = _place(time_s, broken, wheel.teeth, wheel.missing, longest_s)
    tooth = np.flatnonzero(rows[:, PLACE] >= 0)
    stretch = rows[tooth, STRETCH]
    known = confirmed >= 1 if wheel.missing else np.full(confirmed.shape, wheel.teeth == 1)
    steps = rows[tooth, PLACE] - np.where(known & (reference >= 0), reference, 0)[stretch]
    sure = known[stretch] | (wheel.missing == 0)
    return Course(
        tooth=tooth,
        angle_deg=steps * pitch_deg,
        stretch=stretch,
        is_known=known[stretch],
        n_missing=np.where(sure, rows[tooth, MISSING], 0),
        n_extra=np.where(sure, rows[tooth, EXTRA], 0),
    )


@njit(cache=True, nogil=True)
def _is_extra(t, at, i, step_s):  # type: ignore[no-untyped-def]
    """Whether the interval that tooth ``i`` ends is cut by it: with it left out, this one and the next are one step."""
    if i + 2 >= t.size:
        return False
    whole, after = t[i + 1] - t[at], t[i + 2] - t[i + 1]
    return _WHOLE_LOW * step_s < whole < _CUT * step_s and after > _WHOLE_LOW * step_s


@njit(cache=True, nogil=True)
def _late_steps(t, at, i, step_s, place, teeth, missing):  # type: ignore[no-untyped-def]
    """Return how many steps an interval holds that should be one; 1: the next one is as long; 0: the place is lost."""
    d = t[i] - t[at]
    n = int(np.round(d / step_s))
    if d < _LATE * step_s or i + 1 >= t.size or n < 2:
        return 1
    land = place + n
    after = t[i + 1] - t[i]
    if land % teeth == teeth - missing - 1:
        after /= missing + 1
    if d < _LATE * after:
        return 1
    crosses = land >= teeth
    if n - 1 > _MOST_MISSING + (missing if crosses else 0) or teeth - missing <= land < teeth:
        return 0
    return n


@njit(cache=True, nogil=True)
def _first_gap(ratio, place, missing):  # type: ignore[no-untyped-def]
    """Return where the reference is, told by the first gap of a stretch, and whether it was the interval before."""
    wide = missing + 1.0
    if missing == 0:
        return place, False
    if np.sqrt(wide) < ratio < _WHOLE_HIGH * wide:
        return place + missing + 1, False
    if place == 1 and _WHOLE_LOW / wide < ratio < 1.0 / np.sqrt(wide):
        return missing + 1, True
    return -1, False


@njit(cache=True, nogil=True)
def _place(t, broken, teeth, missing, longest_s):  # type: ignore[no-untyped-def]
    """Return the rows by the names above, and per stretch its reference (step, -1: none) and how often it came true."""
    n = t.size
    rows = np.zeros((n, 4), np.int64)
    reference, confirmed = np.full(n + 1, -1, np.int64), np.zeros(n + 1, np.int64)
    at, k, step_s = 0, 0, np.nan  # tooth before, its stretch, its step
    for i in range(1, n):
        d = t[i] - t[at]
        place, moved, n_missing = rows[at, PLACE], 1, 0
        if broken[i] or d > (missing + 1) * longest_s:
            moved = 0
        elif reference[k] < 0 and not np.isnan(step_s):
            reference[k], was_gap = _first_gap(d / step_s, place, missing)
            if was_gap:
                rows[at, PLACE] = place = missing + 1
            elif reference[k] > place:
                moved = missing + 1
        elif reference[k] >= 0:
            within = (place - reference[k]) % teeth
            if missing > 0 and within == teeth - missing - 1:
                moved = missing + 1 if d > np.sqrt(missing + 1.0) * step_s else 0
                confirmed[k] += moved > 0
            elif _is_extra(t, at, i, step_s):
                rows[i, PLACE], rows[i, STRETCH] = -1, k
                rows[i + 1, EXTRA] = 1
                continue
            else:
                moved = _late_steps(t, at, i, step_s, within, teeth, missing)
                n_missing = moved - 1 - (missing if within + moved >= teeth and moved > 1 else 0)
        if moved == 0:  # the place is lost
            k, step_s = k + 1, np.nan
            rows[i, EXTRA] = 0
        else:
            rows[i, PLACE], rows[i, MISSING], step_s = place + moved, max(n_missing, 0), d / moved
        rows[i, STRETCH] = k
        at = i
    return rows, reference[: k + 1], confirmed[: k + 1]
