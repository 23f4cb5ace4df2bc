import numpy as np
import pytest

from miner.questions.explain import explain_findings
from miner.questions.sensitivity import (
    SensitivitySettings,
    fault_rate_limits,
    measure_sensitivity,
)
from miner.rarity.judge import fit_judge
from miner.schema import SENSITIVITY, SUSPECTS
from miner.suspects.ranking import rank_events
from miner.synthetic.columns import columns_of, events_table
from miner.synthetic.faults.events import apply_fault, feedback_tie, next_of_coil
from tests.suspects.made_up import make_columns, make_setup, to_events, to_suspects

SETUP = make_setup(commands=(1, 3))
SMALL = SensitivitySettings(n_events=6000, n_passes=6)


def recording(n_cycles=1500, seed=1, setup=SETUP):
    rng = np.random.default_rng(seed)
    rpm = 1800 + 500 * np.sin(np.arange(n_cycles) / 60) + 3 * rng.standard_normal(n_cycles)
    return make_columns(setup, n_cycles, rpm, seed=seed)


@pytest.fixture(scope="module")
def measured():
    return measure_sensitivity(to_events(recording()), SETUP, settings=SMALL)


def smallest(sensitivity):
    return {(r["kind"], r["cylinder"]): r["size"] for r in sensitivity.table.to_pylist() if r["smallest"]}


def test_kinds_are_those_the_leads_can_show(measured):
    tried = {(r["kind"], r["cylinder"]) for r in measured.table.to_pylist()}
    assert {c for k, c in tried if k == "short_on_time"} == {1, 3}
    assert {c for k, c in tried if k == "absent_command"} == {1, 3}
    assert {c for k, c in tried if k == "weak_feedback"} == {1, 2, 3, 4}
    assert not any(k == "supply_sag" for k, _ in tried)


def test_found_shares_rise_with_size(measured):
    rows = measured.table.to_pylist()
    found = []
    for kind, cylinder in {(r["kind"], r["cylinder"]) for r in rows}:
        own = sorted((r for r in rows if (r["kind"], r["cylinder"]) == (kind, cylinder)), key=lambda r: r["size"])
        if len(own) > 1:
            shares = [r["n_found"] / r["n_planted"] for r in own]
            assert shares[0] <= shares[-1]
            found.append(shares[-1] >= 0.9)
    assert np.mean(found) > 0.8


def test_smallest_sizes_are_a_few_sigma_of_the_noise_that_was_made_up(measured):
    """Noise: on-time 8 of 3000 us, delay 3 of 690 us, feedback amplitude 0.02 of 5 V."""
    found = smallest(measured)
    sigma = {"short_on_time": 8 / 3000, "late_feedback": 3 / 690, "weak_feedback": 0.02 / 5}
    told = [(k, c, size / sigma[k]) for (k, c), size in found.items() if k in sigma]
    assert len(told) >= 5
    assert all(3.5 < n_sigma < 14 for *_, n_sigma in told), told


def test_nine_of_ten_at_the_smallest_size_and_every_interval_holds_its_share(measured):
    for row in measured.table.to_pylist():
        assert row["found_low"] <= row["n_found"] / row["n_planted"] <= row["found_high"]
        if row["smallest"]:
            assert row["n_planted"] >= 10
            assert row["n_found"] >= 0.9 * row["n_planted"]


def test_absent_pulses_are_found(measured):
    found = smallest(measured)
    assert {c for k, c in found if k == "absent_feedback"} == {1, 2, 3, 4}
    words = {(w["kind"], w["cylinder"]): w["sentence"] for w in measured.summary["smallest_found"]}
    assert words["absent_feedback", 3].startswith("A single fault ('absent feedback' on cylinder 3) is found: ")


def test_more_noise_makes_it_less_sensitive(measured):
    columns = recording()
    rng = np.random.default_rng(5)
    columns["on_time_us"] = columns["on_time_us"] + 60 * rng.standard_normal(columns["slot"].size)
    noisy = smallest(measure_sensitivity(to_events(columns), SETUP, settings=SMALL))
    quiet = smallest(measured)
    both = [key for key in noisy if key in quiet and key[0] == "short_on_time"]
    assert both
    assert all(noisy[key] > 3 * quiet[key] for key in both)


