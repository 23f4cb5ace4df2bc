"""Which rows may teach what is usual."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from miner.expected.context import build_context
from miner.schema import EVENTS
from tests.rarity.engines import Engine, healthy_events, setup_for

ENGINE = Engine(minutes=2)


def _learns(quality: np.ndarray, events: pa.Table) -> np.ndarray:
    name = "quality"
    column = pa.array(quality.tolist(), EVENTS.schema.field(name).type)
    place = EVENTS.schema.get_field_index(name)
    changed = events.set_column(place, EVENTS.schema.field(name), column)
    return build_context(changed, setup_for(ENGINE)).learns


@pytest.mark.parametrize("text", ["slow_sampling", "clipped", "clipped,slow_sampling"])
def test_what_the_recorder_does_to_a_good_part_of_the_rows_teaches(text: str) -> None:
    events = healthy_events(41, ENGINE)
    row = np.arange(events.num_rows)
    assert _learns(np.where(row % 10 > 0, text, ""), events).all()
    few = row % 200 == 0
    np.testing.assert_array_equal(_learns(np.where(few, text, ""), events), ~few)


def test_rows_beside_gaps_never_teach() -> None:
    events = healthy_events(41, ENGINE)
    near = np.arange(events.num_rows) % 3 == 0
    np.testing.assert_array_equal(_learns(np.where(near, "near_gap,slow_sampling", ""), events), ~near)
