"""The least difference that matters: what the recorder and the timer of the engine computer cannot tell apart."""

import numpy as np
import pytest

from miner.engine.setup import LeastDifferences, parse_setup
from miner.errors import SetupError
from miner.expected.least import KEYS, Resolution, least_difference, least_wished, timer_tick
from miner.expected.measures import MEASURES
from miner.rarity.judge import ROUNDING

MEASURE = {measure.column: measure for measure in MEASURES}


@pytest.mark.parametrize("tick", [2.0, 4.0, 16.0, 64.0])
@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_a_timer_tick_is_found(tick, noise):
    rng = np.random.default_rng(1)
    on = 1700.0 + 3.0 * tick * rng.standard_normal(4000)
    on = np.round(on / tick) * tick + noise * tick * rng.standard_normal(4000)
    assert timer_tick(on) == pytest.approx(tick, rel=0.03)


@pytest.mark.parametrize("tick", [16.0, 64.0])
def test_a_tick_is_found_where_the_on_time_hardly_ever_changes(tick):
    rng = np.random.default_rng(2)
    steps = np.where(rng.random(20_000) < 0.005, rng.integers(-3, 4, 20_000), 0)
    on = 2400.0 + tick * steps + 0.3 * rng.standard_normal(20_000)
    assert timer_tick(on) == pytest.approx(tick, rel=0.03)


def test_a_step_of_a_table_that_comes_again_and_again_is_no_timer():
    rng = np.random.default_rng(3)
    level = 2400.0 + 300.0 * np.sin(np.arange(20_000) / 900.0)  # the durations themselves are anything
    on = level + 64.0 * rng.integers(-2, 3, 20_000) * (rng.random(20_000) < 0.02) + 0.3 * rng.standard_normal(20_000)
    assert timer_tick(on) == 0.0


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


ENGINE = {"engine": {"cylinders": 1, "firing_order": [1]}}


def wished(**least):
    return Resolution(
        sample_us=1.0, step_v={"supply": 0.02}, wished=least_wished(parse_setup({**ENGINE, "least_differences": least}))
    )


def least_at(column, values, resolution):
    return least_difference(MEASURE[column], values, resolution, 8.0).at(values, MEASURE[column])


def test_every_measure_has_its_key_and_every_key_its_measure():
    assert set(KEYS) == set(MEASURE)
    assert sorted(KEYS.values()) == sorted(LeastDifferences.model_fields)


@pytest.mark.parametrize("share", [0.4, 3.0, 19.0])
@pytest.mark.parametrize("column", [c for c in KEYS if KEYS[c].endswith("percent")])
def test_the_setup_may_name_shares(column, share):
    values = np.full(1000, 2000.0)
    got = least_at(column, values, wished(**{KEYS[column]: share}))
    told = 2.0 / 2000.0 if column in ("rise_us", "fall_us") else 0.0
    assert np.expm1(got) == pytest.approx(max(share / 100.0, told))


def test_the_setup_may_name_degrees_and_volts():
    assert least_at("timing_residual_deg", np.zeros(10), wished(timing_deg=2.5)) == pytest.approx(2.5)
    got = least_at("supply_v", np.full(100, 12.5), wished(supply_v=0.5))
    assert np.expm1(got) == pytest.approx(0.5 / 12.5)


def test_no_setup_makes_a_difference_of_what_cannot_be_told_apart():
    got = least_at("supply_v", np.full(100, 10.0), wished(supply_v=0.001))
    assert np.expm1(got) == pytest.approx(1.5 * 0.02 / 10.0)


@pytest.mark.parametrize("value", [0, -1.0, 200.0, float("nan"), float("inf"), "much", True, [1.0]])
def test_values_that_are_no_differences_are_refused_in_one_sentence(value):
    with pytest.raises(SetupError) as refused:
        wished(on_time_percent=value)
    assert "least_differences.on_time_percent" in str(refused.value)
    assert "\n" not in str(refused.value)


def test_nothing_gross_can_be_called_too_small():
    for column, measure in MEASURE.items():
        if np.isfinite(measure.gross):
            limit = 100.0 * ROUNDING * measure.gross
            with pytest.raises(SetupError, match="less than or equal"):
                wished(**{KEYS[column]: limit + 0.1})


def test_an_unknown_key_is_refused_with_the_near_ones():
    with pytest.raises(SetupError, match="on_time_percent"):
        wished(on_time_percents=1.0)
