"""The usual delay from command turn-on to the feedback's asserting edge, as it moves along the recording.

It follows coil supply voltage, so it can double or triple while the starter turns. The alignment takes it off the
feedback's time, so that a slot seen by feedback alone lies where its command would have been.

The feedback that follows a command first need not be its answer: the answer may be absent, many times in a row, and
with many cylinders at high speed another coil answers first. The answer's delay moves with the supply voltage,
slowly; what other coils answer moves with engine speed. So the delay is followed from command to command among all
feedback within reach, by the cheapest path (Viterbi, IEEE Trans. Inf. Theory 13, 1967; from memory).
"""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = ["usual_delay_s"]

LONGEST_S = 0.02
"""A feedback later than this after a command is another one's (coils charge within 20 ms; common practice)."""

N_NEIGHBOURS = 5
"""Pairs in the running median: the starter turns only a few cycles, so it has to be short."""

CELL = 0.05
"""Width of the cells, in natural logarithm, that the most frequent delay is looked for in."""

SPEED_CELL = 0.1
"""Width of the cells, in natural logarithm, of the time between commands."""

FEW, RARE_SPEED = 20, 0.02
"""A speed that fewer commands, or a smaller share of them, were seen at counts less: it may be one wild interval."""

SCATTER = 0.02
"""Relative scatter of the delay from one command to the next that costs nothing."""

STEP, STEP_PER_S = 0.05, 2.0
"""Relative change of the delay from one command to the next that costs one: at once, and more with the time between
(own choice: a load that switches moves the supply by some percent; the starter moves it by half within a few turns)."""

MISS = (3.0, *[1.0] * 9, 0.25)
"""Log odds of the first, second ... absent answer in a row and of all further ones: one in twenty, so that a doubtful
pair is rather left out; absences come in bursts, and a coil that stays silent stays silent (own choice)."""

HIDDEN = 0.08
"""The same for an answer that was due while the line was held by another coil's: a pair is better, an absence worse."""

SINGLE_ANSWER, LONGER = 0.01, 1.5
"""Quantile of the pulse durations that is surely one answer, and how much longer pulses hold two (own choice)."""

FROM_USUAL = 0.2
"""Cost of a delay e times the usual one: of paths that move alike, the one near the most frequent delay."""

N_PATHS = 8
"""Paths followed at once, each by its last answer (own choice)."""


def usual_delay_s(
    command_s: NDArray[np.float64],
    feedback_s: NDArray[np.float64],
    at_s: NDArray[np.float64],
    *,
    released_s: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Return the usual delay at each instant; zeros when no pair is found.

    Parameters
    ----------
    command_s, feedback_s : ndarray of float64
        Turn-on of commands and asserting edges of feedback that answer them, ascending.
    at_s : ndarray of float64, shape (n,)
        Where it is wanted.
    released_s : ndarray of float64, optional
        When each feedback pulse ended. An answer due before that may be hidden in the pulse.

    Returns
    -------
    ndarray of float64, shape (n,)
        Seconds.
    """
    first = np.searchsorted(feedback_s, command_s, side="right")
    stop = np.searchsorted(feedback_s, command_s + LONGEST_S, side="left")
    log_gap = _log_gaps(command_s, feedback_s, first, stop)
    if not len(log_gap):
        return np.zeros(len(at_s))
    begin = np.concatenate(([0], np.cumsum(np.maximum(stop - first, 0))))
    elapsed = np.diff(command_s, prepend=-np.inf)
    usual = _most_frequent(log_gap, np.repeat(_same_at_all_speeds(elapsed), np.diff(begin)))
    busy = (command_s, first, feedback_s, _busy_until(feedback_s, released_s))
    taken = _follow(begin, log_gap, elapsed, np.array(MISS), usual, busy)
    pairs = np.isfinite(taken)
    if not pairs.any():
        return np.zeros(len(at_s))
    local = np.exp(_running_median(taken[pairs], N_NEIGHBOURS))
    nearest = _nearest(command_s[pairs], at_s)
    return np.asarray(local[nearest])


def _log_gaps(
    command_s: NDArray[np.float64],
    feedback_s: NDArray[np.float64],
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Return the logarithm of the time from each command to every feedback within reach, command after command."""
    count = np.maximum(stop - first, 0)
    owner = np.repeat(np.arange(len(command_s)), count)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count) + first[owner]
    return np.asarray(np.log(feedback_s[place] - command_s[owner]), dtype=np.float64)


