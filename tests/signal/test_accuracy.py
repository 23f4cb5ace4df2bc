from __future__ import annotations

import numpy as np
import pytest

from tests.signal.made import Lead, column, counts, one_lead


def noisy_lead(rng: np.random.Generator, *, active_low: bool) -> Lead:
    starts = 2000 + np.cumsum(rng.uniform(4000, 9000, 400))
    off_v, on_v = (5.2, 0.2) if active_low else (0.2, 5.2)
    stops = starts + rng.uniform(600, 3500, 400)
    return Lead(starts=starts, stops=stops, n_samples=int(stops[-1]) + 3000, off_v=off_v, on_v=on_v, edge=3.0)


@pytest.mark.parametrize("active_low", [False, True])
@pytest.mark.parametrize(
    ("scale", "most_bias", "most_error"),
    [(5e-5, 0.05, 0.25), (0.0048828, 0.05, 0.25), (0.0625, 0.05, 0.25)],
    ids=["fine", "12 bit over 20 V", "8 bit over 16 V"],
)
def test_edges_of_a_noisy_5_v_signal(tmp_path, active_low, scale, most_bias, most_error):
    """20 mV of noise, edges of 3 samples, as the goal is stated."""
    rng = np.random.default_rng(11)
    lead = noisy_lead(rng, active_low=active_low)
    volts = lead.volts() + rng.normal(0, 0.02, lead.n_samples)
    stored = counts(volts, scale=scale, dtype=np.int32 if scale < 1e-4 else np.int16)
    extraction = one_lead(tmp_path, stored, scale=scale)
    assert extraction.pulses.num_rows == 400
    start_error = column(extraction, "start_sample") - lead.starts
    stop_error = column(extraction, "stop_s") * 1e6 - lead.stops
    for error in (start_error, stop_error):
        assert abs(error.mean()) < most_bias
        assert np.quantile(np.abs(error), 0.95) < most_error
    assert column(extraction, "amplitude_v") == pytest.approx(np.full(400, 5.0), abs=0.02 + scale)
    assert column(extraction, "off_level_v") == pytest.approx(np.full(400, lead.off_v), abs=0.02 + scale)
    # corners of an edge fall between samples, so straight lines stretch it a little
    assert np.median(column(extraction, "rise_us")) == pytest.approx(2.4, abs=0.25)
    assert np.median(column(extraction, "fall_us")) == pytest.approx(2.4, abs=0.25)
    assert np.median(column(extraction, "ripple_v")) == pytest.approx(np.hypot(0.02, scale / 12**0.5), rel=0.2)


def test_one_sample_edges_are_not_biased(tmp_path):
    rng = np.random.default_rng(5)
    starts = 2000 + np.cumsum(rng.uniform(4000, 9000, 400))
    lead = Lead(starts=starts, stops=starts + rng.uniform(600, 3500, 400), n_samples=3_400_000, edge=1e-6)
    extraction = one_lead(tmp_path, counts(lead.volts() + rng.normal(0, 0.02, lead.n_samples)), scale=0.0024)
    error = column(extraction, "start_sample") - lead.starts
    assert abs(error.mean()) < 0.06  # uniform within a sample: 0.29 / sqrt(400) = 0.015
    assert np.abs(error).max() < 0.52


@pytest.mark.parametrize(("off_v", "on_v"), [(0.1, 12.3), (12.0, 1.1), (0.02, 0.5), (1.4, 6.3), (0.0, 1.0)])
def test_levels_of_every_kind_of_line(tmp_path, off_v, on_v):
    rng = np.random.default_rng(2)
    starts = 2000 + 7000.37 * np.arange(80)
    lead = Lead(starts=starts, stops=starts + 2500, n_samples=570_000, off_v=off_v, on_v=on_v)
    volts = lead.volts() + rng.normal(0, 0.004 * abs(on_v - off_v), lead.n_samples)
    extraction = one_lead(tmp_path, counts(volts, scale=0.0005), scale=0.0005)
    assert extraction.pulses.num_rows == 80
    assert column(extraction, "amplitude_v") == pytest.approx(np.full(80, abs(on_v - off_v)), rel=0.005)
    assert column(extraction, "off_level_v") == pytest.approx(np.full(80, off_v), abs=0.01 * abs(on_v - off_v))
    assert column(extraction, "duration_us") == pytest.approx(np.full(80, 2500), abs=0.3)


@pytest.mark.parametrize("dtype", [np.uint8, np.int16])
def test_logic_capture_of_zeros_and_ones(tmp_path, dtype):
    starts = 2000.5 + 7000 * np.arange(70)
    lead = Lead(starts=starts, stops=starts + 2500, n_samples=505_000)
    samples = (lead.volts() > 2.6).astype(dtype)
    extraction = one_lead(tmp_path, samples)
    assert column(extraction, "start_sample") == pytest.approx(lead.starts, abs=0.51)
    assert column(extraction, "amplitude_v") == pytest.approx(np.ones(lead.starts.size))
    assert set(extraction.pulses["quality"].to_pylist()) == {""}
