"""The ranked list on made-up engines with planted faults."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from miner.expected.least import Resolution
from miner.schema import EVENTS, INCIDENTS, SUSPECTS
from miner.suspects.ranking import RankSettings, join_rankings, rank_chapter, rank_events
from tests.rarity.engines import Engine, change, healthy_events, setup_for

TEN = Engine(minutes=6)

GROSS = {
    "absent_command": {"command_seen": False, "feedback_seen": False, "on_time_us": None, "delay_us": None,
                       "feedback_width_us": None, "amplitude_v": None, "feedback_amplitude_v": None,
                       "ripple_v": None, "rise_us": None, "fall_us": None, "timing_residual_deg": None},
    "absent_feedback": {"feedback_seen": False, "delay_us": None, "feedback_width_us": None,
                        "feedback_amplitude_v": None},
    "short_on_time": {"on_time_us": lambda x: 0.7 * x},
    "long_on_time": {"on_time_us": lambda x: 1.3 * x},
    "late_feedback": {"delay_us": lambda x: 1.5 * x},
    "early_feedback": {"delay_us": lambda x: 0.6 * x},
    "weak_command": {"amplitude_v": lambda x: 0.6 * x},
    "weak_feedback": {"feedback_amplitude_v": lambda x: 0.6 * x},
    "distorted_command": {"ripple_v": lambda x: 8 * x},
    "odd_feedback_width": {"feedback_width_us": lambda x: 1.5 * x},
    "uneven_interval": {"timing_residual_deg": 18.0, "time_s": lambda x: x + 1.3e-3},
    "supply_sag": {"supply_v": lambda x: x - 4.0},
    "extra_pulse": {"extra_pulses": 1},
}  # fmt: skip


def calm_rows(events: pa.Table, n: int) -> list[int]:
    """Return rows far from each other, above the speed of repeated sparks and trusted."""
    trusted = events["quality"].to_numpy(zero_copy_only=False) == ""
    rows = np.flatnonzero((events["engine_rpm"].to_numpy() > 1500) & trusted)
    return rows[(np.arange(n) + 1) * rows.size // (n + 2)].tolist()


@pytest.fixture(scope="module")
def healthy() -> pa.Table:
    return healthy_events(5, TEN)


def test_every_gross_fault_is_named_and_ahead_of_every_healthy_event(healthy: pa.Table) -> None:
    rows = calm_rows(healthy, len(GROSS))
    events = healthy
    for row, changes in zip(rows, GROSS.values(), strict=True):
        events = change(events, row, **changes)
    ranking = rank_events(events, setup_for(TEN))
    worst = ranking.suspects.slice(0, len(GROSS))
    assert dict(zip(worst["event_id"].to_pylist(), worst["kind"].to_pylist(), strict=True)) == dict(
        zip(rows, GROSS, strict=True)
    )
    assert max(worst["false_alarms_per_hour"].to_pylist()) < 0.1


def test_tables_are_as_declared_and_ranks_follow_scores(healthy: pa.Table) -> None:
    ranking = rank_events(healthy, setup_for(TEN))
    SUSPECTS.validate(ranking.suspects)
    INCIDENTS.validate(ranking.incidents)
    score, rate = ranking.suspects["score"].to_numpy(), ranking.suspects["false_alarms_per_hour"].to_numpy()
    assert np.all(np.diff(score) <= 0)
    assert np.all(np.diff(rate) >= 0)
    assert ranking.suspects.num_rows == max(100, int(np.sum(ranking.scores["false_alarms_per_hour"].to_numpy() <= 10)))
    start, end = ranking.suspects["window_start_s"].to_numpy(), ranking.suspects["window_end_s"].to_numpy()
    assert start.min() >= 0
    assert np.all(end > ranking.suspects["time_s"].to_numpy())
    assert np.all(start <= ranking.suspects["time_s"].to_numpy())


def test_same_events_same_tables(healthy: pa.Table) -> None:
    part = healthy.slice(0, 4000)
    first, second = (rank_events(part, setup_for(TEN)) for _ in range(2))
    assert first.suspects.equals(second.suspects)
    assert first.scores.equals(second.scores)
    assert first.summary == second.summary


@pytest.mark.parametrize("leads", ["one_command", "commands", "feedback"])
@pytest.mark.parametrize("cylinders", [1, 3, 16])
def test_any_leads_and_cylinders(leads: str, cylinders: int) -> None:
    engine = Engine(minutes=2, cylinders=cylinders, leads=leads, supply_recorded=False)
    events = healthy_events(1, engine)
    row = next(r for r in range(events.num_rows // 2, events.num_rows) if events["cylinder"][r].as_py() in (1, None))
    fault = GROSS["absent_command" if leads != "feedback" else "absent_feedback"]
    if leads == "commands":
        fault = {k: v for k, v in fault.items() if k != "feedback_seen"}
    ranking = rank_events(change(events, row, **fault), setup_for(engine), settings=RankSettings(listed_least=5))
    assert ranking.suspects["event_id"][0].as_py() == row


@pytest.mark.parametrize("n", [0, 1, 2, 7, 20, 60])
def test_very_short_recordings(healthy: pa.Table, n: int) -> None:
    ranking = rank_events(healthy.slice(3000, n), setup_for(TEN))
    assert ranking.suspects.num_rows <= n
    assert np.all(np.isfinite(ranking.suspects["score"].to_numpy()))
    # nothing sure can be said of a healthy handful
    assert np.sum(ranking.suspects["false_alarms_per_hour"].to_numpy() < 1) == 0


def test_measures_that_are_null_throughout_are_left_out(healthy: pa.Table) -> None:
    events = healthy.slice(0, 3000)
    for name in ("engine_rpm", "timing_residual_deg", "cylinder_confidence", "interval_us", "supply_v"):
        place = EVENTS.schema.get_field_index(name)
        events = events.set_column(place, EVENTS.schema.field(name), pa.nulls(3000, pa.float64()))
    ranking = rank_events(events, setup_for(TEN))
    assert "timing_residual_deg" not in ranking.summary["chapters"][0]["measures"]
    assert ranking.suspects.num_rows >= 100


def test_chapters_make_one_list_of_their_rates(healthy: pa.Table) -> None:
    """Faults in both halves; each half is ranked by itself."""
    rows = calm_rows(healthy, 6)[::2]
    events = change(healthy, np.array(rows), **GROSS["short_on_time"])
    half = events.num_rows // 2
    settings, setup = RankSettings(), setup_for(TEN)
    chapters = [
        rank_chapter(part, setup, settings).listed_only() for part in (events.slice(0, half), events.slice(half))
    ]
    joined = join_rankings(chapters, events, setup, settings)
    rates = joined.suspects["false_alarms_per_hour"].to_numpy()
    assert joined.suspects["rank"].to_pylist() == list(range(1, rates.size + 1))
    assert (np.diff(rates) >= 0).all()
    assert rates.size == max(100, int((rates <= 10).sum()))
    assert set(joined.suspects["event_id"].to_pylist()[:3]) == {healthy["event_id"][row].as_py() for row in rows}
    assert set(joined.suspects["event_id"].to_pylist()) <= set(joined.scores["event_id"].to_pylist())
    assert joined.summary["n_events"] == events.num_rows
    assert len(joined.summary["chapters"]) == 2
    assert joined.incidents.num_rows >= 3
    alone = join_rankings([rank_chapter(events, setup, settings)], events, setup, settings)
    assert alone.suspects.equals(rank_events(events, setup, settings=settings).suspects)


def test_what_the_setup_calls_too_small_is_counted_and_not_listed(healthy: pa.Table) -> None:
    row = calm_rows(healthy, 1)[0]
    events = change(healthy, row, on_time_us=lambda x: 0.88 * x)
    plain = rank_events(events, setup_for(TEN))
    wide = rank_events(events, setup_for(TEN), resolution=Resolution(wished={"on_time_us": 0.2}))
    assert plain.suspects["event_id"][0].as_py() == row
    assert row not in wide.suspects["event_id"].to_pylist()
    assert wide.summary["n_too_small_to_matter"] > plain.summary["n_too_small_to_matter"]
    assert wide.summary["chapters"][0]["least_differences"]["on_time_us"] == pytest.approx(0.2)
