"""Healthy habits of engine computers that are usual, and single faults beside them that are not."""

import numpy as np
import pyarrow as pa
import pytest
from miner.suspicion.baseline import measure_distances
from miner.suspicion.noise import noise_of
from miner.suspicion.rhythm import explain_rhythm
from scipy.stats import norm

from miner.expected.context import build_context
from miner.schema import EVENTS
from tests.suspicion.engines import Engine, healthy_events, setup_for

ENGINE = Engine(minutes=6, stops=False, load_steps=False)


def with_columns(events, **columns):
    for name, values in columns.items():
        place = EVENTS.schema.get_field_index(name)
        events = events.set_column(place, EVENTS.schema.field(name), pa.array(values, mask=~np.isfinite(values)))
    return events


def values(events, name):
    return events[name].to_numpy(zero_copy_only=False).copy()


def distance(events, column, engine=ENGINE):
    context = build_context(events, setup_for(engine))
    distances = explain_rhythm(measure_distances(events, context), events, context)
    return next(d.z for d in distances if d.measure.column == column)


@pytest.fixture(scope="module")
def healthy():
    return healthy_events(3, ENGINE)


def calm_row(events, start):
    trusted = (values(events, "quality") == "") & (np.abs(np.gradient(values(events, "engine_rpm"))) < 1)
    return start + int(np.flatnonzero(trusted[start:])[0])


def test_a_load_that_steps_is_usual_for_every_event_around_it(healthy):
    row = calm_row(healthy, 9000)
    on = values(healthy, "on_time_us")
    on[row:] *= 1.02
    z = distance(with_columns(healthy, on_time_us=on), "on_time_us")
    assert np.nanmax(np.abs(z[row - 8 : row + 8])) < 5.0


def test_one_event_two_per_cent_off_is_not(healthy):
    row = calm_row(healthy, 9000)
    on = values(healthy, "on_time_us")
    on[row] *= 1.02
    z = distance(with_columns(healthy, on_time_us=on), "on_time_us")
    assert z[row] > 6.0
    assert np.nanmax(np.abs(np.delete(z[row - 8 : row + 8], 8))) < 5.0


def test_on_time_that_follows_the_supply_of_a_moment_earlier_is_usual(healthy):
    """The voltage falls by 1 V within one event now and then; the computer sees it 60 ms later."""
    time_s, supply = values(healthy, "time_s"), np.full(healthy.num_rows, 14.0)
    rng = np.random.default_rng(0)
    for at_s in rng.uniform(10, time_s[-1] - 20, 40):
        supply[(time_s > at_s) & (time_s < at_s + 4)] -= 1.0
    seen_s = time_s - 0.06
    seen = supply[np.maximum(np.searchsorted(time_s, seen_s, side="right") - 1, 0)]
    on = 2900 * (14.0 / seen) ** 1.2 + 4 * rng.standard_normal(time_s.size)
    supply = supply + 0.005 * rng.standard_normal(supply.size)
    z = distance(with_columns(healthy, on_time_us=on, supply_v=supply), "on_time_us")
    late = np.abs(seen - np.round(supply)) > 0.5
    assert late.sum() > 100
    assert np.nanmean(np.abs(z[late]) > 5.0) < 0.02


def test_where_the_supply_was_not_recorded_its_whole_range_is_possible(healthy):
    supply, on = values(healthy, "supply_v"), values(healthy, "on_time_us")
    time_s = values(healthy, "time_s")
    blind = (time_s > 200) & (time_s < 206)
    on[blind] *= (np.median(supply) / (np.median(supply) - 0.2)) ** 1.25  # at a supply as low as it is now and then
    supply[blind] = np.nan
    z = distance(with_columns(healthy, on_time_us=on, supply_v=supply), "on_time_us")
    assert np.nanmax(np.abs(z[blind])) < 5.0


@pytest.mark.parametrize("lone", [False, True])
def test_timing_that_steps_for_all_is_usual_a_lone_event_is_not(healthy, lone):
    row = calm_row(healthy, 9000)
    both = values(healthy, "timing_residual_deg")
    before, after = both.copy(), both.copy()
    both[row] += 6.0
    before[row] += 9.0 if not lone else 6.0
    after[row] += 0.0 if not lone else 6.0
    noisy = 0.7 * np.random.default_rng(1).standard_normal((2, both.size))
    events = with_columns(
        healthy,
        timing_residual_deg=both,
        timing_from_before_deg=before + noisy[0],
        timing_from_after_deg=after + noisy[1],
    )
    z = distance(events, "timing_residual_deg")
    assert (z[row] > 8.0) if lone else (abs(z[row]) < 5.0)


