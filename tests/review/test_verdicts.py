import sqlite3
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import pytest

from miner.errors import FindingsError
from miner.findings.store import Findings
from miner.review.verdicts import VERDICTS_FILE, StaleVerdictError, VerdictStore, read_verdicts
from miner.schema import EVENTS
from tests.review.made import fill

EVENT = {"cylinder": 2, "time_s": 12.5, "kind": "late_feedback"}


@pytest.fixture
def store(tmp_path):
    return VerdictStore(tmp_path, "recording-a")


def _decide(store, verdict="fault", note="", seen=0, **changes):
    return store.decide(**{**EVENT, **changes}, verdict=verdict, note=note, seen_revision=seen)


def test_the_newest_decision_stands_and_older_ones_stay_on_file(store):
    first = _decide(store, "fault", "loose plug")
    second = _decide(store, "normal", "after all", seen=first.revision)
    assert [(d.verdict, d.note) for d in store.since()] == [("normal", "after all")]
    assert store.since(second.revision) == []
    with sqlite3.connect(store.path) as base:
        assert base.execute("SELECT note FROM decision ORDER BY revision").fetchall() == [
            ("loose plug",),
            ("after all",),
        ]
    base.close()


def test_a_second_window_that_saw_less_cannot_replace(store):
    first = _decide(store, "fault", "from window one")
    with pytest.raises(StaleVerdictError) as stale:
        _decide(store, "normal", seen=0)
    assert stale.value.newest == first
    assert [d.verdict for d in store.since()] == ["fault"]


def test_decisions_at_the_same_moment_all_stay_on_file(tmp_path):
    def decide(i: int) -> bool:
        try:
            _decide(VerdictStore(tmp_path, "recording-a"), note=str(i))
        except StaleVerdictError:
            return False
        return True

    with ThreadPoolExecutor(4) as pool:
        assert sum(pool.map(decide, range(12))) == 1, "only one of them had seen all"


def test_a_decision_outlives_a_killed_process(tmp_path):
    script = (
        "import os, sys; from miner.review.verdicts import VerdictStore;"
        f"VerdictStore(sys.argv[1], 'recording-a').decide(**{EVENT!r}, verdict='unsure', note='ü', seen_revision=0);"
        "os._exit(9)"
    )
    assert subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=False).returncode == 9
    assert [(d.verdict, d.note) for d in VerdictStore(tmp_path, "recording-a").since()] == [("unsure", "ü")]


def test_mining_again_finds_the_event_by_cylinder_and_time(store, tmp_path):
    Findings(tmp_path).write_json("recording.json", {"identity": "recording-a"})
    _decide(store, "fault", "seen twice")
    _decide(store, "normal", cylinder=3, time_s=99.0)
    again = [
        {"event_id": 70, "cylinder": 1, "time_s": 12.5001},
        {"event_id": 71, "cylinder": 2, "time_s": 12.5011},
        {"event_id": 72, "cylinder": 2, "time_s": 12.55},
    ]
    table = read_verdicts(tmp_path, events=fill(EVENTS, again))
    assert table["event_id"].to_pylist() == [71, None]
    assert table["note"].to_pylist() == ["seen twice", ""]
    moved = _decide(store, "normal", time_s=12.5011, seen=5)
    assert moved.time_s == 12.5, "it is still the same place"
    assert len(read_verdicts(tmp_path, events=fill(EVENTS, again))) == 2


def test_other_recordings_in_the_same_folder_are_left_alone(store, tmp_path):
    _decide(store)
    assert VerdictStore(tmp_path, "recording-b").since() == []


def test_a_decision_taken_back_is_no_row(store, tmp_path):
    first = _decide(store)
    _decide(store, "", seen=first.revision)
    assert len(read_verdicts(tmp_path, events=EVENTS.empty(), recording="recording-a")) == 0


def test_nothing_decided_is_an_empty_table_and_makes_no_file(tmp_path):
    assert read_verdicts(tmp_path).num_rows == 0
    assert VerdictStore(tmp_path, "x").since() == []
    assert not (tmp_path / VERDICTS_FILE).exists()


def test_a_damaged_file_is_an_error_with_a_remedy(store, tmp_path):
    (tmp_path / VERDICTS_FILE).write_bytes(b"no database" * 200)
    with pytest.raises(FindingsError, match="check that the folder"):
        store.since()


def test_a_verdict_that_is_none_is_refused_by_the_base_itself(store):
    with pytest.raises(FindingsError, match="CHECK constraint"):
        _decide(store, "perhaps")
