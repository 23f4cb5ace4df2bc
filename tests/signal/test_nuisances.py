from __future__ import annotations

import numpy as np
import pytest

from tests.signal.made import Lead, column, counts, extracted, one_lead, recorded, regular, specs

SCALE = 0.0024


def extraction_of(path, volts, *, rate_hz=1e6, noise_v=0.02, active=None, seed=0):
    volts = volts + np.random.default_rng(seed).normal(0, noise_v, volts.size)
    return one_lead(path, counts(volts, scale=SCALE), scale=SCALE, rate_hz=rate_hz, active=active)


def check(extraction, lead, *, within=0.6, rate_hz=1e6):
    """Every pulse is there, once, with its edges in place (in samples)."""
    assert extraction.pulses.num_rows == lead.starts.size
    assert np.abs(column(extraction, "start_s") * rate_hz - lead.starts).max() < within
    assert np.abs(column(extraction, "stop_s") * rate_hz - lead.stops).max() < within


@pytest.mark.parametrize("height_v", [-3.0, -1.0, 0.8, 2.0, 3.0])
@pytest.mark.parametrize("n_long", [1, 4])
def test_spikes_of_neighbouring_coils(tmp_path, height_v, n_long):
    """Anywhere, in trains after the turn-off, and right beside the edges."""
    lead = regular()
    volts = lead.volts()
    rng = np.random.default_rng(1)
    places = [*rng.integers(0, lead.n_samples - 50, 800)]
    for stop in lead.stops.astype(int):
        places += [stop + 12, stop + 19, stop + 26, stop + 43]
    places += [int(s) - 9 for s in lead.starts] + [int(s) + 6 for s in lead.starts]
    for place in places:
        volts[place : place + n_long] += height_v
    extraction = extraction_of(tmp_path, volts)
    check(extraction, lead, within=35)  # several spikes of 3 V on one edge outvote it for a moment
    assert np.quantile(np.abs(column(extraction, "start_s") * 1e6 - lead.starts), 0.9) < 1.0
    assert np.quantile(np.abs(column(extraction, "stop_s") * 1e6 - lead.stops), 0.9) < 1.0
    assert column(extraction, "off_level_v") == pytest.approx(np.full(80, 0.2), abs=0.02)


def test_spikes_aliased_to_single_samples(tmp_path):
    lead = regular(period=900.3, width=317.7, edge=0.4)
    volts = lead.volts()
    volts[np.random.default_rng(4).integers(0, lead.n_samples, 300)] += 3.0
    check(extraction_of(tmp_path, volts, rate_hz=1e5), lead, within=1.6, rate_hz=1e5)


@pytest.mark.parametrize("edge", ["start", "stop"])
def test_bounce_at_an_edge_splits_nothing(tmp_path, edge):
    lead = regular()
    volts = lead.volts()
    for at in (lead.starts if edge == "start" else lead.stops).astype(int):
        for k in (6, 20, 40):
            inside = slice(at + k, at + k + 5) if edge == "start" else slice(at - k - 5, at - k)
            volts[inside] = 0.2
    extraction = extraction_of(tmp_path, volts)
    check(extraction, lead, within=46)
    assert np.median(column(extraction, "amplitude_v")) == pytest.approx(4.8, abs=0.02)


def test_ringing_makes_no_pulse_and_splits_none(tmp_path):
    lead = regular(edge=1.0)
    volts = lead.volts()
    ring = 2.4 * np.exp(-np.arange(200) / 30.0) * np.cos(2 * np.pi * np.arange(200) / 11.0)
    for start, stop in zip(np.ceil(lead.starts).astype(int), np.ceil(lead.stops).astype(int), strict=True):
        volts[start : start + 200] += ring
        volts[stop : stop + 200] -= ring
    check(extraction_of(tmp_path, volts), lead, within=1.0)


def test_dropout_inside_a_pulse(tmp_path):
    lead = regular()
    volts = lead.volts()
    for start in lead.starts[::4].astype(int):
        volts[start + 1500 : start + 1540] = 0.2
    extraction = extraction_of(tmp_path, volts)
    check(extraction, lead)
    assert extraction.quality["x"]["n_dropouts_closed"] == 20


@pytest.mark.parametrize("share", [0.4, 0.6])
@pytest.mark.parametrize("active_low", [False, True])
def test_weak_pulse_is_a_pulse_and_measured_as_weak(tmp_path, share, active_low):
    lead = regular()
    volts = lead.volts()
    weak = [20, 41, 42, 43, 60]
    for k in weak:
        a, b = int(lead.starts[k]) - 50, int(lead.stops[k]) + 50
        volts[a:b] = 0.2 + share * (volts[a:b] - 0.2)
    extraction = extraction_of(tmp_path, 5.2 - volts if active_low else volts)
    check(extraction, lead)
    expected = np.full(80, 4.8)
    expected[weak] *= share
    assert column(extraction, "amplitude_v") == pytest.approx(expected, abs=0.03)


