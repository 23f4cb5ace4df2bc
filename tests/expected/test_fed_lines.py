"""Lines pulled up to the supply stand in for a supply lead that nobody clipped on."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from miner.expected.context import build_context
from miner.schema import EVENTS
from miner.suspects.ranking import rank_events
from tests.rarity.engines import Engine, healthy_events, setup_for

ENGINE = Engine(minutes=8, cylinders=4, supply_recorded=True)


def _with(events: pa.Table, name: str, values: np.ndarray) -> pa.Table:
    field = EVENTS.schema.field(name)
    column = pa.array(values, mask=~np.isfinite(values)).cast(field.type)
    return events.set_column(EVENTS.schema.get_field_index(name), field, column)


@pytest.fixture(scope="module")
def drive() -> tuple[pa.Table, np.ndarray]:
    """Events without a supply lead whose command lines follow a supply that loads step, and that supply."""
    events = healthy_events(31, ENGINE)
    rng, time_s = np.random.default_rng(8), events["time_s"].to_numpy()
    supply_v = events["supply_v"].to_numpy(zero_copy_only=False).copy()
    for at_s in rng.uniform(20, 460, 40):
        after_s = np.maximum(time_s - at_s, 0.0)
        supply_v -= (time_s >= at_s) * rng.uniform(0.3, 0.7) * np.exp(-after_s / rng.uniform(0.3, 3.0))
    of_coil = 1 + 0.01 * events["cylinder"].to_numpy()
    level_v = 0.96 * supply_v * of_coil + rng.normal(0, 0.03, time_s.size)
    without = _with(events, "supply_v", np.full(time_s.size, np.nan))
    return _with(without, "amplitude_v", level_v), supply_v


def test_their_level_follows_the_supply_whatever_the_coil(drive) -> None:
    events, supply_v = drive
    known = build_context(events, setup_for(ENGINE)).supply_v
    ratio = known / supply_v
    assert np.isfinite(known).all()
    assert np.quantile(np.abs(ratio / np.median(ratio) - 1), 0.99) < 0.02


def test_one_weak_pulse_is_no_sag(drive) -> None:
    events, _ = drive
    level_v = events["amplitude_v"].to_numpy().copy()
    level_v[5000] *= 0.6
    before, after = (
        build_context(e, setup_for(ENGINE)).supply_v for e in (events, _with(events, "amplitude_v", level_v))
    )
    assert np.abs(after - before).max() < 0.1


def test_five_volt_logic_says_nothing_of_the_supply() -> None:
    events = healthy_events(32, Engine(minutes=2, supply_recorded=False))
    assert np.isnan(build_context(events, setup_for(ENGINE)).supply_v).all()


def test_steps_of_load_are_not_listed_and_a_weak_pulse_is(drive) -> None:
    events, _ = drive
    level_v = events["amplitude_v"].to_numpy().copy()
    level_v[[6000, 15_000]] *= 0.9
    ranking = rank_events(_with(events, "amplitude_v", level_v), setup_for(ENGINE))
    rates = ranking.scores["false_alarms_per_hour"].to_numpy()
    assert set(ranking.suspects["event_id"][:2].to_pylist()) == {6000, 15_000}
    assert np.sum(rates <= 1.0) <= 4
    assert "V supply" not in ranking.suspects["reason"][0].as_py()


def test_a_burst_of_weak_pulses_of_the_one_commanded_coil_is_no_sag(drive) -> None:
    events, _ = drive
    coil = events["cylinder"].to_numpy() == 1
    level_v = events["amplitude_v"].to_numpy().copy()
    own, answers_v = np.where(coil, level_v, np.nan), level_v
    burst = np.flatnonzero(coil)[1500:1504]
    own[burst] *= 0.8
    answered = _with(events, "feedback_amplitude_v", answers_v)
    for healthy in (events, answered):
        before, after = (
            build_context(_with(healthy, "amplitude_v", v), setup_for(ENGINE)).supply_v
            for v in (np.where(coil, level_v, np.nan), own)
        )
        assert np.nanmax(np.abs(after - before)) < 0.3
