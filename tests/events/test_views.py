"""Events looked at piece by piece give what all of them at once give, wherever the pieces end."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import miner.events.rows as rows
import miner.events.views as event_views
from miner.events.rows import TimeIndex, pieces_of
from miner.events.views import STOP_S, EventView, EventViews, view_events
from miner.questions.conditions import find_conditions
from miner.questions.misfire_windows import count_misfire_windows
from miner.suspects.incidents import group_incidents
from tests.suspects.made_up import make_columns, make_setup, to_events, to_suspects

SETUP = make_setup(roles=("supply",))


@pytest.fixture
def pieces(monkeypatch):
    """Return a function that sets how many events a piece has."""

    def cut(n):
        monkeypatch.setattr(rows, "PIECE_EVENTS", n)
        monkeypatch.setattr(event_views, "PIECE_EVENTS", n)

    return cut


def drive(seed=0, n_cycles=120, told=0.9, stops=3):
    """A drive with stops, events without a speed (also at both ends) and pauses of all coils."""
    rng = np.random.default_rng(seed)
    columns = make_columns(SETUP, n_cycles, 900 + 2600 * rng.random(n_cycles), seed=seed)
    n = columns["time_s"].size
    for row in rng.integers(1, n, stops):
        columns["time_s"][row:] += rng.choice([1.0, 5.0, 60.0])
        columns["engine_rpm"][row : row + 6] = np.nan
    columns["engine_rpm"][rng.random(n) > told] = np.nan
    for row in rng.integers(0, n, 4):
        length = rng.integers(1, 30)
        columns["feedback_seen"][row : row + length] = [False] * len(columns["feedback_seen"][row : row + length])
    columns["supply_v"][rng.random(n) < 0.1] = np.nan
    columns["operating_state"][rng.random(n) < 0.5] = "idle"
    columns["segment"] = np.cumsum((np.diff(columns["time_s"], prepend=0.0) > 0.9) | (rng.random(n) < 0.02))
    return columns


def slow_view(columns):
    """Clock, cycle length, running time and time since start, one event after the other."""
    time_s, rpm = columns["time_s"], columns["engine_rpm"]
    n = time_s.size
    cycle_s, clock, running_s, since_s = (np.zeros(n) for _ in range(4))
    told = [k for k in range(n) if rpm[k] > 0]
    for k in range(n):
        if told:
            cycle_s[k] = 120.0 / rpm[next((j for j in told if j >= k), told[-1])]
        else:
            cycle_s[k] = (time_s[-1] - time_s[0]) / columns["cycle"][-1]
    start_s = time_s[0]
    for k in range(n):
        step_s = time_s[k] - time_s[k - 1] if k else 0.0
        clock[k] = (clock[k - 1] if k else 0.0) + step_s / cycle_s[k]
        if step_s > STOP_S and columns["segment"][k] > columns["segment"][k - 1]:
            start_s = time_s[k]
        elif k:
            running_s[k - 1] = step_s
        since_s[k] = time_s[k] - start_s
    return {"cycle_s": cycle_s, "clock": clock, "running_s": running_s, "since_start_s": since_s}


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), piece=st.integers(1, 200), told=st.sampled_from([0.02, 0.5, 1.0]))
def test_any_pieces_give_what_one_event_after_the_other_gives(seed, piece, told):
    columns = drive(seed, n_cycles=40, told=told)
    with pytest.MonkeyPatch.context() as patch:
        for module in (rows, event_views):
            patch.setattr(module, "PIECE_EVENTS", piece)
        views = EventViews(to_events(columns), SETUP)
        joined = EventView.join([view for _, view in views])
        expected = slow_view(columns)
        for name, values in expected.items():
            np.testing.assert_allclose(getattr(joined, name), values, rtol=2e-6, atol=1e-6, err_msg=name)
        rng = np.random.default_rng(seed)
        chosen = rng.integers(0, joined.clock.size, 30)
        np.testing.assert_array_equal(views.take(chosen).clock, joined.clock[chosen])
        first, stop = sorted(rng.integers(0, joined.clock.size + 1, 2).tolist())
        between = [view.clock for view in views.between(first, stop)]
        np.testing.assert_array_equal(np.concatenate([[], *between]), joined.clock[first:stop])
        for clock in (*rng.choice(joined.clock, 5), -1.0, 3.3, joined.clock[-1] + 1):
            assert views.row_at_clock(clock) == np.searchsorted(joined.clock, clock)
            assert views.row_at_clock(clock, after=True) == np.searchsorted(joined.clock, clock, side="right")
        assert views.n_cycles == joined.clock[-1]


def test_without_any_speed_cycles_are_taken_as_even(pieces):
    columns = drive()
    columns["engine_rpm"][:] = np.nan
    pieces(77)
    view = view_events(to_events(columns), SETUP)
    passed_s = columns["time_s"][-1] - columns["time_s"][0]
    assert view.cycle_s == pytest.approx(passed_s / columns["cycle"][-1], rel=1e-6)


@pytest.mark.parametrize("piece", [1, 31, 400])
def test_findings_do_not_depend_on_the_pieces(pieces, piece):
    columns = drive(3, n_cycles=300, stops=6)
    events = to_events(columns)
    rng = np.random.default_rng(1)
    kinds = ("absent_feedback", "late_feedback", "weak_command", "short_on_time")
    struck = [*rng.choice(1200, 40, replace=False).tolist(), *range(700, 760, 4)]
    suspects = to_suspects(columns, [(row, kinds[row % 4], 0.01 + row % 5) for row in dict.fromkeys(struck)])

    def findings():
        numbered, incidents = group_incidents(suspects, events, SETUP)
        conditions, sentences = find_conditions(events, suspects, SETUP, max_false_alarms_per_hour=9.0)
        return numbered, incidents, conditions.drop_columns("time_pct"), sentences, count_misfire_windows(events, SETUP)

    whole = findings()
    assert whole[1].num_rows > 1
    assert whole[2].num_rows > 10
    assert sum(whole[4]["n_paused"].to_pylist()) > 0
    pieces(piece)
    for of_whole, of_pieces in zip(whole, findings(), strict=True):
        assert of_whole == of_pieces


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), piece=st.integers(1, 90), at=st.floats(-2.0, 200.0))
def test_rows_by_time(seed, piece, at):
    columns = drive(seed, n_cycles=20)
    columns["time_s"][30:34] = columns["time_s"][30]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rows, "PIECE_EVENTS", piece)
        index = TimeIndex(to_events(columns))
        for time_s in (at, columns["time_s"][0], columns["time_s"][31], columns["time_s"][-1], 1e9):
            assert index.row_at(time_s) == np.searchsorted(columns["time_s"], time_s)
        sizes = [len(part) for part in pieces_of(to_events(columns), ["time_s"])]
        assert set(sizes[:-1]) <= {piece}
        assert sum(sizes) == 80