def _busy_until(feedback_s: NDArray[np.float64], released_s: NDArray[np.float64] | None) -> NDArray[np.float64]:
    """Return until when a pulse may hide another answer: not at all unless it is longer than one answer."""
    if released_s is None:
        return feedback_s
    length = released_s - feedback_s
    single = float(np.quantile(length, SINGLE_ANSWER))
    return np.where(length > LONGER * single, released_s - 0.5 * single, feedback_s)


def _same_at_all_speeds(elapsed_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return weights of the commands that make every speed count alike: what stays at all speeds is the delay."""
    cell = np.floor(np.log(np.clip(elapsed_s, 1e-4, 1.0)) / SPEED_CELL).astype(np.int64)
    _, which, count = np.unique(cell, return_inverse=True, return_counts=True)
    return np.asarray(1.0 / np.maximum(count, max(FEW, RARE_SPEED * len(elapsed_s)))[which])


def _most_frequent(log_gap: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    """Return the shortest of the frequent delays.

    At a speed that never changes, the answers of other coils are as frequent as the command's own, and later.
    """
    cell = np.floor(log_gap / CELL).astype(np.int64)
    count = np.convolve(np.bincount(cell - cell.min(), weights=weight), np.ones(3), mode="same")
    padded = np.pad(count, 1)
    frequent = (count >= 0.5 * count.max()) & (count >= padded[:-2]) & (count >= padded[2:])
    centre = (int(np.flatnonzero(frequent)[0]) + int(cell.min()) + 0.5) * CELL
    return float(np.median(log_gap[np.abs(log_gap - centre) <= 1.5 * CELL]))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _is_hidden(i, value, busy):  # type: ignore[no-untyped-def]
    """Whether the answer to command ``i`` after a delay of ``exp(value)`` falls into a pulse that began before it."""
    command_s, first, feedback_s, released_s = busy
    at = command_s[i] + np.exp(value)
    j = first[i]
    while j < len(feedback_s) and feedback_s[j] <= at:
        j += 1
    return j > 0 and released_s[j - 1] > at


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _follow(begin, log_gap, elapsed_s, miss, usual, busy):  # type: ignore[no-untyped-def]
    """Return the logarithm of each command's delay along the cheapest path; NaN where its answer is absent."""
    n = len(elapsed_s)
    back = np.zeros((n, N_PATHS), np.int8)
    taken = np.full((n, N_PATHS), np.nan)
    most = np.max(begin[1:] - begin[:-1]) + N_PATHS
    value, cost, missed = np.full(N_PATHS, usual), np.zeros(N_PATHS), np.zeros(N_PATHS, np.int64)
    new_value, new_cost, new_own = np.empty(most), np.empty(most), np.empty(most)
    new_from, new_missed = np.empty(most, np.int64), np.empty(most, np.int64)
    n_kept = 1
    for i in range(n):
        step = STEP + STEP_PER_S * elapsed_s[i]
        m = 0
        for k in range(begin[i], begin[i + 1]):
            best, chosen = np.inf, 0
            for h in range(n_kept):
                way = cost[h] + max(0.0, abs(log_gap[k] - value[h]) - SCATTER) / step
                if way < best:
                    best, chosen = way, h
            new_value[m], new_own[m], new_from[m], new_missed[m] = log_gap[k], log_gap[k], chosen, 0
            new_cost[m] = best + FROM_USUAL * abs(log_gap[k] - usual)
            m += 1
        for h in range(n_kept):
            new_value[m], new_own[m], new_from[m] = value[h], np.nan, h
            hidden = _is_hidden(i, value[h], busy)
            new_missed[m] = missed[h] if hidden else min(missed[h] + 1, len(miss) - 1)
            new_cost[m] = cost[h] + (HIDDEN if hidden else miss[missed[h]])
            m += 1
        order = np.argsort(new_cost[:m], kind="mergesort")
        n_kept = min(m, N_PATHS)
        for h in range(n_kept):
            row = order[h]
            value[h], cost[h], missed[h] = new_value[row], new_cost[row] - new_cost[order[0]], new_missed[row]
            back[i, h], taken[i, h] = new_from[row], new_own[row]
    out = np.empty(n)
    h = 0
    for i in range(n - 1, -1, -1):
        out[i] = taken[i, h]
        h = back[i, h]
    return out


def _running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    side = width // 2
    padded = np.pad(values, side, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))


def _nearest(sorted_s: NDArray[np.float64], at_s: NDArray[np.float64]) -> NDArray[np.int64]:
    after = np.clip(np.searchsorted(sorted_s, at_s), 0, len(sorted_s) - 1)
    before = np.maximum(after - 1, 0)
    return np.where(np.abs(at_s - sorted_s[before]) <= np.abs(sorted_s[after] - at_s), before, after)
