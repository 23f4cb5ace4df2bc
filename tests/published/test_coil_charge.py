"""The fit of a coil's charging against the closed form of its law, i = V/R (1 - exp(-t R/L)) (circuit theory)."""

from __future__ import annotations

import numpy as np
import pytest

from miner.signal.charge import _law, charges
from tests.signal.made import column, extracted, recorded, specs

RATE = 200_000.0
NONE = np.empty((0, 2), np.int64)


def current(t, *, volts=13.0, ohm=0.6, henry=3e-3, limit_a=np.inf):
    """The closed form; 0 before the turn-on."""
    return np.where(t < 0, 0.0, np.minimum(volts / ohm * (1.0 - np.exp(-np.maximum(t, 0.0) * ohm / henry)), limit_a))


def measured(i_of_t, *, on_s=3.5e-3, noise=0.0, offset=0.0, gaps=NONE, seed=0):
    """Slope (A/ms), time constant (ms), ratio of slopes, flat top (ms) of an on-time that begins at sample 400.3."""
    n = np.arange(400 + round(on_s * RATE) + 20)
    t = (n - 400.3) / RATE
    x = np.where(t < on_s, i_of_t(t), 0.0) + offset + np.random.default_rng(seed).normal(0, noise, n.size)
    stop = 401 + int(on_s * RATE - 1)
    row = charges(x, 0, np.array([401]), np.array([stop]), gaps, 1.0, 20)[0]
    return row * np.array([RATE * 1e-3, 1e3 / RATE, 1.0, 1e3 / RATE])


@pytest.mark.parametrize("henry", [2e-3, 3e-3, 5e-3])
@pytest.mark.parametrize("ohm", [0.4, 0.6, 0.9])
@pytest.mark.parametrize("volts", [11.0, 14.0])
def test_law_is_found_again(volts, ohm, henry):
    slope, tau_ms, ratio, _ = measured(lambda t: current(t, volts=volts, ohm=ohm, henry=henry))
    assert slope == pytest.approx(volts / henry * 1e-3, rel=2e-3)
    assert tau_ms == pytest.approx(henry / ohm * 1e3, rel=5e-3)
    peak = current(np.array([3.5e-3]), volts=volts, ohm=ohm, henry=henry)[0]
    assert ratio == pytest.approx(
        1.0 - 0.875 * peak * ohm / volts, abs=0.015
    )  # di/dt = V/L (1 - i R/V), mid of 80..95 %


def test_a_clamps_offset_and_noise_move_little():
    found = np.array([measured(current, noise=0.05, offset=0.8, seed=k) for k in range(200)])
    assert np.median(found[:, 0]) == pytest.approx(13.0 / 3.0, rel=0.01)
    assert np.median(found[:, 1]) == pytest.approx(5.0, rel=0.04)
    assert np.std(found[:, 0]) < 0.02 * 13.0 / 3.0


def test_limited_current_has_a_flat_top_and_the_same_law():
    slope, tau_ms, ratio, flat_ms = measured(lambda t: current(t, limit_a=8.0))
    reached_ms = -5.0 * np.log(1.0 - 0.97 * 8.0 * 0.6 / 13.0)
    assert flat_ms == pytest.approx(3.5 - reached_ms, abs=0.02)
    assert (slope, tau_ms) == (pytest.approx(13.0 / 3.0, rel=3e-3), pytest.approx(5.0, rel=0.01))
    assert ratio < 1.0
    assert measured(current)[3] < 0.25


def saturating(t):
    """A core whose inductance falls to a third beyond 6 A, integrated in steps."""
    fine = np.linspace(0.0, 4e-3, 40_001)
    i, out = 0.0, np.zeros(fine.size)
    for k in range(1, fine.size):
        henry = 3e-3 if i < 6.0 else 1e-3
        i += (13.0 - 0.6 * i) / henry * (fine[1] - fine[0])
        out[k] = i
    return np.interp(t, fine, out, left=0.0)


def test_saturation_steepens_the_end():
    _, _, ratio, _ = measured(saturating, on_s=2.4e-3)
    assert ratio > 1.5
    assert measured(current, on_s=2.4e-3)[2] < 0.8


def test_what_cannot_be_measured_is_no_number():
    assert np.isnan(measured(current, gaps=np.array([[600, 603]]))).all()
    assert np.isnan(measured(current, gaps=np.array([[600, 600]]))).all()  # a time gap
    assert np.isnan(measured(current, on_s=1e-4)).all()
    assert np.isnan(measured(lambda t: 0.0 * t)).all()


def test_from_recording_to_pulses(tmp_path):
    """Current, supply behind 50 mOhm, ground behind 8 mOhm, drawn beside a command."""
    n, rng = round(4.0 * RATE), np.random.default_rng(4)
    t = np.arange(n) / RATE
    starts = 0.02 + 0.04 * np.arange(95) + rng.uniform(0, 5e-6, 95)
    on, amps = np.zeros(n, bool), np.zeros(n)
    for start in starts:
        own = (t >= start) & (t < start + 3.5e-3)
        on |= own
        amps[own] = current(t[own] - start, volts=13.0, ohm=0.65)
    volts = {"x": 5.0 * on, "i": amps, "u": 13.0 - 0.05 * amps, "g": 0.008 * amps}
    columns = {k: np.round((v + rng.normal(0, 0.004, n)) / 0.001).astype(np.int16) for k, v in volts.items()}
    roles = {"x": "command", "i": "coil_current", "u": "supply", "g": "ground"}
    got = extracted(recorded(tmp_path, columns, scale=0.001, rate_hz=RATE), specs(roles))
    found = np.array(got.pulses["coil_charges"].to_pylist())
    assert found.shape == (95, 5)
    assert np.abs(found[:, 0] / (13.0 / 3.0) - 1.0).max() < 0.03
    assert np.abs(found[:, 1] / (3e3 / 0.65) - 1.0).max() < 0.1
    for name, ohm in (("supply_droop_v", 0.05), ("ground_rise_v", 0.008)):
        np.testing.assert_allclose(column(got, name) / found[:, 4], ohm, rtol=0.05)


def test_a_noise_whose_area_comes_back_to_nothing_is_no_division_by_it() -> None:
    x = np.tile([1.0, -1.0, -1.0, 1.0], 64)
    slope, rate = _law(x, 0, 129)
    assert not np.isinf([slope, rate]).any()
