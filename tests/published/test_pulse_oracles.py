"""Pulse measures against closed forms and scipy (terms of IEEE Std 181-2011; formulas need no table)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import peak_widths
from scipy.special import erf

from miner.signal.looks.levels import state_levels
from miner.signal.measure import FIELDS, Limits, measure_pulse
from tests.naive_signal import coarse_pulses
from tests.signal.made import column, one_lead


def measured(volts: np.ndarray) -> dict[str, float]:
    """Measure the one pulse of a clean signal with an off-state of 0 V."""
    usual = float(np.median(volts[volts > volts.max() / 2]))
    (start, stop), *more = coarse_pulses(volts, 0.25 * usual, 0.15 * usual, min_on=3, min_off=3)
    assert not more
    limits = Limits(
        sign=1.0, min_on=3, min_off=60, max_on=10**7, before=400, after=3000, own_start=0, own_stop=volts.size,
        usual=usual, noise=0.0, reach=0.0, edge=0.0, clip_count=math.nan,
    )  # fmt: skip
    out = np.empty(len(FIELDS))
    pulse = np.array([start, stop, 0, min(stop + limits.after, volts.size), 0])
    measure_pulse(volts, 0, limits, pulse, 0.0, out)
    return dict(zip(FIELDS, out, strict=True))


def trapezoid() -> np.ndarray:
    """0 to 5 V; 10 us up from 1000 us, 2000 us flat, 5 us down; 1 MS/s."""
    return np.interp(np.arange(5000.0), [1000, 1010, 3010, 3015], [0, 5, 5, 0])


def test_trapezoid():
    m = measured(trapezoid())
    assert [m[k] for k in ("rise_10", "start", "rise")] == pytest.approx([1001, 1005, 1009], abs=1e-9)
    assert [m[k] for k in ("fall_90", "stop", "fall")] == pytest.approx([3010.5, 3012.5, 3014.5], abs=1e-9)
    assert m["stop"] - m["start"] == pytest.approx(2007.5, abs=1e-9)
    assert (m["amplitude"], m["off_level"], m["ripple"]) == pytest.approx((5.0, 0.0, 0.0))


def test_trapezoid_from_recording_to_table(tmp_path):
    volts = np.tile(trapezoid(), 12)
    pulses = one_lead(tmp_path, volts)
    assert column(pulses, "start_s") == pytest.approx((5000 * np.arange(12) + 1005) * 1e-6, abs=1e-12)
    assert column(pulses, "duration_us") == pytest.approx([2007.5] * 12)
    assert column(pulses, "rise_us") == pytest.approx([8.0] * 12)
    assert column(pulses, "fall_us") == pytest.approx([4.0] * 12)


@pytest.mark.parametrize(
    ("rel_height", "left", "right"), [(0.1, "rise", "fall_90"), (0.5, "start", "stop"), (0.9, "rise_10", "fall")]
)
def test_against_scipy_peak_widths(rel_height, left, right):
    volts, middle = trapezoid(), np.array([2000])
    prominence = (np.array([5.0]), np.array([0]), np.array([4999]))
    width, _, ips_left, ips_right = peak_widths(volts, middle, rel_height, prominence)
    m = measured(volts)
    assert (m[left], m[right]) == pytest.approx((ips_left[0], ips_right[0]), abs=1e-9)
    assert m[right] - m[left] == pytest.approx(width[0], abs=1e-9)


def test_rc_edge():
    """10-90 % is ln 9 time constants, the 50 % delay ln 2 of them."""
    tau, t = 100.0, np.arange(12_000.0)
    up = np.where(t >= 1000, 1 - np.exp(-(t - 1000) / tau), 0.0)
    volts = 5 * np.where(t >= 8000, np.exp(-(t - 8000) / tau), up)
    m = measured(volts)
    assert m["rise"] - m["rise_10"] == pytest.approx(math.log(9) * tau, abs=0.01)
    assert m["fall"] - m["fall_90"] == pytest.approx(math.log(9) * tau, abs=0.01)
    assert m["start"] == pytest.approx(1000 + math.log(2) * tau, abs=0.01)
    assert m["stop"] == pytest.approx(8000 + math.log(2) * tau, abs=0.01)


@pytest.mark.parametrize("sigma", [2.0, 12.0])
def test_gaussian_edge(sigma):
    """10-90 % of an error-function edge is 2.5631031 standard deviations; straight lines between samples stretch it."""
    t = np.arange(5000.0)
    volts = 2.5 * (erf((t - 1000.3) / (sigma * math.sqrt(2))) - erf((t - 3000.6) / (sigma * math.sqrt(2))))
    m = measured(volts)
    assert m["rise"] - m["rise_10"] == pytest.approx(2.5631031 * sigma, abs=0.11)
    assert m["fall"] - m["fall_90"] == pytest.approx(2.5631031 * sigma, abs=0.11)
    assert (m["start"], m["stop"]) == pytest.approx((1000.3, 3000.6), abs=0.02)


@pytest.mark.parametrize(("n_bins", "low", "high"), [(100, 0.1929, 4.8215), (256, 0.2033, 4.8196)])
def test_state_levels_of_a_noisy_two_level_signal(n_bins, low, high):
    """Modes of the two halves of the histogram, recomputed with numpy; good to one bin."""
    rng = np.random.default_rng(181)
    x = np.where(np.arange(6000) % 2, 4.8, 0.2) + rng.normal(0, 0.05, 6000)
    bin_v = np.ptp(x) / n_bins
    assert state_levels(x, n_bins) == pytest.approx((low, high), abs=bin_v)


def test_bursts_of_iso_7637_2_are_single_samples_and_no_pulses(tmp_path):
    """Pulses 3a and 3b last 150 ns (from memory): at 1 MS/s at most one sample each, -220 V to +150 V."""
    rng = np.random.default_rng(7)
    volts = np.tile(trapezoid(), 40)
    hit = rng.choice(volts.size, 600, replace=False)
    clean = one_lead(tmp_path, volts.copy())
    volts[hit] += rng.choice([-220.0, 150.0], hit.size)
    burst = one_lead(tmp_path, volts)
    assert burst.pulses.num_rows == clean.pulses.num_rows == 40
    assert np.abs(column(burst, "start_s") - column(clean, "start_s")).max() < 10e-6
    assert column(burst, "amplitude_v") == pytest.approx(column(clean, "amplitude_v"), abs=0.01)
