"""What every cylinder shows often enough is what the engine computer does; what one shows stays a fault."""

from __future__ import annotations

import numpy as np
import pytest

from miner.rarity.tails import SHOWN_BY_EACH, Prior, fit_tail

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