def test_levels_are_followed_as_they_drift(tmp_path):
    lead = regular(400)
    drift = 1.6 * np.sin(2 * np.pi * np.arange(lead.n_samples) / lead.n_samples)
    extraction = extraction_of(tmp_path, lead.volts() + drift)
    check(extraction, lead)
    assert column(extraction, "amplitude_v") == pytest.approx(np.full(400, 4.8), abs=0.05)
    at = lead.starts.astype(int)
    assert column(extraction, "off_level_v") == pytest.approx(0.2 + drift[at], abs=0.05)


def test_off_level_raised_under_load_is_no_pulse(tmp_path):
    """While another coil charges, the ground is 0.8 V higher; the edge is measured on the level it starts from."""
    lead = regular()
    volts = lead.volts()
    for start in lead.starts.astype(int):
        volts[start + 5000 : start + 8200] += 0.8
        volts[start - 600 : start + 1200] += 0.8
    extraction = extraction_of(tmp_path, volts)
    assert extraction.pulses.num_rows == 80
    assert np.abs(column(extraction, "start_sample") - lead.starts).max() < 0.6


def test_slow_edges(tmp_path):
    lead = regular(edge=160.0, width=2800.0)
    extraction = extraction_of(tmp_path, lead.volts())
    check(extraction, lead, within=3.0)
    assert np.median(column(extraction, "rise_us")) == pytest.approx(128, abs=8)


def test_strong_noise(tmp_path):
    lead = regular()
    check(extraction_of(tmp_path, lead.volts(), noise_v=0.35), lead, within=3.0)


@pytest.mark.parametrize("active_low", [False, True])
def test_polarity_is_found(tmp_path, active_low):
    lead = regular()
    extraction = extraction_of(tmp_path, 5.2 - lead.volts() if active_low else lead.volts())
    check(extraction, lead)
    assert (column(extraction, "amplitude_v") > 0).all()


def test_polarity_of_a_lead_that_is_mostly_on(tmp_path):
    """A shared answer line at speed: on for 62 % of the time, but for the same time; the pauses follow the engine."""
    rng = np.random.default_rng(8)
    pauses = 1300 * (1 + 0.12 * np.sin(np.arange(300) / 15)) + rng.normal(0, 10, 300)
    starts = 2000 + np.cumsum(pauses) + 2100 * np.arange(300)
    lead = Lead(starts=starts, stops=starts + 2100, n_samples=int(starts[-1]) + 9000)
    check(extraction_of(tmp_path, lead.volts()), lead)


def test_polarity_given_by_the_setup(tmp_path):
    lead = regular()
    extraction = extraction_of(tmp_path, lead.volts(), active="low")
    assert extraction.pulses.num_rows == 79  # the pauses; the first and the last are cut by the ends
    assert column(extraction, "start_sample") == pytest.approx(lead.stops[:-1], abs=0.6)


def test_pulse_of_more_than_a_second_at_key_on(tmp_path):
    lead = regular(60, period=900.3, width=317.7, first=190_000.4)
    starts, stops = np.insert(lead.starts, 0, 30_000.2), np.insert(lead.stops, 0, 160_000.7)
    lead = Lead(starts=starts, stops=stops, n_samples=lead.n_samples, edge=1.0)
    extraction = extraction_of(tmp_path, lead.volts(), rate_hz=1e5)
    check(extraction, lead, rate_hz=1e5)
    assert column(extraction, "duration_us")[0] == pytest.approx(1.300005e6, abs=10)


def test_lead_that_sticks_is_cut_off_after_five_seconds(tmp_path):
    lead = regular(60, period=900.3, width=317.7)
    tail = np.full(800_000, 5.0)
    volts = np.concatenate([lead.volts(), tail, regular(20, period=900.3, width=317.7).volts()])
    extraction = extraction_of(tmp_path, volts, rate_hz=1e5)
    assert extraction.pulses.num_rows == 81
    assert extraction.pulses["quality"].to_pylist()[60] == "cut_off"
    assert column(extraction, "duration_us")[60] == pytest.approx(5e6, abs=30)


def test_clipped_on_state(tmp_path):
    lead = regular()
    volts = lead.volts() + np.random.default_rng(0).normal(0, 0.02, lead.n_samples)
    extraction = one_lead(tmp_path, np.minimum(counts(volts, scale=SCALE), 2000), scale=SCALE)
    assert set(extraction.pulses["quality"].to_pylist()) == {"clipped"}
    assert extraction.quality["x"]["clipped_share"] == 1.0


