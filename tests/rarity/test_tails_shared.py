"""What every cylinder shows often enough is what the engine computer does; what one shows stays a fault."""

from __future__ import annotations

import numpy as np
import pytest

from miner.rarity.judge import fit_judge
from miner.rarity.tails import SHOWN_BY_EACH, Prior, fit_tail
from tests.rarity.engines import Engine, change, healthy_events, setup_for

N, HOURS, FAR = 40_000, 0.5, 60.0


def _log_rate_far_out(per_cylinder: list[int]) -> float:
    """Return the log rate of a far value where so many of the like were seen on each cylinder in turn."""
    rng = np.random.default_rng(5)
    values, series = rng.exponential(1.0, N), np.arange(N) % len(per_cylinder)
    time_s = np.arange(N) * HOURS * 3600.0 / N
    for cylinder, n in enumerate(per_cylinder):
        at = rng.choice(np.flatnonzero(series == cylinder), n, replace=False)
        values[at] = FAR * rng.uniform(0.95, 1.05, n)
    tail = fit_tail(values, hours=HOURS, prior=Prior(), time_s=time_s, series=series)
    return float(tail.log_rate(np.array([0.9 * FAR]))[0])


def test_steps_that_all_cylinders_make_are_not_rare() -> None:
    assert _log_rate_far_out([8, 9, 7, 10]) > np.log(1.0)


@pytest.mark.parametrize("seen", [[34, 0, 0, 0], [20, 20, 20, 1], [SHOWN_BY_EACH - 1] * 4])
def test_what_one_cylinder_lacks_or_too_few_show_is_as_rare_as_ever(seen: list[int]) -> None:
    assert _log_rate_far_out(seen) < np.log(1e-3)


def test_it_is_said_in_one_sentence() -> None:
    engine = Engine(minutes=6, cylinders=4, leads="all", supply_recorded=False, stops=False, repeated_sparks=False)
    events = healthy_events(4, engine)
    seen = np.isfinite(events["on_time_us"].to_numpy(zero_copy_only=False).astype(float))
    cylinder = events["cylinder"].to_numpy(zero_copy_only=False)
    rng = np.random.default_rng(6)
    at = [rng.choice(np.flatnonzero(seen & (cylinder == one))[60:-60], 12, replace=False) for one in (1, 2, 3, 4)]
    _, judged = fit_judge(change(events, np.sort(np.concatenate(at)), on_time_us=lambda x: 1.12 * x), setup_for(engine))
    (told,) = [note for note in judged.notes if note.startswith("all cylinders alike stray")]
    assert "on-time" in told
