import numpy as np
import pyarrow as pa
import pytest

from miner.schema import EVENTS, INCIDENTS, SUSPECTS
from miner.suspects.judged_normal import lower_by_verdicts, refresh_incidents
from tests.review.made import fill

KIND = {"kind": "late_feedback", "measure": "delay_us", "reason": "late.", "window_start_s": 0.0, "window_end_s": 1.0}


def _case(*events: dict[str, object]) -> tuple[pa.Table, pa.Table, pa.Table]:
    """Suspects, events and scores, one suspect an event, worst first; an hour of recording."""
    blank = {"cylinder": 1, "rpm": 2000.0, "z": 6.0, "other": 0.0, "state": "steady", "kind": "late_feedback"}
    rows = [{**blank, **event} for event in events] + [{**blank, "z": 0.0}]
    times = np.linspace(0, 3600, len(rows))
    table = fill(
        EVENTS,
        [
            {
                "event_id": i,
                "time_s": t,
                "cylinder": r["cylinder"],
                "engine_rpm": r["rpm"],
                "operating_state": r["state"],
            }
            for i, (r, t) in enumerate(zip(rows, times, strict=True))
        ],
    )
    suspects = fill(
        SUSPECTS,
        [
            {
                **KIND, "rank": i + 1, "event_id": i, "time_s": times[i], "cylinder": r["cylinder"], "kind": r["kind"],
                "false_alarms_per_hour": 0.001 * (i + 1), "score": 3.0 - np.log10(i + 1), "incident_id": i + 1,
            }
            for i, r in enumerate(rows[:-1])
        ],
    )  # fmt: skip
    scores = pa.table(
        {
            "event_id": np.arange(len(rows)),
            "distance_delay_us": [float(r["z"]) for r in rows],
            "distance_on_time_us": [float(r["other"]) for r in rows],
        }
    )
    return suspects, table, scores


def _lowered(verdicts: dict[int, str], *events: dict[str, object]) -> list[int]:
    suspects, table, scores = _case(*events)
    given = pa.table({"event_id": list(verdicts), "verdict": list(verdicts.values())})
    after, _ = lower_by_verdicts(suspects, table, given, scores, hours=1.0)
    assert sorted(after["event_id"].to_pylist()) == sorted(suspects["event_id"].to_pylist()), "no suspect is lost"
    assert after["rank"].to_pylist() == list(range(1, len(after) + 1))
    assert (np.diff(after["false_alarms_per_hour"].to_numpy()) >= 0).all()
    return sorted(row["event_id"] for row in after.to_pylist() if "Lowered" in row["reason"])


def test_what_looks_like_a_normal_event_is_lowered_beneath_the_rest():
    suspects, table, scores = _case({}, {}, {"cylinder": 2})
    verdicts = pa.table({"event_id": [1], "verdict": ["normal"]})
    after, note = lower_by_verdicts(suspects, table, verdicts, scores, hours=1.0)
    assert after["event_id"].to_pylist() == [2, 0, 1]
    rows = {row["event_id"]: row for row in after.to_pylist()}
    assert rows[0]["false_alarms_per_hour"] == pytest.approx(3.0), "two alike and one more, in one hour"
    assert rows[0]["score"] == pytest.approx(-np.log10(3.0))
    assert rows[0]["reason"] == "late. Lowered: its like at 1200.000 s was judged normal."
    assert rows[1]["reason"] == "late. Lowered: it was judged normal."
    assert rows[2] == {**suspects.to_pylist()[2], "rank": 1}
    assert note == "2 suspects were lowered for looking like an event judged normal."


@pytest.mark.parametrize(
    "other",
    [
        {"cylinder": 2}, {"kind": "absent_feedback"}, {"state": "idle"}, {"rpm": 2600.0}, {"rpm": 1500.0},
        {"rpm": None}, {"z": 8.0}, {"z": -6.0}, {"other": 4.0},
    ],
)  # fmt: skip
def test_what_looks_different_stays(other):
    assert _lowered({0: "normal"}, {}, other) == [0]


@pytest.mark.parametrize("other", [{"rpm": 2300.0}, {"z": 4.0}, {"z": 7.4}, {"other": 3.0}, {"z": float("nan")}])
def test_what_looks_alike_is_lowered(other):
    assert _lowered({0: "normal"}, {}, other) == [0, 1]


def test_a_fault_and_its_like_stay_even_beside_a_normal_one():
    assert _lowered({0: "normal", 1: "fault"}, {}, {}, {}) == [0]


def test_without_normal_events_nothing_changes_and_nothing_is_said():
    suspects, table, scores = _case({}, {})
    verdicts = pa.table({"event_id": pa.array([0, None], pa.int64()), "verdict": ["unsure", "normal"]})
    after, note = lower_by_verdicts(suspects, table, verdicts, scores, hours=1.0)
    assert after.equals(suspects)
    assert note == ""


def test_incidents_follow_their_suspects():
    suspects, table, scores = _case({}, {"cylinder": 2})
    incidents = fill(
        INCIDENTS,
        [{"incident_id": i, "best_rank": i, "cylinders": [i], "kinds": [], "codes": []} for i in (1, 2)],
    )
    after, _ = lower_by_verdicts(suspects, table, pa.table({"event_id": [0], "verdict": ["normal"]}), scores, hours=1.0)
    fresh = refresh_incidents(incidents, after).to_pylist()
    assert [(row["incident_id"], row["best_rank"]) for row in fresh] == [(2, 1), (1, 2)]
    assert fresh[1]["false_alarms_per_hour"] == pytest.approx(2.0)
