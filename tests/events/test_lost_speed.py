"""Counts of lost speed against events whose losses are planted."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from miner.events.lost_speed import LostSpeed


def planted(n=4000, *, absent=(), slow=()):
    rng = np.random.default_rng(5)
    change = rng.normal(0, 2.0, n) + 20.0 * np.sin(np.arange(n) / 300.0) + 3.0 * (np.arange(n) % 4 == 1)
    change[[*slow]] -= 40.0
    seen = ~np.isin(np.arange(n), absent)
    return pa.table({
        "event_id": np.arange(n), "slot": (np.arange(n) % 4).astype(np.int16), "speed_change_rpm": change,
        "engine_rpm": np.full(n, 800.0), "command_seen": pa.array(seen), "feedback_seen": pa.nulls(n, pa.bool_()),
    })  # fmt: skip


def test_absent_events_that_cost_speed_and_slow_downs_of_their_own():
    absent, own, listed = np.arange(100, 3900, 190), np.array([501, 1502, 2503]), np.array([3000])
    half = absent[::2]
    tally = LostSpeed()
    tally.add(planted(absent=absent, slow=[*half, *own, *listed]), listed)
    told = tally.as_json()
    assert told["absent_told"] == absent.size
    assert half.size <= told["absent_cost_speed"] <= half.size + 1
    assert told["share_cost_speed"] == pytest.approx(0.5, abs=0.06)
    assert told["slowed_without_oddity"] == own.size
    assert told["came_told"] == 4000 - absent.size


def test_nothing_is_told_of_few_events_or_without_a_wheel():
    few = LostSpeed()
    few.add(planted(150), np.empty(0, np.int64))
    blind = planted(4000)
    place = blind.column_names.index("speed_change_rpm")
    few.add(blind.set_column(place, "speed_change_rpm", pa.nulls(4000, pa.float64())), np.empty(0, np.int64))
    assert few.as_json() == {
        "absent_told": 0, "absent_cost_speed": 0, "came_told": 0, "slowed_without_oddity": 0, "share_cost_speed": None,
    }  # fmt: skip
