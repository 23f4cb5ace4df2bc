"""Observed pulses to due slots: one alignment over the whole recording, with its confidence.

Pulses are taken in time order. A hypothesis says in which slot of the cycle the engine is, when that slot was, how
fast the engine turned over the last interval, and which leads were seen in the slot. Each pulse extends every
hypothesis: it opens a later slot, is another lead in the same slot, is an extra pulse, or is the first after a pause.
The cheapest sequence wins (Viterbi, IEEE Trans. Inf. Theory 13, 1967, with the survivors' own speed in the state, as
in per-survivor processing, Raheli et al. 1995; both from memory).

Costs are log odds. The speed between two slots may change by what an engine can do: spark timing moves, a free
engine gains some thousand rpm a second, a starter turns unevenly; beyond that the cost grows in a straight line, so
one wild interval cannot outweigh the rest. A silent slot or lead costs what an event in a thousand costs, in bursts
less; an extra pulse likewise, and little where the engine repeats sparks in every slot. A lead that speaks for one
slot only anchors the place in the cycle each time it is seen; every wrong count before it has paid by then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from miner.engine.kernels import (
    ACTION,
    ANCHORED,
    BACK,
    COST,
    COUNT,
    LAST_EXTRA,
    LOG_SPEED,
    MARGIN,
    MAX_KEPT,
    N_FLOAT,
    N_INT,
    NOT_AGAIN,
    PATH,
    PRUNE,
    RESTART,
    SEEN,
    TIME,
    extend,
    select,
)
from miner.engine.slots import SlotPlan

__all__ = ["Alignment", "LeadGaps", "align"]

WINDOW = 2048
"""Pulses after which the older half of the window is settled with the best hypothesis."""

TRAIN = 16
"""Pulses looked at on each side: two trains of repeated sparks, up to eight sparks each (common practice, no source)."""

LONGEST_SILENCE_LONE = 5
"""One observable slot a cycle: silence up to here may still be absent pulses, if the speed agrees before and after."""


@dataclass(frozen=True, kw_only=True)
class LeadGaps:
    """Gaps of each lead: rows ``first[i]:first[i + 1]`` of ``start_s`` and ``stop_s``, ascending, apart."""

    first: NDArray[np.int64]
    start_s: NDArray[np.float64]
    stop_s: NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Alignment:
    """What each pulse is.

    Attributes
    ----------
    action : ndarray of int8, shape (n_pulses,)
        One of `miner.engine.kernels` ``ADVANCE``, ``SAME``, ``EXTRA``, ``RESTART``.
    count : ndarray of int64, shape (n_pulses,)
        Running slot number the pulse is in: repetition * slots + slot.
    margin : ndarray of float64, shape (n_pulses,)
        Log odds against the best other labelling of the stretch it is in; higher is surer, 0 is a tie.
    """

    action: NDArray[np.int8]
    count: NDArray[np.int64]
    margin: NDArray[np.float64]


def align(
    turn_on_s: NDArray[np.float64],
    lead: NDArray[np.int64],
    delay_s: NDArray[np.float64],
    plan: SlotPlan,
    gaps: LeadGaps,
) -> Alignment:
    """Align pulses to slots.

    Parameters
    ----------
    turn_on_s : ndarray of float64, shape (n_pulses,)
        Equivalent command turn-on, ascending.
    lead : ndarray of int64, shape (n_pulses,)
        Row of ``plan.lead``.
    delay_s : ndarray of float64, shape (n_pulses,)
        Usual feedback delay at each pulse.
    plan : SlotPlan
        Observable slots and leads.
    gaps : LeadGaps
        Where a lead cannot show a pulse.
    """
    action, count, margin = _run(
        turn_on_s,
        lead,
        delay_s,
        *_lead_intervals(turn_on_s, lead),
        _steps(plan),
        plan.serves,
        plan.serves.sum(axis=1) == 1,
        plan.n_starts,
        plan.cycle_deg,
        gaps.first,
        gaps.start_s,
        gaps.stop_s,
    )
    return Alignment(action=action, count=count, margin=margin)


def _lead_intervals(
    turn_on_s: NDArray[np.float64], lead: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the time since the lead's previous pulse, and the second longest such time near it on the lead.

    The second, because one absence makes one long interval; repeated sparks leave one after every slot.
    """
    since, longest = np.full(len(lead), np.inf), np.full(len(lead), np.inf)
    for k in np.unique(lead):
        rows = np.flatnonzero(lead == k)
        since[rows[1:]] = np.maximum(np.diff(turn_on_s[rows]), 1e-9)
        longest[rows[1:]] = _second_longest(since[rows[1:]], TRAIN)
    return since, longest


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _second_longest(values, side):  # type: ignore[no-untyped-def]
    """Second largest value within ``side`` places on each side."""
    out = np.empty(len(values))
    for i in range(len(values)):
        first, second = 0.0, 0.0
        for j in range(max(0, i - side), min(len(values), i + side + 1)):
            if values[j] > first:
                first, second = values[j], first
            elif values[j] > second:
                second = values[j]
        out[i] = second
    return out


