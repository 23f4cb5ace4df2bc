"""Faults planted into an event table that is already there."""

import numpy as np
import pyarrow as pa
import pytest

from miner.synthetic.columns import columns_of, events_table
from miner.synthetic.faults.events import MEASURE_OF, feedback_tie, plant_in_events, robust_sigma
from miner.synthetic.plan import plan_drive
from tests.synthetic.small import COMMAND, FEEDBACK, SUPPLY, scenario

LEADS = [{**COMMAND, "column": f"c{k}", "cylinder": k} for k in (1, 2, 3, 4)] + [FEEDBACK, SUPPLY]


@pytest.fixture(scope="module")
def events() -> pa.Table:
    return plan_drive(scenario(leads=LEADS)).events


def test_columns_and_table_are_inverse(events: pa.Table) -> None:
    assert events_table(columns_of(events)).equals(events)


@pytest.mark.parametrize(
    ("kind", "size", "factor"),
    [("short_on_time", 0.3, 0.7), ("long_on_time", 0.2, 1.2), ("late_feedback", 0.5, 1.5),
     ("early_feedback", 0.2, 0.8), ("weak_command", 0.4, 0.6), ("weak_feedback", 0.4, 0.6)],
)  # fmt: skip
def test_graded_faults_scale_their_measure_alone(events: pa.Table, kind: str, size: float, factor: float) -> None:
    changed, truth = plant_in_events(events, [(kind, size)], np.random.default_rng(1))
    row, name = truth["event_id"][0].as_py(), MEASURE_OF[kind]
    assert changed[name][row].as_py() == pytest.approx(factor * events[name][row].as_py())
    others = [i for i in range(events.num_rows) if i != row]
    assert changed.take(others).equals(events.take(others))


def test_absent_command_leaves_nothing_of_the_event(events: pa.Table) -> None:
    changed, truth = plant_in_events(events, [("absent_command", 0.0)], np.random.default_rng(2))
    row = changed.slice(truth["event_id"][0].as_py(), 1).to_pylist()[0]
    assert row["command_seen"] is False
    assert row["feedback_seen"] is False
    assert row["on_time_us"] is None
    assert row["delay_us"] is None


def test_absent_feedback_keeps_the_command(events: pa.Table) -> None:
    changed, truth = plant_in_events(events, [("absent_feedback", 0.0)], np.random.default_rng(2))
    row = changed.slice(truth["event_id"][0].as_py(), 1).to_pylist()[0]
    assert row["command_seen"] is True
    assert row["feedback_seen"] is False
    assert row["on_time_us"] is not None
    assert row["feedback_width_us"] is None


def test_a_shorter_command_ends_the_feedback_too_where_that_lasts_until_turn_off(events: pa.Table) -> None:
    assert feedback_tie(columns_of(events)) == "width"
    changed, truth = plant_in_events(events, [("short_on_time", 0.1)], np.random.default_rng(3))
    row = truth["event_id"][0].as_py()
    lost = {n: events[n][row].as_py() - changed[n][row].as_py() for n in ("on_time_us", "feedback_width_us")}
    assert lost["on_time_us"] == pytest.approx(lost["feedback_width_us"])


@pytest.mark.parametrize(
    ("feedback", "tie"),
    [({"asserts": "turn_off"}, "delay"), ({"width": "fixed"}, "none"), ({}, "width")],
)
def test_tie_is_told_from_the_table(feedback: dict, tie: str) -> None:
    assert feedback_tie(columns_of(plan_drive(scenario(leads=LEADS, feedback=feedback)).events)) == tie


def test_a_moved_event_changes_its_interval_and_the_next(events: pa.Table) -> None:
    changed, truth = plant_in_events(events, [("uneven_interval", 10.0)], np.random.default_rng(4))
    row = truth["event_id"][0].as_py()
    moved = np.array(changed["interval_us"].to_numpy() - events["interval_us"].to_numpy())
    shift_us = 1e6 * (changed["time_s"][row].as_py() - events["time_s"][row].as_py())
    assert moved[row] == pytest.approx(shift_us, rel=1e-6)
    assert moved[row + 4] == pytest.approx(-shift_us, rel=1e-6)
    assert abs(shift_us) == pytest.approx(1e6 * 10.0 / (6.0 * events["engine_rpm"][row].as_py()), rel=1e-6)


def test_size_in_sigma_moves_by_that_many_scatters(events: pa.Table) -> None:
    sigma = robust_sigma(columns_of(events), "delay_us")
    changed, truth = plant_in_events(events, [("late_feedback", 6.0)], np.random.default_rng(5), in_sigma=True)
    row = truth["event_id"][0].as_py()
    moved = changed["delay_us"][row].as_py() - events["delay_us"][row].as_py()
    assert moved == pytest.approx(6.0 * sigma)
    assert truth["unit"].to_pylist() == ["sigma"]


def test_robust_sigma_of_known_scatter(events: pa.Table) -> None:
    columns = columns_of(events)
    columns["delay_us"] = 700.0 + 3.0 * np.random.default_rng(6).standard_normal(events.num_rows)
    assert robust_sigma(columns, "delay_us") == pytest.approx(3.0, rel=0.15)


def test_planting_is_repeatable_spaced_and_leaves_the_original(events: pa.Table) -> None:
    wanted = [("late_feedback", 0.3), ("absent_command", 0.0), ("extra_pulse", 1.0)] * 4
    before = events.to_pydict()
    one, truth = plant_in_events(events, wanted, np.random.default_rng(7))
    two, again = plant_in_events(events, wanted, np.random.default_rng(7))
    assert one.equals(two)
    assert truth.equals(again)
    assert events.to_pydict() == before
    assert truth.num_rows == len(wanted)
    assert np.diff(truth["event_id"].to_numpy()).min() > 12


def test_only_the_cylinder_asked_for(events: pa.Table) -> None:
    _, truth = plant_in_events(events, [("weak_command", 0.4)] * 5, np.random.default_rng(8), cylinder=3)
    assert truth["cylinder"].to_pylist() == [3] * 5


def test_what_no_lead_could_show_is_left_out() -> None:
    events = plan_drive(scenario(leads=[FEEDBACK])).events
    _, truth = plant_in_events(events, [("weak_command", 0.4), ("weak_feedback", 0.4)], np.random.default_rng(9))
    assert truth["kind"].to_pylist() == ["weak_feedback"]
