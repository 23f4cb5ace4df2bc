"""Engine computers with another idea of speed and supply than the one measured: healthy, and hardly ever listed."""

from __future__ import annotations

import numpy as np
import pytest

from miner.suspects.ranking import rank_events
from tests.rarity.computers import Computer
from tests.rarity.engines import Engine, change, healthy_events, setup_for

SLOW = Computer(filter_s=0.8, supply_step_v=0.1, by_segment=True, roughness=0.04, count_us=1.0)
CELLS = Computer(hard_cells=True, filter_s=0.5, supply_step_v=0.1, seed=4)


@pytest.mark.parametrize(
    ("computer", "supply_recorded", "seed", "most"),
    [
        (Computer(), True, 41, 1),
        (Computer(), False, 42, 5),  # 69 if what other cylinders show did not count
        (SLOW, True, 42, 12),  # 27
        (CELLS, True, 41, 40),  # 441
    ],
)
def test_on_time_that_goes_to_and_fro_for_all_cylinders_is_usual(
    computer: Computer, supply_recorded: bool, seed: int, most: int
) -> None:
    engine = Engine(minutes=15, computer=computer, supply_recorded=supply_recorded, load_steps=False)
    ranking = rank_events(healthy_events(seed, engine), setup_for(engine))
    rates = ranking.scores["false_alarms_per_hour"].to_numpy()
    assert np.sum(rates <= 0.1) <= most


def test_a_single_short_on_time_is_found_all_the_same() -> None:
    engine = Engine(minutes=15, computer=CELLS, load_steps=False)
    events = change(healthy_events(41, engine), 30_000, on_time_us=lambda usual: 0.7 * usual)
    assert rank_events(events, setup_for(engine)).suspects["event_id"][0].as_py() == 30_000
