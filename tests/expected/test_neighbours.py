"""Medians beside an event against the obvious loop."""

import numpy as np
import pytest

from miner.expected import neighbours
from miner.expected.neighbours import medians_beside, medians_of_others


def naive(values, time_s, n_beside, within_s, wanted):
    """Return medians before and after and their counts; ``wanted(row, other)`` says who counts."""
    out = np.full((2, values.size), np.nan)
    count = np.zeros((2, values.size), dtype=int)
    for row in range(values.size):
        sides = (range(row - 1, -1, -1), range(row + 1, values.size))
        for side, places in enumerate(sides):
            near = [k for k in places if abs(time_s[k] - time_s[row]) <= within_s[row]]
            held = [values[k] for k in near if np.isfinite(values[k]) and wanted(row, k)][:n_beside]
            count[side, row] = len(held)
            out[side, row] = np.median(held) if held else np.nan
    return out[0], out[1], count[0], count[1]


@pytest.fixture(params=range(4))
def series(request):
    rng = np.random.default_rng(request.param)
    n = 60
    values = np.round(rng.standard_normal(n), 1)
    missing = rng.random(n) < 0.2
    missing[[0, n // 2, n - 1]] = request.param % 2 == 0
    values[missing] = np.nan
    return values, np.cumsum(rng.exponential(1.0, n)), rng.integers(0, 3, n)


@pytest.mark.parametrize("n_beside", [1, 5, 200])
@pytest.mark.parametrize("compiled", [True, False])
def test_beside(series, n_beside, compiled, monkeypatch):
    values, time_s, _ = series
    if not compiled:
        monkeypatch.setattr(neighbours, "_beside", neighbours._beside.py_func)
    expected = naive(values, time_s, n_beside, np.full(values.size, 8.0), lambda row, other: True)
    for got, want in zip(medians_beside(values, time_s, n_beside, 8.0), expected, strict=True):
        np.testing.assert_array_equal(got, want)


@pytest.mark.parametrize("compiled", [True, False])
def test_of_others(series, compiled, monkeypatch):
    values, time_s, group = series
    if not compiled:
        monkeypatch.setattr(neighbours, "_others", neighbours._others.py_func)
    within_s = np.linspace(1.0, 9.0, values.size)
    expected = naive(values, time_s, 3, within_s, lambda row, other: group[row] != group[other])
    for got, want in zip(medians_of_others(values, time_s, group, 3, within_s), expected, strict=True):
        np.testing.assert_array_equal(got, want)
