"""Drawn volts: the same however they are cut, and saying what the truth says."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.synthetic import kernels
from miner.synthetic.draw import LeadPen
from miner.synthetic.plan import Plan, plan_drive
from miner.synthetic.presets import varied
from tests.naive_synthetic import threshold_pulses
from tests.synthetic.small import COMMAND, FEEDBACK, SUPPLY, scenario

QUIET = {"noise_v": 0.0, "dtype": "float64"}
HARSH = {"crosstalk_v": 2.0, "ring_share": 0.2, "bounce_chance": 0.2, "hum_v": 0.05, "drift_v": 0.2,
         "ground_v_per_a": 0.02, "off_shift_v_per_a": 0.01}  # fmt: skip


@pytest.fixture(scope="module")
def harsh() -> Plan:
    leads = [{**COMMAND, **HARSH}, {**FEEDBACK, **HARSH, "edge": "rc", "fall_us": 20.0}, SUPPLY,
             {"column": "lead_4", "role": "coil_current", "off_v": 0.0, "on_v": 12.0}]  # fmt: skip
    faults = [{"kind": "distorted_command", "size": 0.3, "count": 6}, {"kind": "extra_pulse", "size": 1.0, "count": 3}]
    return plan_drive(scenario(leads=leads, faults=faults, dwell={"repeat_below_rpm": 1000.0, "n_repeats": 2}))


@given(cuts=st.lists(st.integers(300_001, 699_999), max_size=6), lead=st.integers(0, 3))
@settings(max_examples=25, deadline=None)
def test_any_cut_gives_the_same_samples(harsh: Plan, cuts: list[int], lead: int) -> None:
    pen = LeadPen(harsh, lead)
    bounds = [300_000, *sorted(cuts), 700_000]
    parts = [pen.raw(a, b) for a, b in pairwise(bounds)]
    np.testing.assert_array_equal(np.concatenate(parts), pen.raw(300_000, 700_000))


def test_cuts_on_edges_and_of_one_sample(harsh: Plan) -> None:
    pen = LeadPen(harsh, 0)
    row = np.flatnonzero(harsh.truth["cylinder"] == 1)[20]
    edge = int(harsh.truth["time_s"][row] * 100_000)
    whole = pen.raw(edge - 5, edge + 5)
    np.testing.assert_array_equal(np.concatenate([pen.raw(i, i + 1) for i in range(edge - 5, edge + 5)]), whole)


def _volts(plan: Plan, index: int) -> np.ndarray:
    pen = LeadPen(plan, index)
    return pen.raw(0, plan.scenario.n_samples).astype(np.float64) * pen.scale + pen.offset


@pytest.mark.parametrize("active_high", [True, False])
@pytest.mark.parametrize("edge", ["linear", "rc"])
def test_command_pulses_are_where_the_truth_says(active_high: bool, edge: str) -> None:
    levels = {"off_v": 0.2, "on_v": 5.0} if active_high else {"off_v": 5.0, "on_v": 0.2}
    lead = {**COMMAND, **QUIET, **levels, "edge": edge, "rise_us": 30.0, "fall_us": 30.0, "level_jitter_v": 0.0}
    plan = plan_drive(scenario(leads=[lead, FEEDBACK], duration_s=10.0))
    on, off = threshold_pulses(_volts(plan, 0), 2.6, active_high=active_high, least_samples=5.0)
    truth = {name: values[plan.truth["cylinder"] == 1] for name, values in plan.truth.items()}
    assert len(on) == len(truth["time_s"])
    bend = 1.0 if edge == "linear" else 2.0  # a straight line between samples cuts the corner of an exponential
    np.testing.assert_allclose(on, 1e5 * truth["time_s"], atol=0.06 * bend)
    np.testing.assert_allclose(10.0 * (off - on), truth["on_time_us"], atol=1.0 * bend)


def test_feedback_pulses_are_where_the_truth_says() -> None:
    lead = {**FEEDBACK, **QUIET, "rise_us": 30.0, "fall_us": 30.0, "level_jitter_v": 0.0}
    faults = [{"kind": kind, "size": 0.3, "count": 2} for kind in ("absent_feedback", "late_feedback", "supply_sag")]
    plan = plan_drive(scenario(leads=[COMMAND, lead], faults=faults))
    on, off = threshold_pulses(_volts(plan, 1), 2.65, active_high=False, least_samples=5.0)
    came = plan.truth["feedback_seen"] == 1
    assert (~came).sum() == 2
    due = (plan.truth["time_s"] + 1e-6 * plan.truth["delay_us"])[came]
    assert len(on) == len(due)
    np.testing.assert_allclose(on, 1e5 * np.sort(due), atol=0.06)
    width_us = plan.truth["feedback_width_us"][came][np.argsort(due)]
    np.testing.assert_allclose(10.0 * (off - on), width_us, atol=1.0)


def test_planted_command_faults_can_be_seen_in_the_volts() -> None:
    kinds = ("absent_command", "short_on_time", "long_on_time", "weak_command", "extra_pulse", "uneven_interval")
    lead = {**COMMAND, **QUIET, "rise_us": 20.0, "fall_us": 20.0}
    faults = [{"kind": kind, "size": 0.4, "count": 2, "cylinders": [1]} for kind in kinds]
    plan = plan_drive(scenario(leads=[lead, FEEDBACK], faults=faults))
    volts = _volts(plan, 0)
    on, off = threshold_pulses(volts, 2.0, active_high=True, least_samples=5.0)
    for fault in plan.faults.to_pylist():
        event = {name: values[fault["event_id"]] for name, values in plan.truth.items()}
        stop = 1e5 * event["time_s"] + 0.1 * np.nan_to_num(event["on_time_us"]) + 250.0
        mine = (on > 1e5 * event["time_s"] - 50.0) & (on < stop)
        assert mine.sum() == {"absent_command": 0, "extra_pulse": 2}.get(fault["kind"], 1)
        if fault["kind"] in ("short_on_time", "long_on_time"):
            assert 10.0 * (off - on)[mine][0] == pytest.approx(event["on_time_us"], abs=8.0)
        if fault["kind"] == "weak_command":
            middle = int(on[mine][0] + 100)
            assert volts[middle] == pytest.approx(3.0, abs=0.1)


def test_a_planted_sag_is_on_the_supply_lead() -> None:
    faults = [{"kind": "supply_sag", "size": 2.0, "burst": 4}]
    plan = plan_drive(scenario(leads=[COMMAND, FEEDBACK, {**SUPPLY, "noise_v": 0.0}], faults=faults))
    volts = _volts(plan, 2)
    rows = plan.faults["event_id"].to_pylist()
    for row in [rows[0] - 1, *rows, rows[-1] + 1]:
        first = plan.truth["time_s"][row]
        inner = volts[int(1e5 * first) + 2 : int(1e5 * (first + 1e-6 * plan.truth["on_time_us"][row])) - 1]
        assert inner.mean() == pytest.approx(plan.truth["supply_v"][row], abs=0.08)


def test_distorted_commands_have_the_ripple_of_the_truth_and_end_no_pulse(harsh: Plan) -> None:
    lead = {**COMMAND, "noise_v": 0.02, "dtype": "float32"}
    plan = plan_drive(scenario(leads=[lead, FEEDBACK], faults=[{"kind": "distorted_command", "size": 0.3, "count": 6}]))
    volts = _volts(plan, 0)
    for row in plan.faults["event_id"].to_pylist():
        first = plan.truth["time_s"][row]
        inner = volts[int(1e5 * first) + 3 : int(1e5 * (first + 1e-6 * plan.truth["on_time_us"][row])) - 2]
        assert inner.std() == pytest.approx(plan.truth["ripple_v"][row], rel=0.2)
        assert inner.min() > 2.5


def test_noise_is_white_normal_and_of_the_size_asked_for() -> None:
    noise = np.zeros(400_000, np.float32)
    kernels.add_noise(noise, 12_345, 7, 0.5, kernels.noise_table())
    assert noise.std() == pytest.approx(0.5, rel=0.01)
    assert noise.mean() == pytest.approx(0.0, abs=0.005)
    assert (np.abs(noise) > 1.0).mean() == pytest.approx(0.0455, abs=0.003)
    for lag in (1, 2, 3, 4, 5, 8):
        assert abs(np.corrcoef(noise[:-lag], noise[lag:])[0, 1]) < 0.01


def test_coil_current_ends_at_the_true_peak(harsh: Plan) -> None:
    current = _volts(harsh, 3)
    rows = np.flatnonzero((harsh.truth["cylinder"] == 1) & (harsh.truth["n_repeats"] == 0))[10:40]
    for row in rows:
        off = harsh.truth["time_s"][row] + 1e-6 * harsh.truth["on_time_us"][row]
        assert current[int(1e5 * off)] == pytest.approx(harsh.truth["coil_current_peak_a"][row], rel=0.05)


def test_counts_are_clipped_to_what_they_can_hold() -> None:
    lead = {**COMMAND, "dtype": "int8", "scale": 0.03}
    plan = plan_drive(scenario(leads=[lead, FEEDBACK], duration_s=5.0))
    raw = LeadPen(plan, 0).raw(0, plan.scenario.n_samples)
    assert raw.max() == 127
    assert (raw == 127).sum() > 1000


def test_python_and_compiled_loops_agree() -> None:
    table = kernels.noise_table()
    nodes = np.array([1.0, 2.0, -1.0, 0.5])
    for kernel, args in (
        (kernels.draw_nodes, (70, 64, 1, nodes)),
        (kernels.add_ramps, (70, np.array([80.2]), np.array([120.9]), np.array([2.0]))),
        (kernels.add_spikes, (70, np.array([90.4]), np.array([0.7]), np.array([-2.0]))),
        (kernels.add_dents, (70, np.array([90.4]), np.array([95.0]), np.array([-2.0]))),
    ):
        fast, slow = np.zeros(100, np.float32), np.zeros(100, np.float32)
        kernel(fast, *args)
        kernel.py_func(slow, *args)
        np.testing.assert_allclose(fast, slow, rtol=1e-6)
        assert np.abs(fast).max() > 0
    assert len(table) == 65536


@pytest.mark.parametrize("seed", range(6))
def test_varied_leads_stay_within_their_converter(seed: int) -> None:
    plan = plan_drive(varied(seed, duration_s=20.0, rate_hz=50_000.0))
    for index, lead in enumerate(plan.scenario.leads):
        raw = LeadPen(plan, index).raw(0, plan.scenario.n_samples)
        if raw.dtype.kind in "iu":
            info = np.iinfo(raw.dtype)
            assert ((raw == info.min) | (raw == info.max)).mean() < 1e-3, lead
