"""Observed pulses to due slots: one alignment over the whole recording, with its confidence.

Pulses are taken in time order. A hypothesis says in which slot of the cycle the engine is, when that slot was, how
fast the engine turned over the last interval, and which leads were seen in the slot. Each pulse extends every
hypothesis: it opens a later slot, is another lead in the same slot, is an extra pulse, or is the first after a pause.
The cheapest sequence wins (Viterbi, IEEE Trans. Inf. Theory 13, 1967, with the survivors' own speed in the state, as
in per-survivor processing, Raheli et al. 1995; both from memory).

Costs are log odds. The speed between two slots may change by what an engine can do: spark timing moves, a free
engine gains some thousand rpm a second, a starter turns unevenly; beyond that the cost grows in a straight line, so
one wild interval cannot outweigh the rest. A running engine may stall within a turn but does not gain its speed back
in the next: what halves for one interval is a pulse that stayed away. A displaced pulse upsets two intervals and is
paid once. A silent slot or lead costs what an event in a thousand costs, in bursts less; an extra pulse likewise, and
little where the engine repeats sparks in every slot. A lead that speaks for one slot only anchors the place in the
cycle each time it is seen; every wrong count before it has paid by then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from miner.engine.kernels import (
    BEFORE,
    CAUGHT,
    COST,
    COUNT,
    LAST_EXTRA,
    LAST_SILENT,
    LOG_MEAN,
    LOG_SPEED,
    MARGIN,
    MAX_KEPT,
    N_FLOAT,
    N_INT,
    NOT_AGAIN,
    PATH,
    PRUNE,
    RAN,
    RESTART,
    SEEN,
    TIME,
    walk,
)  # fmt: skip
from miner.engine.slots import SlotPlan
from miner.recording.ranges import joined, ordered

__all__ = ["Alignment", "LeadGaps", "align", "lead_intervals"]

WINDOW = 2048
"""Pulses after which the older half of the window is settled with the best hypothesis."""

TRAIN = 16
"""Pulses looked at on each side: two trains of up to eight repeated sparks (common practice, no source)."""

LONGEST_SILENCE = 5
"""With few observable slots a cycle, up to so many slots from pulse to pulse may hide absent ones, if the speed agrees
before and after; else two cycles."""


@dataclass(frozen=True, kw_only=True)
class LeadGaps:
    """Gaps of each lead: rows ``first[i]:first[i + 1]`` of ``start_s`` and ``stop_s``, ascending, apart."""

    first: NDArray[np.int64]
    start_s: NDArray[np.float64]
    stop_s: NDArray[np.float64]

    @classmethod
    def of_leads(cls, ranges: Sequence[NDArray[np.float64]]) -> LeadGaps:
        """Return the gaps of leads that are given as ranges (`miner.recording.ranges`), one set a lead."""
        first = np.cumsum([0, *(len(own) for own in ranges)], dtype=np.int64)
        start_s, stop_s = np.concatenate([ordered(own) for own in ranges]).T
        return cls(first=first, start_s=start_s.copy(), stop_s=stop_s.copy())

    def of(self, lead: int) -> NDArray[np.float64]:
        """Return the gaps of one lead, shape (k, 2), starts and stops ascending."""
        rows = slice(self.first[lead], self.first[lead + 1])
        return np.stack([self.start_s[rows], self.stop_s[rows]], axis=1)

    def parts(self, at_s: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Return whether a stretch in which every lead was in a gap ended between each of ascending times and the last.

        What ended before the first time parts nothing.
        """
        edge_s, step = np.zeros(0), np.zeros(0, dtype=np.int64)
        for lead in range(len(self.first) - 1):
            dark = joined(self.of(lead))
            edge_s = np.concatenate((edge_s, *dark.T))
            step = np.concatenate((step, np.repeat([1, -1], len(dark))))
        order = np.lexsort((-step, edge_s))
        was_dark = np.append(0, np.cumsum(step[order])[:-1]) == len(self.first) - 1
        before = np.searchsorted(edge_s[order][was_dark], at_s, side="right")
        return np.diff(before, prepend=before[:1]) > 0


