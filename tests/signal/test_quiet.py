"""Recordings that hold more than a running engine: quiet before, between and behind, or nothing else at all."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.errors import SignalError
from miner.signal.looks.profile import profile_leads
from tests.signal.made import Lead, column, counts, one_lead, recorded, specs

RATE_HZ = 20_000.0
WIDTH = 60.3
NOISES = ["none", "one step", "two steps", "hum"]


def quiet(n: int, noise: str, step_v: float, rng: np.random.Generator) -> np.ndarray:
    """What is added to the lead's level all the time."""
    if noise == "one step":
        return step_v * rng.integers(0, 2, n)
    if noise == "two steps":
        return step_v * rng.normal(0.3, 0.8, n)
    if noise == "hum":
        return 0.35 * np.sin(2 * np.pi * 50 * np.arange(n) / RATE_HZ + 1.0) + step_v * rng.normal(0, 0.4, n)
    return np.zeros(n)


def drive(quiet_s: list[float], n_pulses: list[int], period_s: float) -> Lead:
    """Stretches of pulses with quiet before, between and behind them."""
    starts, at = [], 0.0
    for pause, n in zip(quiet_s, [*n_pulses, 0], strict=True):
        at += pause
        starts += [at + 0.05 + k * period_s for k in range(n)]
        at += n * period_s + 0.1
    first = np.array(starts) * RATE_HZ + 0.37
    return Lead(starts=first, stops=first + WIDTH, n_samples=int(at * RATE_HZ), off_v=0.0, on_v=5.0, edge=0.7)


def found(lead: Lead, noise: str, step_v: float, kind: type, *, active_low: bool, seed: int = 0) -> np.ndarray:
    """Starts of the pulses that are found, in samples."""
    rng = np.random.default_rng(seed)
    running = np.zeros(lead.n_samples, bool)
    for start, stop in zip(lead.starts.astype(int), lead.stops.astype(int), strict=True):
        running[max(start - 1000, 0) : stop + 1000] = True
    noise_v = quiet(lead.n_samples, noise, step_v, rng)
    if noise == "hum":  # a line that is driven hums less
        noise_v[running] *= 0.6
    volts = lead.volts() + noise_v
    volts = 12.0 - volts if active_low else volts
    stored = counts(volts, scale=step_v, dtype=kind) if np.issubdtype(kind, np.integer) else volts.astype(kind)
    scale = step_v if np.issubdtype(kind, np.integer) else 1.0
    with tempfile.TemporaryDirectory() as folder:
        extraction = one_lead(Path(folder), stored, scale=scale, rate_hz=RATE_HZ)
    return column(extraction, "start_sample")


@settings(max_examples=15, deadline=None)
@given(
    quiet_s=st.lists(st.one_of(st.just(0.0), st.floats(0.0, 25.0)), min_size=2, max_size=4),
    n_pulses=st.lists(st.integers(12, 90), min_size=3, max_size=3),
    period_s=st.sampled_from([0.024, 0.15, 0.7]),
    noise=st.sampled_from(NOISES),
    stored=st.sampled_from([(np.int16, 0.0024), (np.uint8, 0.1), (np.float32, 0.0024), (np.int32, 0.0003)]),
    active_low=st.booleans(),
    seed=st.integers(0, 9),
)
def test_pulses_are_found_whatever_lies_around_them(quiet_s, n_pulses, period_s, noise, stored, active_low, seed):
    lead = drive(quiet_s, n_pulses[: len(quiet_s) - 1], period_s)
    starts = found(lead, noise, stored[1], stored[0], active_low=active_low, seed=seed)
    assert starts.size == lead.starts.size
    assert np.abs(starts - lead.starts).max() < 0.6


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("place", ["first", "middle", "last"])
def test_a_no_start_in_a_long_recording(noise, place):
    """84 pulses of the starter in five minutes: found, and nothing else."""
    before = {"first": 0.0, "middle": 110.0, "last": 260.0}[place]
    lead = drive([before, 260.0 - before], [84], 0.47)
    starts = found(lead, noise, 0.0024, np.int16, active_low=False)
    assert starts.size == 84
    assert np.abs(starts - lead.starts).max() < 0.6


@pytest.mark.parametrize("seconds", [0.5, 10.0, 130.0])
@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize(("kind", "step_v"), [(np.int16, 0.0024), (np.uint8, 0.1), (np.int8, 0.02)])
def test_nothing_but_quiet_is_one_sentence(tmp_path, noise, seconds, kind, step_v):
    rng = np.random.default_rng(3)
    volts = 0.7 + quiet(int(seconds * RATE_HZ), noise, step_v, rng)
    with pytest.raises(SignalError, match=r"no pulses: .* check the clip") as error:
        one_lead(tmp_path, counts(volts, scale=step_v, dtype=kind), scale=step_v, rate_hz=RATE_HZ)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("rate", [0.001, 0.02, 0.5])
def test_a_level_that_creeps_over_a_step_of_the_converter_is_no_signal(tmp_path, rate):
    """Where the level lies on the border of two steps, noise turns one into the other and back."""
    rng = np.random.default_rng(4)
    at = np.arange(int(40 * RATE_HZ)) / RATE_HZ
    volts = 0.1 * (3.5 + 0.5 * np.sin(2 * np.pi * rate * at)) + 0.02 * rng.normal(size=at.size)
    with pytest.raises(SignalError, match="no pulses"):
        one_lead(tmp_path, counts(volts, scale=0.1, dtype=np.int8), scale=0.1, rate_hz=RATE_HZ)


@pytest.mark.parametrize("n", [0, 1])
def test_too_few_pulses_to_learn_from_are_one_sentence(tmp_path, n):
    lead = drive([12.0, 30.0], [n], 0.5)
    with pytest.raises(SignalError, match="no pulses"):
        one_lead(tmp_path, counts(lead.volts()), scale=0.0024, rate_hz=RATE_HZ)


@pytest.mark.parametrize("before_s", [0.0, 20.0, 200.0])
@pytest.mark.parametrize("n", [2, 5])
def test_a_few_pulses_are_enough(before_s, n):
    lead = drive([before_s, 40.0], [n], 0.7)
    assert found(lead, "one step", 0.0024, np.int16, active_low=False).size == n


def test_one_kick_of_a_coil_does_not_set_the_levels(tmp_path):
    lead = drive([40.0, 40.0], [300], 0.1)
    volts = lead.volts()
    volts[400_000:400_010] = 60.0
    volts[920_000:920_012] = 60.0
    recording = recorded(tmp_path, {"x": counts(volts)}, scale=0.0024, rate_hz=RATE_HZ)
    (profile,) = profile_leads(recording, specs({"x": "command"})).values()
    assert (profile.off_v, profile.on_v) == pytest.approx((0.0, 5.0), abs=0.05)


@pytest.mark.parametrize("kind", [np.int8, np.uint8, np.float32, np.float64])
@pytest.mark.parametrize("before_s", [0.0, 30.0])
def test_logic_without_any_noise(before_s, kind):
    """0 and 1, nothing between: the noise is exactly 0."""
    lead = drive([before_s, 5.0, 20.0], [30, 60], 0.2)
    stored = (lead.volts() > 2.5).astype(kind)
    with tempfile.TemporaryDirectory() as folder:
        extraction = one_lead(Path(folder), stored, rate_hz=RATE_HZ)
    assert extraction.pulses.num_rows == 90
    assert column(extraction, "amplitude_v") == pytest.approx(np.ones(90))