def test_the_same_twice_is_the_same():
    settings = SensitivitySettings(n_events=1500, n_passes=2)
    one, other = (measure_sensitivity(to_events(recording(500)), SETUP, settings=settings) for _ in range(2))
    assert one.table.equals(other.table)
    assert one.summary == other.summary


def test_the_judge_says_of_the_same_events_what_it_said_when_it_learned():
    events = to_events(recording())
    judge, judged = fit_judge(events, SETUP)
    np.testing.assert_array_equal(judge.score(events).log_rate, judged.log_rate)


def test_a_judge_that_saw_no_fault_agrees_with_one_that_learned_among_them():
    """Six faults in 6,000 events hardly touch the tails, so that the list itself can be asked."""
    events = to_events(recording())
    judge, _ = fit_judge(events, SETUP)
    columns = columns_of(events)
    tie, after = feedback_tie(columns), next_of_coil(columns)
    rows = np.flatnonzero(columns["slot"] == 0)[100::250][:6]
    for row, size in zip(rows, (0.004, 0.008, 0.03, 0.05, 0.1, 0.3), strict=False):
        apply_fault(columns, int(row), "short_on_time", size, tie=tie, after=int(after[row]))
    planted = events_table(columns)
    listed = fit_judge(planted, SETUP)[1].log_rate
    assert ((judge.score(planted).log_rate[rows] <= 0) == (listed[rows] <= 0)).all()
    assert 2 <= (listed[rows] <= 0).sum() <= 5


def test_a_long_recording_is_sampled_in_stretches():
    got = measure_sensitivity(
        to_events(recording(3000)), SETUP, settings=SensitivitySettings(n_events=3000, n_passes=1)
    )
    assert got.summary["n_events_used"] == 3000


def test_hardly_any_events():
    got = measure_sensitivity(to_events(recording(10)), SETUP)
    assert got.table.equals(SENSITIVITY.empty())
    assert got.summary["smallest_found"] == []


def test_nothing_found_is_the_rule_of_three():
    events = to_events(recording(250))
    got = fault_rate_limits(SUSPECTS.empty(), events)
    assert got["per_1000_events"] == pytest.approx(1000 * (1 - 0.05 ** (1 / 1000)))
    assert got["per_hour"] == pytest.approx(2.9957 / got["hours"], rel=1e-4)


def test_some_found_raise_the_limit_and_mild_ones_do_not():
    columns = recording(250)
    none = fault_rate_limits(SUSPECTS.empty(), to_events(columns))
    two = fault_rate_limits(
        to_suspects(columns, [(1, "late_feedback", 0.1), (9, "late_feedback", 1.0), (30, "late_feedback", 9.0)]),
        to_events(columns),
    )
    assert two["n_suspects"] == 2
    assert two["per_hour"] / none["per_hour"] == pytest.approx(6.2958 / 2.9957, rel=1e-4)


@pytest.mark.parametrize("n_events", [0, 1, 2])
def test_limits_of_hardly_any_event_are_numbers(n_events: int) -> None:
    events = to_events(recording(10)).slice(0, n_events)
    limits = fault_rate_limits(SUSPECTS.empty(), events)
    assert np.isfinite(list(limits.values())).all()
    assert limits["per_hour"] >= 3600.0


def test_everything_in_one_go():
    columns = recording()
    columns["feedback_amplitude_v"][columns["cylinder"] == 2] *= 0.8
    for row in (1001, 2001, 3001, 3801):
        columns["feedback_seen"][row] = False
        columns["delay_us"][row] = columns["feedback_width_us"][row] = columns["feedback_amplitude_v"][row] = np.nan
    events = to_events(columns)
    ranking = rank_events(events, SETUP)
    got = explain_findings(events, ranking.suspects, ranking.incidents, SETUP, sensitivity=None)
    assert {"standing", "conditions", "misfire_windows", "sensitivity", "summary"} == set(got)
    assert got["summary"]["standing"][0].startswith("Cylinder 2: feedback amplitude")
    assert got["summary"]["sensitivity"]["fault_rate_limits"]["n_suspects"] >= 4
    assert sum(r["n_absent"] for r in got["misfire_windows"].to_pylist() if r["revolutions"] == 1000) == 4
