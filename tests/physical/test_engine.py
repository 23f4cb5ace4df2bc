"""The stepped engine against handbook values and against what it was told to do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.physical.columns import (
    E_ADVANCE,
    E_ANSWER_ON,
    E_CYCLE,
    E_DROPPED,
    E_FAULT,
    E_KNOCK,
    E_OFF,
    E_ON,
    E_RPM,
    E_SENT,
    E_SLOT,
    E_VOLT,
    P_COIL,
    P_HENRY,
    P_OFF,
    P_OHM,
    P_ON,
    P_SORT,
)  # fmt: skip
from tests.physical.layouts import LAYOUTS
from tests.physical.machine import VOLT_AXIS, charge_time_s, dwell_map
from tests.physical.options import FaultGroup, Options
from tests.physical.road import TASK_S
from tests.physical.small import PLAIN, course_of


@pytest.mark.parametrize(
    ("volts", "ms"), [(6.0, 5.2528), (8.0, 3.4522), (12.0, 2.0690), (14.0, 1.7261), (16.0, 1.4812)]
)
def test_charge_time_to_seven_ampere_of_half_an_ohm_and_three_millihenry(volts: float, ms: float) -> None:
    """Step response of an R-L circuit, worked out for these values."""
    assert 1e3 * float(charge_time_s(7.0, volts, 0.5, 3e-3)) == pytest.approx(ms, abs=1e-4)


@pytest.mark.parametrize("name", sorted(LAYOUTS))
def test_layouts_are_engines(name: str) -> None:
    layout = LAYOUTS[name]
    assert sorted(layout.order) == list(range(1, len(layout.order) + 1))
    firing = layout.firing_deg
    assert firing[0] == 0.0
    assert (np.diff(firing) >= 0.0).all()
    assert firing[-1] < layout.cycle_deg
    gaps = np.diff(np.append(firing, layout.cycle_deg))
    assert gaps.sum() == pytest.approx(layout.cycle_deg)
    if layout.paired:
        assert len(set(layout.coil_of_slot)) == len(layout.order) // 2


@pytest.mark.parametrize("name", ["single", "single_two_stroke", "three_t", "four_paired", "vee_six_odd", "twelve"])
def test_one_event_a_cylinder_and_cycle_at_the_arithmetic_interval(name: str) -> None:
    """A cycle takes 120 / rpm seconds with four strokes, 60 / rpm with two; cylinders follow their order."""
    layout = LAYOUTS[name]
    course = course_of(replace(PLAIN, layout=name, volume_l=0.4 * len(layout.order)))
    events, at_s = course.events, np.arange(len(course.slow)) * TASK_S
    slot = events[:, E_SLOT].astype(int)
    running = events[:, E_RPM] > 600.0
    assert running.mean() > 0.9
    order = np.lexsort((events[:, E_SLOT], events[:, E_CYCLE]))
    place = events[order][:, E_CYCLE] * len(layout.order) + events[order][:, E_SLOT]
    assert (np.diff(place) == 1).all(), "an event is missing or comes twice"
    mean_rpm = np.convolve(np.pad(course.slow[:, 0], 15, mode="edge"), np.ones(31) / 31.0, mode="valid")
    for k in range(len(layout.order)):
        mine = events[(slot == k) & running]
        due_s = layout.cycle_deg / 6.0 / np.interp(mine[1:, E_OFF] - 0.5 * np.diff(mine[:, E_OFF]), at_s, mean_rpm)
        assert np.median(np.diff(mine[:, E_OFF]) / due_s) == pytest.approx(1.0, rel=0.02)


def test_coils_are_charged_by_the_law_of_r_and_l() -> None:
    options = replace(PLAIN, answer_jitter_s=0.0, answer_lag_s=0.0, coil_spread=0.0, battery_ohm=1e-4, loom_ohm=0.0)
    course = course_of(options)
    pulses, events = course.pulses, course.events
    assert len(pulses) > 100
    for pulse in pulses[20:120]:
        event = events[(events[:, E_ON] == pulse[P_ON])][0]
        volts = event[E_VOLT] - options.saturation_v
        due_s = float(charge_time_s(options.answer_a, volts, pulse[P_OHM], pulse[P_HENRY]))
        assert event[E_ANSWER_ON] - event[E_ON] == pytest.approx(due_s, rel=2e-3)


def test_on_time_falls_with_supply_the_steeper_the_lower() -> None:
    table = dwell_map(replace(PLAIN, dwell_step_s=1e-6))
    warm = table[VOLT_AXIS >= 6.0, 5]
    slope = np.diff(warm) / np.diff(VOLT_AXIS[VOLT_AXIS >= 6.0])
    assert (slope < 0.0).all()
    assert (np.diff(slope) > -2e-6).all()


def test_on_time_follows_the_supply_while_the_engine_runs() -> None:
    median_s = []
    for set_v in (13.0, 14.6):
        events = course_of(replace(PLAIN, set_v=set_v)).events
        calm = events[events[:, E_ON] > 5.0]
        assert np.median(calm[:, E_VOLT]) == pytest.approx(set_v, abs=0.4)
        median_s.append(float(np.median(calm[:, E_OFF] - calm[:, E_ON])))
    warm_ohm = PLAIN.resistance_ohm * (1.0 + 0.00393 * 50.0)
    due = [
        float(charge_time_s(PLAIN.charge_a, v - PLAIN.saturation_v, warm_ohm, PLAIN.inductance_h)) for v in (13.0, 14.6)
    ]
    assert median_s[0] / median_s[1] == pytest.approx(due[0] / due[1], rel=0.04)


def test_nothing_before_the_starter() -> None:
    options = replace(PLAIN, begins="cold", quiet_s=6.0, seconds=20.0)
    course = course_of(options)
    assert course.events[0, E_ON] > 6.0
    assert course.slow[:500, 0].max() == 0.0
    assert course.slow[-200:, 0].mean() > 500.0
    assert course.volts[:20_000].min() > 11.5
    assert course.volts.min() < 11.5, "the starter draws the battery down"


def test_edges_lie_on_timer_ticks() -> None:
    tick = 4e-6
    pulses = course_of(replace(PLAIN, tick_s=tick, dwell_step_s=tick)).pulses
    for column in (P_ON, P_OFF):
        ticks = pulses[:, column] / tick
        off = np.abs(ticks - np.round(ticks))
        assert np.quantile(off, 0.99) < 1e-3


def lone_fault(kind: str, *, size: float = 1.0, way: int = 0, at_s: float = 6.0) -> FaultGroup:
    return FaultGroup(at_s=at_s, kind=kind, cylinder=1, sizes=(size,), way=way)


def test_an_absent_spark_costs_torque() -> None:
    sound, faulty = course_of(PLAIN), course_of(replace(PLAIN, faults=(lone_fault("absent_command"),)))
    row = np.flatnonzero(faulty.events[:, E_FAULT] >= 0)
    assert len(row) == 1
    assert faulty.events[row[0], E_SENT] == 0.0
    k = int(faulty.events[row[0], E_OFF] / 0.01) + 8
    np.testing.assert_array_equal(sound.slow[: k - 20, 0], faulty.slow[: k - 20, 0])
    assert faulty.slow[k, 0] < sound.slow[k, 0] - 3.0


def test_knock_control_holds_single_cylinders_back_and_lets_go_in_steps() -> None:
    options = replace(PLAIN, knock_per_s=3.0, pace=0.9, volume_l=0.9, seconds=60.0)
    events = course_of(options).events
    held = events[:, E_KNOCK] > 0.0
    assert 0.0 < held.mean() < 0.9
    per_slot = [events[events[:, E_SLOT] == k][:, E_KNOCK].mean() for k in range(4)]
    assert max(per_slot) > 1.5 * min(per_slot)


def test_overrun_drops_all_cylinders_for_some_cycles() -> None:
    options = replace(PLAIN, overrun="dropped", seconds=90.0, pace=0.7)
    events = course_of(options).events
    events = events[np.argsort(events[:, E_ON])]
    dropped = (events[:, E_DROPPED] == 1.0).astype(int)
    begins, ends = np.flatnonzero(np.diff(dropped) == 1), np.flatnonzero(np.diff(dropped) == -1)
    assert len(begins) > 0
    for a in begins:
        b = ends[ends > a]
        if len(b):
            assert events[b[0], E_ON] - events[a + 1, E_ON] > 0.25


def test_repeated_sparks_at_low_speed_are_not_main_pulses() -> None:
    course = course_of(replace(PLAIN, repeats=2, repeat_rpm=1000.0))
    pulses = course.pulses
    again = pulses[:, P_SORT] == 1
    assert again.sum() > 20
    main = pulses[~again]
    rest = pulses[again]
    before = np.searchsorted(main[:, P_OFF], rest[:, P_ON]) - 1
    assert (main[before, P_COIL] == rest[:, P_COIL]).mean() > 0.99
    assert np.median(rest[:, P_OFF] - rest[:, P_ON]) < 0.8 * np.median(main[:, P_OFF] - main[:, P_ON])


def test_idle_is_held_by_spark_from_event_to_event() -> None:
    held, free = (
        course_of(replace(PLAIN, idle_spark_deg_per_rpm=gain, begins="cold", quiet_s=1.0, seconds=12.0)).events
        for gain in (0.08, 0.0)
    )
    late = [e[e[:, E_ON] > 6.0][:, E_ADVANCE] for e in (held, free)]
    assert np.ptp(late[0]) > np.ptp(late[1]) + 0.5


def test_same_options_same_course() -> None:
    course_of.cache_clear()
    first = course_of(PLAIN)
    course_of.cache_clear()
    again = course_of(PLAIN)
    for name in ("events", "pulses", "answers", "volts"):
        np.testing.assert_array_equal(getattr(first, name), getattr(again, name))


def test_another_seed_another_course() -> None:
    other: Options = replace(PLAIN, seed=6)
    assert len(course_of(other).events) != len(course_of(PLAIN).events) or not np.array_equal(
        course_of(other).events[:50, E_ON], course_of(PLAIN).events[:50, E_ON]
    )