def test_noise_of_pure_chance_is_hardly_raised():
    rng = np.random.default_rng(2)
    residual, n = rng.standard_normal(8000), 8000
    sigma = noise_of(
        residual,
        rough=np.ones(n),
        learns=np.ones(n, bool),
        least=0.0,
        changes=((np.zeros(n), 1.0),),
        along=(rng.uniform(size=n), rng.uniform(size=n)),
    )
    assert np.median(sigma) == pytest.approx(1.0, abs=0.08)
    assert np.quantile(sigma, 0.99) < 1.35


def test_noise_is_raised_where_the_recording_is_noisier():
    rng = np.random.default_rng(2)
    n = 8000
    condition = rng.uniform(size=n)
    loud = (condition > 0.4) & (condition < 0.5)
    residual = rng.standard_normal(n) * np.where(loud, 5.0, 1.0)
    sigma = noise_of(
        residual,
        rough=np.ones(n),
        learns=np.ones(n, bool),
        least=0.0,
        changes=(),
        along=(condition,),
    )
    inside = (condition > 0.42) & (condition < 0.48)
    assert np.median(sigma[inside]) > 4.0 * np.median(sigma[~loud]) / 1.3


def test_noise_is_not_raised_by_changes_that_say_nothing_however_small_they_are():
    rng = np.random.default_rng(2)
    n = 8000
    residual, change = rng.standard_normal(n), 10.0 ** rng.uniform(-8, 1, n)
    sigma = noise_of(residual, rough=np.ones(n), learns=np.ones(n, bool), least=0.0, changes=((change, 0.0),), along=())
    assert sigma.max() < 1.5


def test_noise_is_raised_by_changes_that_the_residuals_follow():
    rng = np.random.default_rng(2)
    n = 8000
    change = np.where(rng.random(n) < 0.2, rng.exponential(10.0, n), 1e-6)
    residual = rng.standard_normal(n) + 0.5 * change * rng.standard_normal(n)
    sigma = noise_of(residual, rough=np.ones(n), learns=np.ones(n, bool), least=0.0, changes=((change, 0.0),), along=())
    due = np.hypot(1.0, 0.5 * change)
    assert np.median((sigma / due)[change > 5]) == pytest.approx(1.0, abs=0.25)
    assert np.quantile(sigma[change < 1e-3], 0.99) < 1.5


def test_a_fault_where_the_usual_value_moves_most_does_not_hide_itself():
    """The outermost of all changes has neighbours on one side only."""
    rng = np.random.default_rng(3)
    n = 6000
    residual, change = rng.normal(0.0, 1.0, n), np.abs(rng.normal(0.0, 0.05, n))
    change[4000], residual[4000] = 0.5, 40.0
    sigma = noise_of(residual, rough=np.ones(n), learns=np.ones(n, bool), least=0.0, changes=((change, 0.0),), along=())
    assert abs(residual[4000]) / sigma[4000] > 10.0


@pytest.mark.parametrize("moving", [False, True])
def test_values_on_a_grid_are_listed_as_often_as_is_due(healthy, moving):
    """Amplitudes of some counts' noise, the grid moving with a level or not: as normal as what was rounded."""
    events, n = healthy, healthy.num_rows
    rng = np.random.default_rng(4)
    level = 0.005 * (np.arange(n) // 900 % 2) if moving else 0.0
    grid = np.round(rng.normal(5.0, 0.006, n) / 0.01) * 0.01 + level
    known = np.isfinite(values(events, "amplitude_v"))
    z = distance(with_columns(events, amplitude_v=np.where(known, grid, np.nan)), "amplitude_v")
    size = np.abs(z[np.isfinite(z)].astype(float))
    for share in (0.5, 0.8, 0.9, 0.95, 0.99, 0.999):  # on the grid itself the first is 0, the next a third too large
        assert np.quantile(size, share) == pytest.approx(norm.isf((1 - share) / 2), rel=0.22), share
