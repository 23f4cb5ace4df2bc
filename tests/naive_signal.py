"""Slow, obvious versions of the pulse kernels: whole arrays, lists of runs, no streaming."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np
from numpy.typing import ArrayLike


def two_valued(v: ArrayLike, on_at: float, off_at: float, *, first_on: bool = False) -> list[bool]:
    """Hysteresis: on at or above ``on_at``, off below ``off_at``, as before in between."""
    state, out = first_on, []
    for value in np.asarray(v, float):
        state = True if value >= on_at else False if value < off_at else state
        out.append(state)
    return out


def runs_of(states: Sequence[bool]) -> list[tuple[bool, int, int]]:
    """Return (state, start, stop) of each run."""
    out, at = [], 0
    for state, members in groupby(states):
        n = len(list(members))
        out.append((state, at, at + n))
        at += n
    return out


def coarse_pulses(v: ArrayLike, on_at: float, off_at: float, *, min_on: int, min_off: int) -> list[tuple[int, int]]:
    """Pulses of a signal that begins and ends in the off-state: opening first, then closing."""
    opened = [(a, b) for on, a, b in runs_of(two_valued(v, on_at, off_at)) if on and b - a >= min_on]
    closed: list[tuple[int, int]] = []
    for a, b in opened:
        if closed and a - closed[-1][1] < min_off:
            closed[-1] = (closed[-1][0], b)
        else:
            closed.append((a, b))
    return closed


def segment_pulses(
    v: ArrayLike, on_at: float, off_at: float, *, min_on: int, min_off: int
) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Return (pulses, lost ranges) of a stretch with a gap, or an end of the recording, on either side."""
    v = np.asarray(v, float)
    runs = runs_of(two_valued(v, on_at, off_at, first_on=True))
    seen = next((a for on, a, b in runs if not on and b - a >= min_off), None)
    early = [a for on, a, _ in runs if on and (seen is None or a < seen)]
    lost = [(early[0], v.size if seen is None else seen)] if early else []
    if seen is None:
        return [], lost
    later = [(on, max(a, seen), b) for on, a, b in runs if b > seen]
    kept = [(a, b) for on, a, b in later if on and (b - a >= min_on or b == v.size)]
    pulses: list[tuple[int, int]] = []
    for a, b in kept:
        if pulses and a - pulses[-1][1] < min_off and b - a >= min_on:
            pulses[-1] = (pulses[-1][0], b)
        else:
            pulses.append((a, b))
    return _cut_at_the_end(pulses, lost, v.size, min_on, min_off)


def _cut_at_the_end(
    pulses: list[tuple[int, int]], lost: list[tuple[int, int]], n: int, min_on: int, min_off: int
) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """What is open where the stretch ends is lost; an end seen for three samples is an end."""
    if pulses and pulses[-1][1] == n:
        a, b = pulses.pop()
        if b - a < min_on and pulses and a - pulses[-1][1] < 3:  # not long enough to count, too near to tell
            a = pulses.pop()[0]
        lost = [*lost, (a, n)]
    elif pulses and n - pulses[-1][1] < min(3, min_off):
        lost = [*lost, (pulses.pop()[0], n)]
    return pulses, lost


def step_fit(v: ArrayLike, level: float, settled: float, *, rising: bool) -> int:
    """Return the first sample behind the step that fits the two-valued signal best; -1 where nothing crosses.

    What follows the first sample that comes to ``settled`` from before it does not count.
    """
    there = (np.asarray(v, float) >= settled) == rising
    come = [i for i in range(1, there.size) if there[i] and not there[i - 1]]
    above = (np.asarray(v, float) >= level)[: come[0] + 1 if come else None]
    wanted = [i for i in range(1, above.size) if above[i] == rising and above[i - 1] != rising]
    cost = [np.count_nonzero(above[:i] == rising) + np.count_nonzero(above[i:] != rising) for i in wanted]
    return wanted[int(np.argmin(cost))] if wanted else -1
