"""Teeth and crank angle against wheels drawn from a known angle."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from miner.signal.extract import extract_pulses
from miner.signal.extraction import Extraction
from miner.signal.leads import LeadSpec, Wheel
from miner.signal.looks.profile import profile_leads
from miner.signal.wheels.teeth import FADE_S, no_teeth_yet, pass_teeth
from miner.signal.wheels.turns import place_teeth
from tests.signal.made import counts, recorded
from tests.signal.wheel_maker import Crank, line

RATE = 100_000.0
Floats = NDArray[np.float64]


def leads(turn_deg: float = 360.0) -> list[LeadSpec]:
    """One command of a four-stroke, which fires every second turn, and the wheel."""
    return [
        LeadSpec(index=0, column="x", role="command", per_turn=0.5),
        LeadSpec(index=1, column="w", role="crank", turn_deg=turn_deg),
    ]


def mined(tmp_path, crank: Crank, wheel: Floats, noise: float = 0.02) -> tuple[Extraction, Wheel, Floats, Floats]:
    """Return extraction, wheel, and true crank angles of turn-on and turn-off of a command every two turns."""
    rng = np.random.default_rng(3)
    on_deg = np.arange(600.0, crank.angle_deg[-1] - 900.0, 720.0) + rng.uniform(-5, 5, 1)
    on_s = crank.at(on_deg)
    off_s = on_s + 3e-3
    volts = line(crank.time_s, on_s, off_s) + rng.normal(0, 0.02, crank.time_s.size)
    columns = {"x": counts(volts), "w": counts(wheel + rng.normal(0, noise, wheel.size))}
    recording = recorded(tmp_path, columns, scale=0.0024, rate_hz=RATE)
    profiles = profile_leads(recording, leads())
    extraction = extract_pulses(recording, leads(), profiles)
    assert extraction.pulses.num_rows == on_s.size
    found = profiles[1].wheel
    assert found is not None
    return extraction, found, on_deg, crank.angle_at(off_s)


def circular(difference: Floats) -> Floats:
    """Differences of angles, -180 to 180."""
    return (difference + 180.0) % 360.0 - 180.0


@pytest.mark.parametrize("pickup", [False, True])
@pytest.mark.parametrize(("teeth", "missing"), [(60, 2), (36, 1), (24, 2), (12, 1)])
def test_angle_of_pulses_against_the_wheel(tmp_path, teeth, missing, pickup):
    crank = Crank.driven([0, 3, 8, 12], [800, 800, 3500, 1200], RATE)
    got, wheel, on_deg, off_deg = mined(tmp_path, crank, crank.wheel(teeth, missing, pickup=pickup))
    assert (wheel.teeth, wheel.missing, wheel.turn_deg) == (teeth, missing, 360.0)
    for name, truth in (("wheel_on_deg", on_deg), ("wheel_off_deg", off_deg)):
        off = circular(got.pulses[name].to_numpy() - truth)
        constant = np.median(off)  # a tooth is told where it ends or where it begins
        half = 180.0 / teeth
        assert min(abs(constant + k * half) for k in (0, 1, 2)) < 0.2
        assert np.abs(off - constant).max() < 0.35  # a sample at 3,500 rpm is 0.21 degrees


def test_one_mark_a_turn(tmp_path):
    crank = Crank.driven([0, 3, 8, 20], [800, 800, 2000, 1200], RATE, ripple=0.0)
    got, wheel, on_deg, _ = mined(tmp_path, crank, crank.wheel(1, 0) * (crank.angle_deg % 360 < 20))
    assert (wheel.teeth, wheel.missing) == (1, 0)
    off = circular(got.pulses["wheel_on_deg"].to_numpy() - on_deg)
    assert np.abs(off - np.median(off)).max() < 2.0  # straight between two marks, while the speed changes


def test_speed_of_the_marks(tmp_path):
    crank = Crank.driven([0, 3, 8, 12], [800, 800, 3500, 1200], RATE)
    got, _, _, _ = mined(tmp_path, crank, crank.wheel(60, 2))
    time_s, rpm = got.crank["time_s"].to_numpy(), got.crank["rpm"].to_numpy()
    truth = np.diff(crank.angle_at(time_s)) / (6.0 * np.diff(time_s))
    known = np.isfinite(rpm[1:])
    assert known.mean() > 0.99
    assert np.abs(rpm[1:] / truth - 1.0)[known].max() < 0.01
    assert np.allclose(np.diff(crank.angle_at(time_s)), 30.0, atol=0.3)
    assert got.crank["n_missing"].to_numpy().sum() == got.crank["n_extra"].to_numpy().sum() == 0


def test_even_wheel_is_counted_between_ignitions(tmp_path):
    crank = Crank.driven([0, 3, 8, 12], [800, 800, 3500, 1200], RATE)
    got, wheel, _, _ = mined(tmp_path, crank, crank.wheel(8, 0))
    assert (wheel.teeth, wheel.missing) == (8, 0)
    assert got.pulses["wheel_on_deg"].null_count == got.pulses.num_rows  # no tooth differs from the others
    assert np.nanmax(got.crank["rpm"].to_numpy()) == pytest.approx(3500 * 1.03, rel=0.02)


def test_a_stop_is_a_stop(tmp_path):
    crank = Crank.driven([0, 4, 4.6, 9, 9.01, 10, 10.4, 14], [900, 900, 0, 0, 180, 180, 1000, 900], RATE)
    got, wheel, _, _ = mined(tmp_path, crank, crank.wheel(60, 2, pickup=True) * 6.0, noise=0.005)
    assert (wheel.teeth, wheel.missing) == (60, 2)
    time_s, rpm = got.crank["time_s"].to_numpy(), got.crank["rpm"].to_numpy()
    assert not ((time_s > 4.7) & (time_s < 9.0)).any()
    first = np.searchsorted(time_s, 9.0)
    assert np.isnan(rpm[first])
    assert np.isfinite(rpm[first + 1 :]).mean() > 0.95
    assert got.crank["n_missing"].to_numpy().sum() == 0


def test_missing_and_extra_teeth_are_counted(tmp_path):
    crank = Crank.driven([0, 3, 8, 12], [800, 800, 3500, 1200], RATE)
    lost = np.array([60 * 20 + 17, 60 * 60 + 30, 60 * 60 + 31, 60 * 100 + 3])
    wheel = crank.wheel(60, 2, lost=lost)
    spike_s = crank.at(np.array([360.0 * 40 + 6 * 22.7, 360.0 * 80 + 6 * 40.75]))
    for at in spike_s:
        wheel[round(at * RATE) : round((at + 8e-5) * RATE)] = 5.0
    got, _, on_deg, _ = mined(tmp_path, crank, wheel)
    assert got.crank["n_missing"].to_numpy().sum() == 4
    assert got.crank["n_extra"].to_numpy().sum() == 2
    at = got.crank["time_s"].to_numpy()[got.crank["n_missing"].to_numpy() > 0]
    assert np.abs(at[:, None] - crank.at(6.0 * lost)[None, :]).min(axis=1).max() < 0.01
    assert np.abs(circular(got.pulses["wheel_on_deg"].to_numpy() - on_deg)).max() < 3.5


def obvious_teeth(x: Floats, sign: float, middle: float, floor: float, run: int, fade: float) -> list[float]:
    """The same rule, as plainly as it can be said."""
    found, over, armed, height, top = [], 0, False, 0.0, 0.0
    for i, value in enumerate(x):
        v = sign * value - middle
        height *= fade
        over = over + 1 if v > floor and v > 0.33 * height else 0
        if v > floor:
            top = max(top, v)
        armed = armed or over >= run
        if v <= 0:
            if armed:
                before = sign * x[i - 1] - middle
                found.append(i - (v / (v - before) if before > 0 else 0.0))
                height = top if height < floor else min(top, 2.0 * height)
                armed = False
            top = 0.0
    return found


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_kernel_against_the_obvious(sign):
    rng = np.random.default_rng(1)
    t = np.arange(20_000) / RATE
    x = 2.0 * np.sin(2 * np.pi * (300 * t + 2000 * t * t)) * (0.2 + t * 5) + 0.5 + rng.normal(0, 0.05, t.size)
    x[rng.integers(0, t.size, 40)] += 3.0
    args = (sign, sign * 0.5, 0.2, 2, float(np.exp(-1 / (FADE_S * RATE))))
    truth = obvious_teeth(x, *args)
    for cuts in ([0, t.size], [0, 777, 778, 5000, 19_999, t.size]):
        ints, floats = no_teeth_yet()
        out, broken, got = np.empty(t.size), np.empty(t.size, bool), []
        for first, last in pairwise(cuts):
            n = pass_teeth(x, 0, first, last, np.empty((0, 2), np.int64), *args, ints, floats, out, broken)
            got.extend(out[:n])
        assert len(truth) > 50
        np.testing.assert_array_equal(got, truth)


@pytest.mark.parametrize(("teeth", "missing"), [(60, 2), (36, 1), (12, 1), (60, 3)])
def test_every_tooth_has_its_place(teeth, missing):
    """Teeth by arithmetic, from a stretch that begins anywhere: running places, the reference known from the gap on."""
    rng = np.random.default_rng(teeth)
    number = np.arange(7, 40 * teeth)
    number = number[number % teeth < teeth - missing]
    for first in (0, 1, teeth - missing - 8, teeth - missing - 7, teeth - missing - 6):
        kept = number[first:]
        at = 1e-3 * (kept + 3.0 * np.sin(kept / teeth)) + rng.normal(0, 1e-5, kept.size)
        course = place_teeth(at, np.zeros(at.size, bool), Wheel(teeth=teeth, missing=missing, turn_deg=360, floor_v=0))
        assert course.tooth.size == kept.size
        assert course.is_known.all()
        np.testing.assert_allclose(course.angle_deg % 360, kept % teeth * 360 / teeth, atol=1e-6)