def test_slow_sampling_is_said(tmp_path):
    lead = regular(period=90.3, width=7.4, edge=0.5)
    extraction = extraction_of(tmp_path, lead.volts(), rate_hz=3e4)
    assert set(extraction.pulses["quality"].to_pylist()) == {"slow_sampling"}


def test_supply_ground_and_current_over_the_pulse(tmp_path):
    lead = regular()
    rng = np.random.default_rng(0)
    at = np.arange(lead.n_samples)
    phase = (at - lead.starts[0]) % 9000.3
    on = phase < 3170.7
    current = np.where(on, 7.0 * phase / 3170.7, 0.0) * ((at > lead.starts[0]) & (at < lead.stops[-1]))
    columns = {
        "x": counts(lead.volts() + rng.normal(0, 0.02, at.size), scale=SCALE),
        "u": counts(14.0 - 0.5 * on, scale=SCALE),
        "g": counts(0.3 * on, scale=SCALE),
        "i": counts(current, scale=SCALE),
        "j": counts(current / 2, scale=SCALE),
    }
    recording = recorded(tmp_path, columns, scale=SCALE)
    roles = {"x": "command", "u": "supply", "g": "ground", "i": "coil_current", "j": "coil_current"}
    extraction = extracted(recording, specs(roles))
    assert column(extraction, "supply_v") == pytest.approx(np.full(80, 13.5), abs=0.01)
    assert column(extraction, "ground_v") == pytest.approx(np.full(80, 0.3), abs=0.01)
    peaks = np.array(extraction.pulses["coil_currents_a"].to_pylist())
    assert peaks[:, 0] == pytest.approx(np.full(80, 7.0), abs=0.02)
    assert peaks[:, 1] == pytest.approx(np.full(80, 3.5), abs=0.02)
    track = extraction.tracks[1]
    assert extraction.window_start_s.shape == track.mean.shape
    assert (track.least.min(), track.most.max()) == pytest.approx((13.5, 14.0), abs=0.01)
    low, high = extraction.envelope[1].volts()
    assert low.size == -(-lead.n_samples // 4096)
    assert (low.min(), high.max()) == pytest.approx((13.5, 14.0), abs=0.01)


def test_spikes_on_the_on_state_make_no_ripple_but_a_notch_does(tmp_path):
    lead = regular()
    volts = lead.volts()
    for start in lead.starts.astype(int)[::2]:
        for n in range(3):
            volts[start + 400 + 300 * n : start + 406 + 300 * n] -= 1.0
    for start in lead.starts.astype(int)[1::4]:
        volts[start + 500 : start + 560] -= 1.0  # three times as long as any spike
    extraction = extraction_of(tmp_path, volts)
    ripple, quiet = column(extraction, "ripple_v"), column(extraction, "quiet_ripple_v")
    assert np.median(ripple[::2]) > 0.06
    assert np.abs(quiet[::2] - 0.02).max() < 0.004
    assert quiet[3::4] == pytest.approx(ripple[3::4], rel=0.06)
    assert (quiet[1::4] > 0.06).all()


@pytest.mark.parametrize("n_low", [3, 5, 8])
def test_a_line_held_for_some_samples_has_switched_however_long_it_bounces(tmp_path, n_low):
    lead = regular(period=1800.3, width=634.7, edge=0.4)
    volts = lead.volts()
    for at in np.ceil(lead.starts).astype(int):
        volts[at + 3 : at + 3 + n_low] = 0.9
    check(extraction_of(tmp_path, volts, rate_hz=2e5), lead, within=1.1, rate_hz=2e5)


def test_rise_of_a_line_that_bounces_before_it_was_seen_on_top_is_that_of_its_edge(tmp_path):
    lead = regular(period=1800.3, width=634.7, edge=0.4)
    volts = lead.volts()
    for at in np.ceil(lead.starts).astype(int):
        volts[at], volts[at + 1 : at + 4] = 4.2, 0.9
    extraction = extraction_of(tmp_path, volts, rate_hz=2e5)
    assert column(extraction, "rise_us").max() < 10.0


def test_off_state_on_its_way_to_another_level_is_no_pulse(tmp_path):
    """A line pulled up to the supply, low is on: the starter pulls it down once more before the engine lifts it."""
    lead = regular(off_v=0.0, on_v=1.0)
    at, supply_v = [311_400, 313_000, 314_500, 316_900, 318_000], [9.7, 8.4, 9.7, 10.8, 11.0]
    supply = np.interp(np.arange(lead.n_samples), at, supply_v)
    volts = supply * (1.0 - lead.volts())
    extraction = extraction_of(tmp_path, volts, active="low")
    check(extraction, lead)
