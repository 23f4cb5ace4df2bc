"""Healthy habits of engine computers that are usual, and single faults beside them that are not."""

import numpy as np
import pyarrow as pa
import pytest

from miner.expected.context import build_context
from miner.expected.distance import fit_expectations
from miner.expected.least import Resolution
from miner.expected.place import explain_place
from miner.schema import EVENTS
from tests.rarity.engines import Engine, healthy_events, setup_for

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
    found = [distance for _, distance in fit_expectations(events, context, Resolution())]
    distances = explain_place(found, events, context)
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
    time_s = values(healthy, "time_s")
    time_s[row] += 6.0 / (6.0 * values(healthy, "engine_rpm")[row]) if lone else 0.0
    both[row] += 6.0
    before[row] += 9.0 if not lone else 6.0
    after[row] += 0.0 if not lone else 6.0
    noisy = 0.7 * np.random.default_rng(1).standard_normal((2, both.size))
    events = with_columns(
        healthy,
        time_s=time_s,
        timing_residual_deg=both,
        timing_from_before_deg=before + noisy[0],
        timing_from_after_deg=after + noisy[1],
    )
    z = distance(events, "timing_residual_deg")
    assert (z[row] > 8.0) if lone else (abs(z[row]) < 5.0)
