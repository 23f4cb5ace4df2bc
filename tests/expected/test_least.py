"""The least difference that matters: what the recorder and the timer of the engine computer cannot tell apart."""

import numpy as np
import pytest

from miner.expected.least import Resolution, least_difference, timer_tick
from miner.expected.measures import MEASURES

MEASURE = {measure.column: measure for measure in MEASURES}


@pytest.mark.parametrize("tick", [2.0, 4.0, 16.0, 64.0])
@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_a_timer_tick_is_found(tick, noise):
    rng = np.random.default_rng(1)
    on = 1700.0 + 3.0 * tick * rng.standard_normal(4000)
    on = np.round(on / tick) * tick + noise * tick * rng.standard_normal(4000)
    assert timer_tick(on) == pytest.approx(tick, rel=0.03)


def test_a_smooth_on_time_has_none():
    rng = np.random.default_rng(1)
    assert timer_tick(1700.0 + 20.0 * rng.standard_normal(4000)) < 4.0


def test_one_per_cent_where_everything_is_resolved():
    on = np.full(1000, 2000.0) + np.random.default_rng(0).standard_normal(1000)
    least = least_difference(MEASURE["on_time_us"], on, Resolution(sample_us=1.0), 8.0)
    assert least.at(on, MEASURE["on_time_us"]) == pytest.approx(np.log(1.01))


def test_one_and_a_half_samples_where_edges_are_not_resolved():
    delay = np.full(1000, 500.0)
    got = least_difference(MEASURE["delay_us"], delay, Resolution(sample_us=20.0), 16.0)
    assert np.expm1(got.at(delay, MEASURE["delay_us"])) == pytest.approx(1.5 * 20.0 / 500.0)
    half = got.at(delay / 2, MEASURE["delay_us"])  # of what is half as long the same samples are twice the share
    assert np.expm1(half) == pytest.approx(1.5 * 20.0 / 250.0)


def test_one_and_a_half_steps_of_the_converter():
    amplitude = np.full(1000, 5.0)
    resolution = Resolution(step_v={"command": 0.1})
    least = least_difference(MEASURE["amplitude_v"], amplitude, resolution, 8.0)
    assert np.expm1(least.at(amplitude, MEASURE["amplitude_v"])) == pytest.approx(0.15 / 5.0)


def test_one_degree_of_crank():
    place = MEASURE["timing_residual_deg"]
    assert least_difference(place, np.zeros(10), Resolution(), np.nan).at(np.zeros(10), place) == pytest.approx(1.0)