def _steps(plan: SlotPlan) -> NDArray[np.float64]:
    """Crank degrees from each slot over ``m`` slots, shape (n_slots, longest + 1)."""
    longest = LONGEST_SILENCE_LONE if plan.n_slots == 1 else 2 * plan.n_slots
    place = np.arange(plan.n_slots)[:, None]
    return plan.crank_deg(place + np.arange(longest + 1)[None, :]) - plan.angle_deg[:, None]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _run(
    turn_on, lead, delay, gap, longest, steps, serves, anchors, n_starts, cycle_deg, gap_first, gap_start, gap_stop
):  # type: ignore[no-untyped-def]
    """Walk over all pulses; settle the older half whenever the window is full."""
    n_pulses, n_slots = len(turn_on), serves.shape[1]
    result = (np.empty(n_pulses, np.int8), np.empty(n_pulses, np.int64), np.full(n_pulses, -1.0))
    n_out = MAX_KEPT * (steps.shape[1] + n_slots + 2)
    kept = (np.zeros((MAX_KEPT, N_FLOAT)), np.zeros((MAX_KEPT, N_INT), np.int64))
    out = (np.zeros((n_out, N_FLOAT)), np.zeros((n_out, N_INT), np.int64))
    rows = (np.zeros((WINDOW, MAX_KEPT, 3), np.int64), np.full((WINDOW, MAX_KEPT), -1.0))
    plan = (steps, serves, anchors, n_starts, cycle_deg)
    gaps = (gap_first, gap_start, gap_stop)
    order = np.zeros(n_out, np.int64)
    n_kept, begin = 0, 0
    for i in range(n_pulses):
        if n_kept:
            n = extend(turn_on[i], lead[i], delay[i], gap[i], longest[i], kept, n_kept, out, plan, gaps)
        else:
            n = _first(turn_on[i], lead[i], out, serves, n_starts)
        n_kept = select(out, n, kept, n_slots, order)
        _remember(rows, i - begin, kept, n_kept)
        if i - begin == WINDOW - 1:
            n_kept = _settle(rows, WINDOW, WINDOW // 2, kept, n_kept, begin, result)
            begin += WINDOW // 2
    if n_pulses:
        _last_margin(kept, n_kept, rows, n_pulses - begin)
        _settle(rows, n_pulses - begin, n_pulses - begin, kept, n_kept, begin, result)
    _spread_margins(result[2])
    return result


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _first(turn_on, lead, out, serves, n_starts):  # type: ignore[no-untyped-def]
    """Open the recording: every place the first pulse can be in, speed unknown."""
    floats, ints = out
    n = 0
    for place in range(n_starts):
        if serves[lead, place]:
            floats[n, :] = 0.0
            ints[n, :] = 0
            floats[n, TIME], floats[n, LOG_SPEED], floats[n, MARGIN] = turn_on, np.nan, PRUNE
            ints[n, COUNT], ints[n, SEEN], ints[n, LAST_EXTRA] = place, 1 << lead, NOT_AGAIN
            ints[n, PATH], ints[n, ACTION] = place + 1, RESTART
            n += 1
    return n


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _remember(rows, row, kept, n_kept):  # type: ignore[no-untyped-def]
    """Note each survivor's step; where a labelled slot just ended, note the margin of the stretch before it."""
    floats, ints = kept
    for k in range(n_kept):
        rows[0][row, k, 0] = ints[k, BACK]
        rows[0][row, k, 1] = ints[k, ACTION]
        rows[0][row, k, 2] = ints[k, COUNT]
        rows[1][row, k] = -1.0
        if ints[k, ANCHORED]:
            rows[1][row, k] = floats[k, MARGIN]
            floats[k, MARGIN] = PRUNE
            ints[k, PATH] = ints[k, COUNT] + 1 if ints[k, ACTION] == RESTART else 0
            ints[k, ANCHORED] = 0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _settle(rows, n_rows, n_settled, kept, n_kept, begin, result):  # type: ignore[no-untyped-def]
    """Write the best path's first rows to the result and drop hypotheses that do not share them."""
    steps, margins = rows
    floats, ints = kept
    ancestor = np.zeros(n_kept, np.int64)
    for h in range(n_kept):
        k = h
        for row in range(n_rows - 1, n_settled - 1, -1):
            k = steps[row, k, 0]
        ancestor[h] = k
    k = ancestor[0]
    for row in range(n_settled - 1, -1, -1):
        result[0][begin + row] = steps[row, k, 1]
        result[1][begin + row] = steps[row, k, 2]
        result[2][begin + row] = margins[row, k]
        k = steps[row, k, 0]
    steps[: n_rows - n_settled] = steps[n_settled:n_rows].copy()
    margins[: n_rows - n_settled] = margins[n_settled:n_rows].copy()
    n_left = 0
    for h in range(n_kept):
        if ancestor[h] != ancestor[0]:
            floats[0, MARGIN] = min(floats[0, MARGIN], floats[h, COST] - floats[0, COST])
            continue
        floats[n_left] = floats[h]
        ints[n_left] = ints[h]
        steps[n_rows - n_settled - 1, n_left] = steps[n_rows - n_settled - 1, h]
        margins[n_rows - n_settled - 1, n_left] = margins[n_rows - n_settled - 1, h]
        n_left += 1
    return n_left


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _last_margin(kept, n_kept, rows, n_rows):  # type: ignore[no-untyped-def]
    """Give the stretch that no later anchor confirms the margin to its best living rival."""
    floats, ints = kept
    for h in range(1, n_kept):
        if ints[h, PATH] != ints[0, PATH]:
            floats[0, MARGIN] = min(floats[0, MARGIN], floats[h, COST] - floats[0, COST])
    rows[1][n_rows - 1, 0] = floats[0, MARGIN]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _spread_margins(margin):  # type: ignore[no-untyped-def]
    """Fill each stretch backwards from the pulse that closed it."""
    closing = margin[-1] if len(margin) else 0.0
    for i in range(len(margin) - 1, -1, -1):
        noted = margin[i]
        margin[i] = closing
        if noted >= 0.0:
            closing = noted
            if i == len(margin) - 1:
                margin[i] = closing
