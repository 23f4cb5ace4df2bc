"""A fault counts the same however often it comes, and nothing gross is forgiven, on any layout and set of leads."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.rarity.judge import fit_judge
from tests.rarity.engines import Engine, change, healthy_events, setup_for

ENGINE = Engine(minutes=10, stops=False, load_steps=False, repeated_sparks=False)

GROSS = {
    "on-time 25 % short": {"on_time_us": lambda x: 0.75 * x},
    "on-time 25 % long": {"on_time_us": lambda x: 1.25 * x},
    "delay 50 % late": {"delay_us": lambda x: 1.5 * x},
    "command 40 % weak": {"amplitude_v": lambda x: 0.6 * x},
    "feedback 40 % weak": {"feedback_amplitude_v": lambda x: 0.6 * x},
    "further pulse": {"extra_pulses": 1},
    "command absent": {"command_seen": False, "on_time_us": None, "amplitude_v": None, "rise_us": None,
                       "fall_us": None, "ripple_v": None},
    "feedback absent": {"feedback_seen": False, "delay_us": None, "feedback_width_us": None,
                        "feedback_amplitude_v": None},
}  # fmt: skip
COLUMN = {"on": "on_time_us", "de": "delay_us", "co": "amplitude_v", "fe": "feedback_amplitude_v", "fu": "on_time_us"}


@pytest.fixture(scope="module")
def healthy() -> pa.Table:
    return healthy_events(11, ENGINE)


def could_show(events: pa.Table, fault: str, cylinder: int | None = None) -> np.ndarray:
    column = COLUMN[fault[:2]]
    known = np.isfinite(events[column].to_numpy(zero_copy_only=False).astype(float))
    if fault.startswith("further"):
        known |= np.isfinite(events["feedback_amplitude_v"].to_numpy(zero_copy_only=False).astype(float))
    known &= events["quality"].to_numpy(zero_copy_only=False) == ""
    if cylinder is not None:
        known &= events["cylinder"].to_numpy(zero_copy_only=False) == cylinder
    return np.flatnonzero(known)


def places(rng: np.random.Generator, rows: np.ndarray, n: int, pattern: str, rpm: np.ndarray) -> np.ndarray:
    """Return rows for n faults: evenly spread, at chance, in bursts of three, or in one band of speed."""
    rows = rows[40:-40]
    if pattern == "even":
        return rows[np.linspace(0, rows.size - 1, n).astype(int)]
    if pattern == "bursts":
        starts = rng.choice(rows.size // 40, max(n // 3, 1), replace=False) * 40
        return rows[np.unique(np.concatenate([starts, starts + 1, starts + 2]))]
    if pattern == "band":
        low, high = np.quantile(rpm[rows], (0.3, 0.5))
        rows = rows[(rpm[rows] > low) & (rpm[rows] < high)]
    return np.sort(rng.choice(rows, min(n, rows.size // 10), replace=False))


@settings(max_examples=8, deadline=None)
@given(
    fault=st.sampled_from(sorted(GROSS)),
    n=st.sampled_from([1, 5, 50, 120]),  # in ten minutes: 6 to 720 an hour
    pattern=st.sampled_from(["even", "chance", "bursts", "band"]),
    seed=st.integers(0, 99),
)
def test_every_one_is_listed_however_many_there_are(
    healthy: pa.Table, fault: str, n: int, pattern: str, seed: int
) -> None:
    rows = could_show(healthy, fault, cylinder=3)
    n = min(n, rows.size // 50)
    rpm = healthy["engine_rpm"].to_numpy()
    at = places(np.random.default_rng(seed), rows, n, pattern, rpm)
    _, judged = fit_judge(change(healthy, at, **GROSS[fault]), setup_for(ENGINE))
    found = judged.log_rate[at] <= 0.0
    assert found.mean() >= 0.98, (fault, n, pattern, np.exp(judged.log_rate[at][~found]))


@pytest.mark.parametrize("leads", ["all", "one_command", "commands", "feedback"])
@pytest.mark.parametrize("cylinders", [1, 2, 4, 6, 12])
def test_on_any_layout_and_set_of_leads_from_idle_to_the_ramp(leads: str, cylinders: int) -> None:
    engine = Engine(minutes=4, cylinders=cylinders, leads=leads, supply_recorded=False, repeated_sparks=False)
    events = healthy_events(cylinders, engine)
    rng = np.random.default_rng(cylinders)
    planted: dict[int, str] = {}
    for fault in sorted(GROSS):
        needs_answer = fault.startswith(("delay", "feedback"))
        if (leads == "commands" and needs_answer) or (
            leads == "feedback" and fault.startswith(("on-", "command", "d"))
        ):
            continue
        rows = could_show(events, fault)
        rows = rows[(rows > 60) & (rows < events.num_rows - 60)]
        rows = np.array([row for row in rows if all(abs(row - other) > 3 * cylinders for other in planted)])
        if rows.size == 0:
            continue
        row = int(rng.choice(rows))
        planted[row] = fault
        fault_changes = GROSS[fault]
        if leads == "commands":
            fault_changes = {k: v for k, v in fault_changes.items() if not k.startswith(("feedback", "delay"))}
        events = change(events, row, **fault_changes)
    _, judged = fit_judge(events, setup_for(engine))
    missed = {fault: float(np.exp(judged.log_rate[row])) for row, fault in planted.items() if judged.log_rate[row] > 0}
    assert planted
    assert not missed


def test_what_one_cylinder_does_all_the_time_is_said_and_some_of_it_heads_the_list(healthy: pa.Table) -> None:
    rows = could_show(healthy, "feedback absent", cylinder=3)[::20]
    _, judged = fit_judge(change(healthy, rows, **GROSS["feedback absent"]), setup_for(ENGINE))
    listed = np.flatnonzero(judged.log_rate <= 0.0)
    assert np.isin(listed, rows).mean() > 0.9
    assert min(100, rows.size) <= np.isin(rows, listed).sum()
    assert any("cylinder 3" in note and "all the time" in note for note in judged.notes)


def test_what_all_cylinders_do_alike_at_some_speed_is_a_habit_and_said() -> None:
    engine = Engine(minutes=6, stops=False, repeated_sparks=True)
    events = healthy_events(7, engine)
    _, judged = fit_judge(events, setup_for(engine))
    extra = events["extra_pulses"].to_numpy() > 0
    assert extra.mean() > 0.02
    assert np.sum(judged.log_rate[extra] <= 0.0) <= 2
    assert any("habit of this engine" in note for note in judged.notes)
