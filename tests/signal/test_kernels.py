"""The kernels against slow, obvious versions of themselves, compiled and as plain Python."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.signal import detect
from miner.signal.blocks import _sum, block_extremes, find_segments
from miner.signal.estimators import (
    _blocks,
    _clipped_mean,
    _counted_mean,
    _mean_square,
    _off_a_line,
    _select,
    level_of,
    middle,
    quiet_spread,
    trimmed_mean,
)
from miner.signal.measure import Limits, _moments, reference_instant
from tests.naive_signal import segment_pulses, step_fit

RUNS = st.lists(st.tuples(st.sampled_from([0, 14, 20, 30, 100]), st.integers(1, 90)), min_size=1, max_size=25)


def limits(n: int) -> Limits:
    return Limits(
        sign=1.0, min_on=5, min_off=8, max_on=10**6, before=20, after=10, own_start=0, own_stop=n, usual=100.0,
        noise=0.0, reach=0.0, edge=0.0, clip_count=np.nan,
    )  # fmt: skip


def scanned(raw: np.ndarray, gaps: np.ndarray) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Pulses and lost ranges of the streaming kernel; thresholds 25 up, 15 down."""
    n, lim = raw.size, limits(raw.size)
    s, f = detect.new_state(0, 0.0, 100.0)
    kind = np.iinfo(np.int16)
    lo, hi = np.full(n // 64 + 1, kind.max, np.int16), np.full(n // 64 + 1, kind.min, np.int16)
    pending, lost, segments = (np.zeros((n + 9, width), np.int64) for width in (5, 2, 3))
    n_segments = find_segments(gaps, 0, n, segments)
    for p, q, _ in segments[:n_segments]:
        block_extremes(raw, 0, p, q, 0, lo, hi)
    for p, q, _ in segments[:n_segments]:
        detect._scan(raw, 0, p, q, 0, lo, hi, lim, s, f, pending, lost)
        detect._gap(s, lim, pending, lost, q)
    pulses = [(int(a), int(b)) for a, b in pending[: s[detect.N_PENDING], :2]]
    return pulses, [(int(a), int(b)) for a, b in lost[: s[detect.N_LOST]]]


@settings(max_examples=200, deadline=None)
@given(runs=RUNS, gap=st.tuples(st.integers(0, 1500), st.integers(0, 60)))
def test_pulses_of_random_levels_with_a_gap(runs, gap):
    raw = np.concatenate([np.full(n, level, np.int16) for level, n in runs])
    first = min(gap[0], raw.size)
    gaps = np.array([[first, min(first + gap[1], raw.size)]])
    pulses, lost = [], []
    for a, b in ((0, gaps[0, 0]), (gaps[0, 1], raw.size)):
        if b > a:  # a stretch between two gaps, or a gap and an end
            found = segment_pulses(raw[a:b], 25, 15, min_on=5, min_off=8)
            pulses += [(a + p, a + q) for p, q in found[0]]
            lost += [(a + p, a + q) for p, q in found[1]]
    assert scanned(raw, gaps) == (pulses, lost)


@pytest.mark.parametrize("kernel", [reference_instant, reference_instant.py_func], ids=["compiled", "python"])
@pytest.mark.parametrize("rising", [True, False])
def test_lasting_transition(kernel, rising):
    rng = np.random.default_rng(6)
    for _ in range(60):
        v = rng.choice([1, 4, 6, 9], 40, p=[0.2, 0.15, 0.15, 0.5]).astype(np.int16)
        v[:15] = rng.choice([1, 4, 6, 9], 15, p=[0.5, 0.3, 0.19, 0.01])
        v = v if rising else 10 - v
        settled = 8.5 if rising else 1.5
        index, instant = kernel(v, 0, 1.0, 5.0, settled, 0, 40, rising)
        assert index == step_fit(v, 5.0, settled, rising=rising)
        if index > 0:
            assert instant == pytest.approx(index - 1 + (5.0 - v[index - 1]) / (v[index] - v[index - 1]))


@pytest.mark.parametrize("kernel", [middle, middle.py_func], ids=["compiled", "python"])
@pytest.mark.parametrize("n", [1, 2, 3, 10, 101, 512])
def test_median(kernel, n):
    rng = np.random.default_rng(n)
    for x in (rng.normal(0, 1, n), rng.integers(0, 3, n).astype(float), np.zeros(n)):
        assert kernel(x.copy()) == np.median(x)


@pytest.mark.parametrize("kernel", [trimmed_mean, trimmed_mean.py_func], ids=["compiled", "python"])
@pytest.mark.parametrize("n", [1, 2, 3, 10, 101, 512])
def test_trimmed_mean(kernel, n):
    rng = np.random.default_rng(n)
    two_levels = np.repeat([-900, 1000], [n // 2, n - n // 2])
    for x in (rng.integers(-40, 1000, n), rng.integers(0, 3, n), two_levels, np.full(n, -32768)):
        for below, above in ((0, 0), (n // 4, n // 4), (0, n // 10), (n // 3, n // 5)):
            slow = np.sort(x)[below : n - above].mean()
            for kind in (np.int16, np.int32, np.float64):
                assert kernel(x.astype(kind), below, above) == pytest.approx(slow, rel=1e-12, abs=1e-12)
    wide = rng.integers(-32768, 32767, n).astype(np.int16)
    assert kernel(wide, n // 4, n // 4) == pytest.approx(np.sort(wide)[n // 4 : n - n // 4].mean())


@pytest.mark.parametrize("kernel", [level_of, level_of.py_func], ids=["compiled", "python"])
def test_level(kernel):
    x = np.random.default_rng(1).normal(3.0, 0.1, 900)
    x[100:130] = 8.0
    quarter = np.sort(x[::2])[112:338].mean()
    assert kernel(x, 0.3, 0) == pytest.approx(quarter + np.clip(x - quarter, -0.3, 0.3).mean(), abs=1e-12)
    assert kernel(x, 0.0, 0) == pytest.approx(quarter, abs=1e-12)
    assert kernel(x, 0.3, 1) == pytest.approx(np.sort(x[::10])[22:68].mean(), abs=1e-12)


def slow_quiet_spread(x: np.ndarray, shortest: int, reach: float) -> float:
    """Blocks written out."""
    x = np.asarray(x, float)
    length = max(min(3 * shortest, x.size // 6), min(3, x.size))
    n = max(1, min(2 * (x.size // length) - 1, 40))
    starts = [(x.size - length) * k // max(n - 1, 1) for k in range(n)]
    blocks = [x[start : start + length] for start in starts]
    few = [np.sort(block[:: max(1, length // 32)]) for block in blocks]
    middles = [x[x.size // 3 : x.size - x.size // 3].mean() for x in few]
    levels = [m + np.clip(block - m, -reach, reach).mean() for m, block in zip(middles, blocks, strict=True)]
    most = reach or np.inf
    each = [np.mean(np.clip(block - v, -most, most) ** 2) for block, v in zip(blocks, levels, strict=True)]
    squares = np.sort(each)[: n - n // 4]
    line = np.polyval(np.polyfit(np.arange(n), levels, min(n - 1, 1)), np.arange(n))
    return float(np.sqrt(squares.mean() + np.mean((levels - line) ** 2)))


@pytest.mark.parametrize("compiled", [True, False], ids=["compiled", "python"])
@pytest.mark.parametrize("kind", [np.int16, np.float64])
@pytest.mark.parametrize("n", [3, 7, 40, 300, 3100])
def test_quiet_spread(monkeypatch, compiled, kind, n):
    if not compiled:
        for kernel in (_blocks, _clipped_mean, _counted_mean, _mean_square, _off_a_line, _select, trimmed_mean):
            monkeypatch.setattr(f"miner.signal.estimators.{kernel.__name__}", kernel.py_func)
    kernel = quiet_spread if compiled else quiet_spread.py_func
    x = (np.random.default_rng(n).normal(2000, 9, n) + np.linspace(0, 300, n)).astype(kind)
    for shortest, reach in ((3, 0.0), (25, 30.0)):
        assert kernel(x, shortest, reach) == pytest.approx(slow_quiet_spread(x, shortest, reach), abs=1e-6)
    if n == 3100:
        assert kernel(x, 25, 30.0) == pytest.approx(9.0, abs=0.6)


@pytest.mark.parametrize("n", [1, 63, 3000])
def test_whole_numbers_are_summed_exactly(n):
    x = np.random.default_rng(n).integers(-32768, 32768, n, endpoint=False).astype(np.int16)
    difference = x.astype(np.int64) - int(x[0])
    assert _moments(x) == (difference.sum(), (difference**2).sum())
    assert _moments(x.astype(np.int32)) == _moments(x.astype(np.float64)) == _moments(x)
    assert _sum(x) == _sum(x.astype(np.float64)) == x.sum(dtype=np.int64)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_bins_of_whole_numbers(sign):
    x = np.random.default_rng(4).normal(300, 400, 48_000).astype(np.int16)
    x[:2] = -32768, 32767
    found = []
    for fill in (detect._fill_bins, detect._fill_whole_bins):
        counts, sums = np.zeros(64, np.int64), np.zeros(64)
        fill(x, 0, x.size, sign, sign * 300 - 700.5, 64 / 1401.3, counts, sums)
        found.append((counts, sums))
    assert 2000 < found[0][0].sum() < 3000
    assert np.array_equal(found[0], found[1])


@pytest.mark.parametrize("dtype", [np.int16, np.float64])
def test_block_extremes_of_any_stretch(dtype):
    x = np.random.default_rng(0).integers(-999, 999, 700).astype(dtype)
    for start, stop in ((0, 700), (3, 60), (60, 70), (64, 128), (100, 641), (5, 5)):
        ends = (np.iinfo(np.int16).max, np.iinfo(np.int16).min)
        lo, hi = np.full(11, ends[0], dtype), np.full(11, ends[1], dtype)
        block_extremes(x, 0, start, stop, 0, lo, hi)
        for k in range(11):
            inside = x[max(start, 64 * k) : max(min(stop, 64 * k + 64), 0)]
            assert (lo[k], hi[k]) == ((inside.min(), inside.max()) if inside.size else ends)
