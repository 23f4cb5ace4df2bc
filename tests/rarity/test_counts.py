"""Several cylinders silent one after the other: a short cut of the fuel while coasting, a fault at steady speed."""

import numpy as np
import pytest

from miner.expected.context import build_context
from miner.rarity.counts import BASE_RATE, count_suspects
from tests.suspects.made_up import make_columns, make_setup, to_events


@pytest.mark.parametrize(
    ("slowing", "n_silent", "believed"),
    [(True, 3, False), (True, 1, True), (False, 3, True)],
    ids=["several while coasting", "one while coasting", "several at steady speed"],
)
def test_short_silence(slowing: bool, n_silent: int, believed: bool) -> None:
    setup = make_setup(commands=(1,))
    rng = np.random.default_rng(3)
    rpm = 1500.0 + 5.0 * rng.standard_normal(400)
    if slowing:
        rpm[200:230] -= 12.0 * np.arange(30)
    columns = make_columns(setup, 400, rpm=rpm)
    silent = np.flatnonzero((columns["cycle"] == 210) & (columns["slot"] > 0))[:n_silent]
    columns["feedback_seen"] = np.array(columns["feedback_seen"], dtype=object)
    columns["feedback_seen"][silent] = False
    events = to_events(columns)
    counted, _ = count_suspects(events, build_context(events, setup))
    rates = next(c.rate for c in counted if c.kind == "absent_feedback")[silent]
    assert np.all(rates == BASE_RATE) if believed else np.all(rates > 1.0)
    assert np.all(np.isfinite(rates))
