"""Engine arithmetic of the drive: order, intervals, speed, stops."""

import numpy as np
import pytest

from miner.synthetic.drive.speed import STOPPED, run_drive
from miner.synthetic.plan import plan_drive
from miner.synthetic.presets import LAYOUTS
from tests.synthetic.small import COMMAND, scenario, steady


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: f"{layout['cylinders']}-{layout['firing_order'][-1]}")
def test_cylinders_fire_in_order_at_their_angles(layout: dict) -> None:
    plan = plan_drive(steady(engine=layout, drive={"idle_rpm": 3000.0, "crank_rpm": 5.0}, duration_s=6.0))
    pattern = plan.scenario.engine.pattern
    slot, time_s = plan.truth["slot"], plan.truth["time_s"]
    assert (np.diff(slot) % pattern.n_slots == 1 % pattern.n_slots).all()
    settled = time_s[:-1] > 2.0
    degrees = 6.0 * 3000.0 * np.diff(time_s)
    due = np.array(pattern.intervals_deg())[slot[:-1]]
    np.testing.assert_allclose(degrees[settled], due[settled], atol=1.0)
    served = [pattern.cylinders[s] for s in slot]
    assert all(c in cylinders for c, cylinders in zip(plan.truth["cylinder"], served, strict=True))


def test_interval_is_120_over_rpm_for_a_four_stroke() -> None:
    plan = plan_drive(steady(drive={"idle_rpm": 1000.0}))
    interval_us = plan.truth["interval_us"][plan.truth["time_s"] > 2.0]
    np.testing.assert_allclose(interval_us, 1e6 * 120.0 / 1000.0, rtol=2e-3)


def test_a_paired_coil_fires_every_turn_and_keeps_its_leads_number() -> None:
    engine = {"cylinders": 4, "firing_order": [1, 3, 4, 2], "layout": "paired"}
    plan = plan_drive(steady(engine=engine, leads=[{**COMMAND, "cylinder": 4}], drive={"idle_rpm": 1000.0}))
    late = plan.truth["time_s"] > 2.0
    np.testing.assert_allclose(plan.truth["interval_us"][late], 60_000.0, rtol=2e-3)
    assert set(plan.truth["cylinder"]) == {4, 3}
    per_cycle = np.bincount(plan.truth["cycle"][late])
    assert set(per_cycle[per_cycle > 0][1:-1]) == {4}


def test_no_event_while_the_engine_stands_and_no_interval_over_a_stop() -> None:
    made = scenario(drive={"roads": ["stall"], "road_s": 60.0}, duration_s=60.0)
    plan = plan_drive(made)
    trace = plan.trace
    stood = trace.mode == STOPPED
    assert stood.sum() > 200
    assert not trace.is_true(stood, plan.truth["time_s"] + 1e-6 * plan.truth["on_time_us"]).any()
    assert np.nanmax(plan.truth["interval_us"]) < 1.5e6
    assert np.isnan(plan.truth["interval_us"]).sum() >= 2 * made.engine.cylinders


def test_ignition_dropped_on_overrun_leaves_whole_cycles_without_events() -> None:
    drive = {"roads": ["town"], "road_s": 60.0, "idle_stop": False}
    kept = plan_drive(scenario(drive={**drive, "fuel_cut": "kept"}, duration_s=120.0))
    dropped = plan_drive(scenario(drive={**drive, "fuel_cut": "dropped"}, duration_s=120.0))
    assert dropped.events.num_rows < kept.events.num_rows
    cut = ~dropped.trace.ignition & (dropped.trace.rpm > 1000.0)
    assert cut.any()


def test_the_crank_never_turns_back_and_dips_while_cranking() -> None:
    trace = run_drive(scenario())
    assert (np.diff(trace.angle_deg) >= 0).all()
    speed = np.diff(trace.angle_deg) * 250.0 / 6.0
    cranking = (trace.mode[:-1] == 1) & (trace.rpm[:-1] > 150.0)
    assert (speed[cranking] / trace.rpm[:-1][cranking]).min() < 0.75


def test_time_of_angle_inverts_the_angle() -> None:
    trace = run_drive(scenario())
    wanted = np.linspace(trace.angle_deg[600], trace.angle_deg[-2], 1000)
    np.testing.assert_allclose(trace.at(trace.angle_deg, trace.time_of_angle(wanted)), wanted, atol=1e-6)


def test_on_time_follows_speed_limit_at_high_speed() -> None:
    engine = {"cylinders": 8, "firing_order": [1, 8, 4, 3, 6, 5, 7, 2]}
    plan = plan_drive(steady(engine=engine, drive={"idle_rpm": 6000.0, "max_rpm": 7000.0}))
    limit_us = 0.8 * 1e6 * 90.0 / (6.0 * plan.truth["engine_rpm"])
    assert (plan.truth["on_time_us"] <= limit_us + 10.0).all()
