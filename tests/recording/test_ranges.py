"""Sets of ranges against sets of numbers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.recording.ranges import clipped, contains, covered, ends_in, joined, ordered, runs_of, touches

RANGES = st.lists(st.tuples(st.integers(-5, 40), st.integers(0, 8)).map(lambda r: (r[0], r[0] + r[1])), max_size=8)


def array_of(ranges: list[tuple[int, int]], kind: type = int) -> np.ndarray:
    return np.array(ranges, dtype=kind).reshape(-1, 2)


def held(ranges) -> set[int]:
    """Return the members of half-open ranges, one by one."""
    return {n for first, last in np.asarray(ranges).tolist() for n in range(int(first), int(last))}


@settings(deadline=None)
@given(RANGES)
def test_joined_and_ordered_hold_the_same(ranges):
    few = joined(array_of(ranges))
    assert held(few) == held(ranges) == held(ordered(array_of(ranges)))
    assert (few[1:, 0] > few[:-1, 1]).all()
    assert (np.diff(ordered(array_of(ranges)), axis=0) >= 0).all()
    empty = {first for first, last in ranges if first == last}
    assert {first for first, last in few.tolist() if first == last} <= empty


@settings(deadline=None)
@given(RANGES, st.integers(1, 5))
def test_joined_over_short_pauses(ranges, apart):
    expected: list[list[int]] = []
    for first, last in sorted(ranges):
        if expected and first - expected[-1][1] <= apart:
            expected[-1][1] = max(expected[-1][1], last)
        else:
            expected.append([first, last])
    assert joined(array_of(ranges, float), apart).tolist() == expected


@settings(deadline=None)
@given(RANGES, st.integers(-8, 50), st.integers(-2, 12))
def test_within_bounds(ranges, first, length):
    inside = clipped(array_of(ranges), first, first + length)
    assert held(inside) == held(ranges) & set(range(first, first + length))
    assert (inside[:, 1] > inside[:, 0]).all()
    assert covered(array_of(ranges, float), first, first + length) == len(held(inside))


@settings(deadline=None)
@given(RANGES)
def test_what_holds_a_place(ranges):
    at = np.arange(-10, 60)
    assert contains(array_of(ranges), at).tolist() == [n in held(ranges) for n in at.tolist()]


@settings(deadline=None)
@given(RANGES, st.lists(st.tuples(st.integers(-8, 50), st.integers(0, 6)), min_size=1, max_size=5))
def test_what_touches_and_what_ends(ranges, asked):
    first = np.array([float(one) for one, _ in asked])
    last = first + np.array([length for _, length in asked])
    pairs = list(zip(first, last, strict=True))
    touched = [any(start <= b and stop >= a for start, stop in ranges) for a, b in pairs]
    ended = [any(a <= stop <= b for _, stop in ranges) for a, b in pairs]
    assert touches(array_of(ranges, float), first, last).tolist() == touched
    assert ends_in(array_of(ranges, float), first, last).tolist() == ended


def test_unknown_ends_touch_nothing():
    ranges = [(0.0, 1.0), (5.0, np.inf)]
    assert touches(ranges, [np.nan], [np.nan]).tolist() == ends_in(ranges, [np.nan], [2.0]).tolist() == [False]
    assert touches([(-np.inf, 0.0), (5.0, np.inf)], [-1.0, 1.0, 9.0], [-0.5, 2.0, 9.5]).tolist() == [True, False, True]


@settings(deadline=None)
@given(st.lists(st.booleans(), max_size=30), st.integers(0, 100))
def test_runs_are_the_true_flags(flags, first):
    runs = runs_of(np.array(flags, dtype=np.bool_), first)
    assert held(runs) == {first + n for n, flag in enumerate(flags) if flag}
    assert (runs[1:, 0] > runs[:-1, 1]).all()


@pytest.mark.parametrize("kind", [int, float])
def test_nothing(kind):
    none = array_of([], kind)
    assert joined(none).shape == ordered(none).shape == clipped(none, 0, 1).shape == (0, 2)
    assert not contains(none, [1]).any()
    assert not touches(none, [1], [2]).any()
    assert not ends_in(none, [1], [2]).any()
    assert covered(none, 0, 1) == 0.0
