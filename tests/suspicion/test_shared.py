"""Steps that other cylinders take as well, against a slow obvious search, and what must stay in sight."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from miner.suspicion.shared import LARGEST_STEP, REACH_TURNS, SHOWN, _extremes, shared_steps

N, CYLINDERS, NOISE = 9600, 4, 0.001


def _context(n: int, cylinders: int) -> SimpleNamespace:
    return SimpleNamespace(group=np.arange(n) % cylinders, segment=np.zeros(n, dtype=np.int64))


def _going_to_and_fro(step: float, *, share: float = 0.05, cylinders: int = CYLINDERS) -> np.ndarray:
    rng = np.random.default_rng(4)
    return rng.normal(0, NOISE, N) + step * (rng.random(N) < share)


def _left(residual: np.ndarray, cylinders: int = CYLINDERS) -> np.ndarray:
    steps = shared_steps(residual, np.full(N, NOISE), _context(N, cylinders))
    assert (steps.low <= 0).all()
    assert (steps.high >= 0).all()
    return residual - np.clip(residual, steps.low, steps.high)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 5), st.booleans())
def test_extremes_are_those_of_a_slow_search(seed: int, turn: int, several: bool) -> None:
    rng = np.random.default_rng(seed)
    n, reach = 60, 13
    residual = rng.normal(size=n)
    group = rng.integers(0, 3, n) if several else np.zeros(n, dtype=np.int64)
    segment = np.sort(rng.integers(0, 3, n))
    notable = np.flatnonzero(np.abs(residual) > 0.7)
    rank = SHOWN[not several]
    found = _extremes(residual, notable, group, segment, reach, turn, not several, rank)
    for row in range(n):
        around = [
            residual[other]
            for other in notable
            if turn < abs(other - row) <= reach
            and segment[other] == segment[row]
            and (group[other] == group[row]) != several
        ]
        lowest = sorted([*(v for v in around if v < 0), *[0.0] * rank])[rank - 1]
        highest = sorted([*(v for v in around if v > 0), *[0.0] * rank])[-rank]
        assert (found[0][row], found[1][row]) == (lowest, highest)


@pytest.mark.parametrize("cylinders", [1, 2, 4])
@pytest.mark.parametrize("step", [0.02, -0.02])
def test_going_to_and_fro_all_the_time_is_usual(cylinders: int, step: float) -> None:
    residual = _going_to_and_fro(step)
    assert (np.abs(residual) > 10 * NOISE).sum() > 400
    assert (np.abs(_left(residual, cylinders)) > 5 * NOISE).mean() < 0.001


def test_one_event_that_others_do_not_show_stays_as_it_is() -> None:
    residual = np.random.default_rng(5).normal(0, NOISE, N)
    residual[[700, 4000, 8000]] = 0.05
    np.testing.assert_allclose(_left(residual)[[700, 4000, 8000]], 0.05, rtol=1e-5)


def test_a_fault_of_all_coils_at_one_moment_stays_in_sight() -> None:
    residual = np.random.default_rng(6).normal(0, NOISE, N)
    residual[4000 : 4000 + 5 * CYLINDERS] = -0.1
    assert (np.abs(_left(residual)[4000 : 4000 + 5 * CYLINDERS]) > 0.09).all()


def test_what_goes_beyond_any_table_stays_in_sight() -> None:
    residual = _going_to_and_fro(-0.4)
    gross = residual < -0.3
    assert (_left(residual)[gross] < -0.4 + LARGEST_STEP + 5 * NOISE).all()


def test_one_coil_alone_that_does_it_stays_in_sight() -> None:
    residual = np.random.default_rng(7).normal(0, NOISE, N)
    own = np.arange(2, N, CYLINDERS)[::10]
    residual[own] = -0.05
    np.testing.assert_allclose(_left(residual)[own], -0.05, rtol=0.02)


def test_others_too_far_away_say_nothing() -> None:
    residual = np.zeros(N)
    residual[:: 3 * CYLINDERS * REACH_TURNS] = 0.02
    np.testing.assert_allclose(_left(residual), residual, atol=1e-7)
