"""Every measure is one continuous function of the samples: what is added to them a little more moves it a little more.

One spike, dip or step is raised from 0 to 3 V in small steps, moved through the pulse sample by sample and made longer.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from miner.signal.blocks import mean_and_max
from miner.signal.measure import FIELDS, Limits, measure_pulse

SIGMA_V, N = 0.02, 3600
START, STOP = 900.3, 2600.8  # 1.7 ms at 1 MS/s, 50 % instants
LIMITS = Limits(
    sign=1.0, min_on=25, min_off=60, max_on=10**6, before=400, after=300, own_start=0, own_stop=N, usual=5.0,
    noise=SIGMA_V, reach=3 * SIGMA_V + 1.5 * 0.0024, edge=4.0, clip_count=math.nan,
)  # fmt: skip
LEVELS = ("amplitude", "off_level", "ripple", "quiet")


HALF_V = 2.3
"""What is as long as a pause and higher is no disturbance of this pulse: it ends it, or begins another."""


def clean() -> np.ndarray:
    at = np.arange(N, dtype=float)
    shape = np.clip(np.minimum((at - START) / 4.0 + 0.5, (STOP - at) / 4.0 + 0.5), 0, 1)
    return 5.0 * shape + np.random.default_rng(5).normal(0, SIGMA_V, N)


def measured(volts: np.ndarray) -> dict[str, float]:
    out = np.empty(len(FIELDS))
    pulse = np.array([int(START) + 1, int(STOP) + 1, 0, N, 0])
    measure_pulse(volts, 0, LIMITS, pulse, 0.0, out)
    values = dict(zip(FIELDS, out, strict=True))
    gaps = np.empty((0, 2), np.int64)
    span = np.array([np.ceil(out[0])], np.int64), np.array([np.floor(out[1]) + 1], np.int64)
    mean, most = mean_and_max(volts, 0, *span, gaps, 1.0)[0]
    return values | {"mean": mean, "most": most}


def with_one(place: int, length: int, height_v: float) -> dict[str, float]:
    """Measures with one disturbance; its slopes take a sample, as of anything that is seen at all."""
    volts = clean()
    volts[place : place + length] += height_v
    return measured(volts)


HEIGHTS_V = np.arange(0.0, 3.01, 0.05)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("length", [1, 5, 20, 90, 400])
@pytest.mark.parametrize("place", [700, 890, 905, 930, 1300, 1750, 2150])
def test_raised_little_by_little(place, length, sign):
    """A level moves by no more than the disturbance; the square root of its share bounds a standard deviation."""
    found = [with_one(place, length, sign * height) for height in HEIGHTS_V if length < 60 or height < HALF_V]
    share = min(1.0, length / 1600)
    for name, most in (
        ("amplitude", 0.05 * min(1.0, 5 * share) + 1e-3), ("off_level", 0.05 * min(1.0, 0.02 + length / 100)),
        ("ripple", 0.05 * math.sqrt(share) + 1e-3), ("quiet", 0.05 * min(1.0, 2 * math.sqrt(share)) + 1e-3),
        ("mean", 0.05), ("most", 0.05 + 1e-9),
    ):  # fmt: skip
        steps = np.abs(np.diff([one[name] for one in found]))
        assert steps.max() <= most, (name, steps.max(), HEIGHTS_V[steps.argmax()])


@pytest.mark.parametrize("height_v", [0.3, 1.0, 3.0, -0.3, -1.0, -3.0])
@pytest.mark.parametrize("length", [1, 5, 20, 90, 400])
def test_moved_sample_by_sample(length, height_v):
    if length > 60:
        height_v = math.copysign(min(abs(height_v), HALF_V), height_v)
    found = [with_one(place, length, height_v) for place in range(780, 2720)]
    one_sample = abs(height_v) / math.sqrt(1600) + 1e-3
    for name, most in (("amplitude", 0.02), ("off_level", 0.02), ("ripple", one_sample), ("quiet", 2 * one_sample)):
        steps = np.abs(np.diff([one[name] for one in found]))
        assert steps.max() <= most, (name, steps.max(), 780 + steps.argmax())


@pytest.mark.parametrize("height_v", [0.3, 3.0, -0.3, -1.0, -3.0])
@pytest.mark.parametrize("place", [700, 1300, 2000])
def test_made_longer(place, height_v):
    found = [with_one(place, length, height_v) for length in range(160)]
    one_sample = abs(height_v) / math.sqrt(1600) + 1e-3
    for name, most in (("amplitude", 0.02), ("off_level", 0.02), ("ripple", one_sample), ("quiet", 2 * one_sample)):
        steps = np.abs(np.diff([one[name] for one in found]))
        assert steps.max() <= most, (name, steps.max(), steps.argmax())


@pytest.mark.parametrize("height_v", [1.0, 3.0, -1.0, -3.0])
@pytest.mark.parametrize("length", [1, 3, 8, 20])
def test_edges_move_by_no_more_than_what_touches_them(length, height_v):
    """Nothing that is its own length away, or lower than half the pulse, moves the 50 % instants."""
    usual = measured(clean())
    for place in range(780, 2720, 3):
        m = with_one(place, length, height_v)
        for name, edge in (("start", START), ("stop", STOP)):
            moved = abs(m[name] - usual[name])
            away = max(edge - (place + length), place - edge)
            assert moved <= 2 * length + 4
            if away > length + 6 or abs(height_v) < 2.2:
                assert moved < 1.0, (name, place)


def test_what_a_neighbour_does_is_not_seen_and_what_the_line_does_is():
    rng = np.random.default_rng(8)
    quiet = measured(clean())["quiet"]
    spiky = clean()
    for place in rng.integers(950, 2500, 8):
        spiky[place : place + rng.integers(1, 7)] += rng.choice([-1, 1]) * rng.uniform(0.5, 3.0)
    assert measured(spiky)["quiet"] < 1.25 * quiet < measured(spiky)["ripple"]
    ringing = clean()
    ringing[905:1000] += 1.5 * np.exp(-np.arange(95) / 12) * np.cos(np.arange(95) / 1.1)
    assert measured(ringing)["quiet"] < 1.25 * quiet
    for depth_v in (1.0, 2.0):
        for share in (0.05, 0.1, 0.3):
            for place in (960, 1500, 2050):
                notch = clean()
                notch[place : place + round(share * 1700)] -= depth_v
                assert measured(notch)["quiet"] > 5 * quiet
    for times in (2.0, 4.0, 9.0):
        noisy = clean()
        noisy[950:2550] += rng.normal(0, SIGMA_V * math.sqrt(times**2 - 1), 1600)
        assert measured(noisy)["quiet"] > 1.6 * quiet  # no sample counts for more than three times the usual noise
    for tau in (30.0, 80.0):
        rounded = clean()
        rounded[901:2601] -= 4.9 * np.exp(-(np.arange(1700)) / tau)
        m, usual = measured(rounded), measured(clean())
        assert m["rise"] - m["rise_10"] > 8 * (usual["rise"] - usual["rise_10"])