@dataclass(frozen=True, kw_only=True)
class First:
    """The first pulse's running slot number and engine speed (NaN: unknown), where an earlier alignment knows it."""

    count: int
    rpm: float


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
    cost : float
        Log odds against all pulses coming as the engine would have them; the sum over the pulses.
    """

    action: NDArray[np.int8]
    count: NDArray[np.int64]
    margin: NDArray[np.float64]
    cost: float


def align(
    turn_on_s: NDArray[np.float64],
    lead: NDArray[np.int64],
    delay_s: NDArray[np.float64],
    plan: SlotPlan,
    gaps: LeadGaps,
    *,
    first: First | None = None,
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
    first : First, optional
        What is known of the first pulse.
    """
    pulses = (turn_on_s, lead, delay_s, *lead_intervals(turn_on_s, lead))
    steps = _steps(plan)
    anchors = sum(1 << int(k) for k in np.flatnonzero(plan.anchors))
    engine = (steps, plan.serves, anchors, plan.n_starts, plan.cycle_deg)
    unseen = (gaps.first, gaps.start_s, gaps.stop_s)
    n = len(turn_on_s)
    result = (np.empty(n, np.int8), np.empty(n, np.int64), np.full(n, -1.0))
    kept = (np.zeros((MAX_KEPT, N_FLOAT)), np.zeros((MAX_KEPT, N_INT), np.int64))
    n_out = MAX_KEPT * (steps.shape[1] + plan.n_slots + 2)
    out = (np.zeros((n_out, N_FLOAT)), np.zeros((n_out, N_INT), np.int64))
    rows = (np.zeros((WINDOW, MAX_KEPT, 3), np.int64), np.full((WINDOW, MAX_KEPT), -1.0))
    order = np.zeros(n_out, np.int64)
    n_kept = _open(turn_on_s, lead, kept, rows, plan, first) if n else 0
    begin, row = 0, 1
    while begin + row < n:
        stop = min(begin + WINDOW, n)
        some = tuple(values[begin + row : stop] for values in pulses)
        n_kept = walk(some, kept, n_kept, out, order, rows, row, engine, unseen)
        row = stop - begin
        if stop < n:
            n_kept = _settle(rows, row, WINDOW // 2, kept, n_kept, begin, result)
            begin, row = begin + WINDOW // 2, row - WINDOW // 2
    if n:
        _last_margin(kept, n_kept, rows, row)
        _settle(rows, row, row, kept, n_kept, begin, result)
    cost = float(kept[0][0, COST]) if n else 0.0
    return Alignment(action=result[0], count=result[1], margin=_spread_margins(result[2]), cost=cost)


def lead_intervals(
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
    longest = max(LONGEST_SILENCE, 2 * plan.n_slots)
    place = np.arange(plan.n_slots)[:, None]
    return plan.crank_deg(place + np.arange(longest + 1)[None, :]) - plan.angle_deg[:, None]


def _open(
    turn_on_s: NDArray[np.float64],
    lead: NDArray[np.int64],
    kept: tuple[NDArray[np.float64], NDArray[np.int64]],
    rows: tuple[NDArray[np.int64], NDArray[np.float64]],
    plan: SlotPlan,
    first: First | None,
) -> int:
    """Open with every place the first pulse can be in, speed unknown, or with the known one; return their number."""
    floats, ints = kept
    possible = np.flatnonzero(plan.serves[lead[0], : plan.n_starts])
    places = possible if first is None else np.array([first.count])
    n = len(places)
    floats[:n, TIME], floats[:n, LOG_SPEED], floats[:n, MARGIN] = turn_on_s[0], np.nan, PRUNE
    floats[:n, BEFORE] = np.nan
    if first is not None and first.rpm > 0:
        floats[:n, LOG_SPEED] = floats[:n, LOG_MEAN] = np.log(6.0 * first.rpm)
        ints[:n, RAN] = CAUGHT
    ints[:n, COUNT], ints[:n, SEEN], ints[:n, LAST_EXTRA] = places, 1 << int(lead[0]), NOT_AGAIN
    ints[:n, LAST_SILENT] = NOT_AGAIN
    ints[:n, PATH] = places + 1
    rows[0][0, :n, 1], rows[0][0, :n, 2] = RESTART, places
    return n


def _settle(
    rows: tuple[NDArray[np.int64], NDArray[np.float64]],
    n_rows: int,
    n_settled: int,
    kept: tuple[NDArray[np.float64], NDArray[np.int64]],
    n_kept: int,
    begin: int,
    result: tuple[NDArray[np.int8], NDArray[np.int64], NDArray[np.float64]],
) -> int:
    """Write the best path's first rows to the result, drop hypotheses that do not share them; return how many stay."""
    steps, margins = rows
    floats, ints = kept
    ancestor = _ancestors(steps, n_rows, n_settled, n_kept)
    path = _trace(steps, n_settled, ancestor[0])
    at, settled = np.arange(n_settled), slice(begin, begin + n_settled)
    result[0][settled], result[1][settled] = steps[at, path, 1], steps[at, path, 2]
    result[2][settled] = margins[at, path]
    n_left = n_rows - n_settled
    steps[:n_left], margins[:n_left] = steps[n_settled:n_rows].copy(), margins[n_settled:n_rows].copy()
    same = ancestor == ancestor[0]
    if not same.all():
        floats[0, MARGIN] = min(floats[0, MARGIN], (floats[:n_kept, COST][~same] - floats[0, COST]).min())
    stay = np.flatnonzero(same)
    floats[: len(stay)], ints[: len(stay)] = floats[stay], ints[stay]
    if n_left:
        steps[n_left - 1, : len(stay)] = steps[n_left - 1, stay]
        margins[n_left - 1, : len(stay)] = margins[n_left - 1, stay]
    return len(stay)


@numba.njit(cache=True, nogil=True)
def _ancestors(steps, n_rows, n_settled, n_kept):  # type: ignore[no-untyped-def]
    """Column of each survivor's ancestor in the last settled row."""
    ancestor = np.arange(n_kept)
    for h in range(n_kept):
        for row in range(n_rows - 1, n_settled - 1, -1):
            ancestor[h] = steps[row, ancestor[h], 0]
    return ancestor


@numba.njit(cache=True, nogil=True)
def _trace(steps, n_settled, column):  # type: ignore[no-untyped-def]
    """Columns of the path that ends in ``column`` of the last settled row."""
    path = np.empty(n_settled, np.int64)
    for row in range(n_settled - 1, -1, -1):
        path[row] = column
        column = steps[row, column, 0]
    return path


def _last_margin(
    kept: tuple[NDArray[np.float64], NDArray[np.int64]],
    n_kept: int,
    rows: tuple[NDArray[np.int64], NDArray[np.float64]],
    n_rows: int,
) -> None:
    """Give the stretch that no later anchor confirms the margin to its best living rival."""
    floats, ints = kept
    rivals = ints[:n_kept, PATH] != ints[0, PATH]
    behind = (floats[:n_kept, COST][rivals] - floats[0, COST]).min(initial=PRUNE)
    rows[1][n_rows - 1, 0] = min(floats[0, MARGIN], behind)


def _spread_margins(noted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give each pulse the margin noted where its stretch was closed: at the next noting pulse after it.

    The last pulse closes its own stretch.
    """
    closing = np.flatnonzero(noted >= 0)
    following = np.searchsorted(closing, np.arange(len(noted)), side="right")
    return noted[closing[np.minimum(following, len(closing) - 1)]] if len(noted) else noted
