"""The plan: repeatable, honest about what leads can show, faults where they were asked for."""

from typing import get_args

import numpy as np
import pytest

from miner.schema import EVENTS
from miner.synthetic.faults.events import FAULTS
from miner.synthetic.plan import plan_drive
from miner.synthetic.presets import demo_hour, healthy_hour, varied
from miner.synthetic.scenario import PlantedKind
from tests.synthetic.small import COMMAND, FEEDBACK, scenario


def test_same_scenario_same_plan_and_another_seed_another() -> None:
    one, two, other = plan_drive(varied(3)), plan_drive(varied(3)), plan_drive(varied(4))
    assert one.events.equals(two.events)
    assert one.faults.equals(two.faults)
    assert not one.events.equals(other.events)


def test_tables_are_the_declared_ones_and_ordered() -> None:
    plan = plan_drive(demo_hour(duration_s=120.0))
    EVENTS.validate(plan.events)
    FAULTS.validate(plan.faults)
    assert plan.events["event_id"].to_pylist() == list(range(plan.events.num_rows))
    assert (np.diff(plan.truth["time_s"]) >= 0).all()


@pytest.mark.parametrize("seed", range(12))
def test_varied_scenarios_make_plausible_events(seed: int) -> None:
    plan = plan_drive(varied(seed, duration_s=40.0, faulty=False))
    truth = plan.truth
    assert len(truth["time_s"]) > 50
    assert not plan.faults.num_rows
    assert (truth["on_time_us"] > 100.0).all()
    assert (truth["on_time_us"] <= 9000.0 + 200.0).all()
    assert (truth["feedback_seen"] == 1).mean() > 0.99
    begin_s = truth["time_s"] + 1e-6 * truth["delay_us"]
    end_s = begin_s + 1e-6 * truth["feedback_width_us"]
    order = np.argsort(begin_s)
    order = order[np.isfinite(begin_s[order])]
    assert (begin_s[order][1:] > end_s[order][:-1]).all(), "answers on the shared line must not overlap"


def test_columns_without_a_lead_are_null() -> None:
    events = plan_drive(scenario(leads=[COMMAND, FEEDBACK])).events.to_pandas(types_mapper=None)
    mine = events["cylinder"] == 1
    assert events.loc[mine, "on_time_us"].notna().all()
    assert events.loc[~mine, ["on_time_us", "delay_us", "amplitude_v"]].isna().all(axis=None)
    assert events.loc[~mine, "command_seen"].isna().all()
    assert events["feedback_seen"].notna().all()
    assert events["supply_v"].isna().all()


def test_time_of_a_cylinder_without_command_lead_is_its_feedbacks() -> None:
    plan = plan_drive(scenario())
    other = plan.truth["cylinder"] != 1
    shift_us = 1e6 * (plan.events["time_s"].to_numpy() - plan.truth["time_s"])
    np.testing.assert_allclose(shift_us[other], plan.truth["delay_us"][other], atol=1e-3)
    np.testing.assert_allclose(shift_us[~other], 0.0, atol=1e-9)


def test_events_in_a_gap_are_neither_seen_nor_absent() -> None:
    plan = plan_drive(scenario(gaps=[{"start_s": 12.0, "duration_s": 1.0}]))
    events = plan.events.filter((plan.truth["time_s"] > 12.0) & (plan.truth["time_s"] < 13.0))
    assert events.num_rows > 5
    for name in ("command_seen", "feedback_seen", "on_time_us", "feedback_width_us"):
        assert events[name].null_count == events.num_rows


@pytest.mark.parametrize("kind", get_args(PlantedKind))
def test_each_kind_is_planted_as_often_as_asked(kind: str) -> None:
    plan = plan_drive(scenario(faults=[{"kind": kind, "size": 0.4, "count": 3}]))
    assert plan.faults["kind"].to_pylist() == [kind] * 3
    assert None not in plan.faults["shows_as"].to_pylist()
    for row in plan.faults.to_pylist():
        event = plan.events.slice(row["event_id"], 1).to_pylist()[0]
        assert event["time_s"] == row["time_s"]
        assert event["cylinder"] == row["cylinder"]


def test_faults_keep_to_their_window_cylinder_and_speed() -> None:
    fault = {"kind": "absent_feedback", "count": 4, "cylinders": [3], "from_s": 10.0, "to_s": 18.0, "rpm_low": 900.0}
    plan = plan_drive(scenario(faults=[fault]))
    assert plan.faults.num_rows == 4
    for row in plan.faults.to_pylist():
        assert row["cylinder"] == 3
        assert 10.0 <= plan.truth["time_s"][row["event_id"]] < 18.0
        assert plan.truth["engine_rpm"][row["event_id"]] >= 900.0
        assert plan.truth["feedback_seen"][row["event_id"]] == 0


def test_a_burst_is_one_coils_events_in_turn_and_a_sag_all_coils() -> None:
    faults = [
        {"kind": "absent_feedback", "burst": 3, "cylinders": [4]},
        {"kind": "supply_sag", "size": 2.0, "burst": 4},
    ]
    plan = plan_drive(scenario(faults=faults))
    absent = [r["event_id"] for r in plan.faults.to_pylist() if r["kind"] == "absent_feedback"]
    sag = [r["event_id"] for r in plan.faults.to_pylist() if r["kind"] == "supply_sag"]
    assert np.diff(absent).tolist() == [4, 4]
    assert np.diff(sag).tolist() == [1, 1, 1]
    before = plan.truth["supply_v"][sag[0] - 1]
    assert (before - plan.truth["supply_v"][sag] > 1.5).all()
    assert (plan.truth["delay_us"][sag] > 1.08 * plan.truth["delay_us"][sag[0] - 1]).all()


def test_repeated_sparks_are_a_habit_below_a_speed() -> None:
    plan = plan_drive(scenario(dwell={"repeat_below_rpm": 1000.0, "n_repeats": 2}))
    slow = (plan.truth["engine_rpm"] < 1000.0) & (plan.truth["engine_rpm"] > 350.0)
    assert slow.any()
    assert (~slow).any()
    assert set(plan.truth["extra_pulses"][slow]) == {2}
    assert set(plan.truth["extra_pulses"][~slow]) == {0}


def test_healthy_hour_has_every_nuisance_and_no_fault() -> None:
    plan = plan_drive(healthy_hour(1, duration_s=900.0))
    states = set(plan.events["operating_state"].to_pylist())
    assert states == {"cranking", "idle", "steady", "accelerating", "decelerating"}
    assert plan.faults.num_rows == 0
    assert (plan.truth["extra_pulses"] > 0).any()
    assert (plan.events["quality"].to_numpy(zero_copy_only=False) == "near_gap").any()
    assert len(set(np.diff(np.flatnonzero(np.diff(plan.trace.mode) != 0)))) > 2
