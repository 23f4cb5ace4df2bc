import sqlite3
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import pytest

from miner.errors import FindingsError
from miner.findings.store import Findings
from miner.review.verdicts import (
    DECIDED_FILE,
    VERDICTS_FILE,
    StaleVerdictError,
    VerdictStore,
    damaged_verdicts,
    read_verdicts,
)
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


def test_a_base_that_is_gone_is_named_until_its_mark_is_taken_away(store, tmp_path):
    _decide(store)
    for path in tmp_path.glob(f"{VERDICTS_FILE}*"):
        if path.name != DECIDED_FILE:
            path.unlink()
    (told,) = damaged_verdicts(tmp_path, recording="recording-a")
    assert f"{VERDICTS_FILE}: it is not there any more" in told
    assert read_verdicts(tmp_path, events=EVENTS.empty(), recording="recording-a").num_rows == 0
    (tmp_path / DECIDED_FILE).unlink()
    assert damaged_verdicts(tmp_path, recording="recording-a") == []


def test_a_decision_is_kept_where_its_mark_cannot_be(store, tmp_path):
    (tmp_path / DECIDED_FILE).symlink_to(tmp_path / "nowhere" / "mark")
    _decide(store)
    assert len(store.since()) == 1


def test_a_damaged_file_is_an_error_with_a_remedy(store, tmp_path):
    (tmp_path / VERDICTS_FILE).write_bytes(b"no database" * 200)
    with pytest.raises(FindingsError, match="check that the folder"):
        store.since()


def test_a_verdict_that_is_none_is_refused_by_the_base_itself(store):
    with pytest.raises(FindingsError, match="CHECK constraint"):
        _decide(store, "perhaps")


FIRST_SCHEMA = """
CREATE TABLE decision (
    revision INTEGER PRIMARY KEY AUTOINCREMENT, recording TEXT NOT NULL, cylinder INTEGER, time_s REAL NOT NULL,
    kind TEXT NOT NULL, verdict TEXT NOT NULL CHECK (verdict IN ('', 'fault', 'normal', 'unsure')),
    note TEXT NOT NULL, decided_at TEXT NOT NULL
);
CREATE INDEX decision_place ON decision (recording, time_s);
"""


def _change(store, what, *values):
    with sqlite3.connect(store.path) as base:
        base.execute(what, values)
    base.close()


def test_an_empty_base_of_an_earlier_version_takes_decisions(store):
    base = sqlite3.connect(store.path)
    base.executescript(FIRST_SCHEMA)
    base.close()
    assert store.read() == ([], [])
    _decide(store)
    assert [d.verdict for d in store.since()] == ["fault"]


def test_a_base_of_an_earlier_version_keeps_every_decision_and_gets_digests(store):
    base = sqlite3.connect(store.path)
    base.executescript(FIRST_SCHEMA)
    for i in range(30):
        base.execute(
            "INSERT INTO decision VALUES (?, 'recording-a', ?, ?, 'late_feedback', 'normal', ?, '2026-05-04')",
            (i + 1, [2, None][i % 2], i // 3 * 1.5, f"Nr. {i} ä"),
        )
    base.commit()
    base.close()
    assert [d.note for d in store.since()] == [f"Nr. {i} ä" for i in range(30) if i % 6 in (1, 2, 4, 5)]
    assert store.read()[1] == []
    _change(store, "UPDATE decision SET note = 'another' WHERE revision = 30")
    decided, damage = store.read()
    assert 30 not in {d.revision for d in decided}
    assert len(damage) == 1
    assert [d.revision for d in decided] == [r for r in range(1, 30) if (r - 1) % 6 in (1, 2, 4, 5)]


def test_a_damaged_decision_is_named_until_it_is_decided_again_and_the_others_are_shown(store, tmp_path):
    first = _decide(store, "normal", "at first")
    _decide(store, "fault", "loose plug", seen=first.revision)
    _decide(store, "unsure", cylinder=3, time_s=99.0)
    _change(store, "UPDATE decision SET verdict = 'normal' WHERE revision = 2")
    decided, damage = store.read()
    assert [d.verdict for d in decided] == ["unsure"], "nor is the one that the damaged one had replaced"
    (sentence,) = damage
    assert sentence == (
        f"{store.path}: decision 2 about cylinder 2 at 0:00:12.500 is damaged and not shown;"
        " decide about it again in the review."
    )
    assert damaged_verdicts(tmp_path, recording="recording-a") == damage
    _decide(store, "fault", "loose plug", seen=0)
    decided, damage = store.read()
    assert sorted(d.verdict for d in decided) == ["fault", "unsure"]
    assert damage == []


def test_a_decision_whose_place_is_damaged_hides_what_it_had_replaced(store):
    first = _decide(store, "normal")
    _decide(store, "fault", seen=first.revision)
    _change(store, "UPDATE decision SET time_s = 812.5 WHERE revision = 2")
    decided, damage = store.read()
    assert (decided, len(damage)) == ([], 1)


@pytest.mark.parametrize("lost", [1, 3])
def test_a_lost_decision_is_named(store, lost):
    for i in range(3):
        _decide(store, "fault", time_s=20.0 * i)
    _change(store, "DELETE FROM decision WHERE revision = ?", lost)
    decided, (sentence,) = store.read()
    assert [d.revision for d in decided] == [r for r in (1, 2, 3) if r != lost]
    assert f"decision {lost} is lost" in sentence


def test_many_damaged_decisions_are_not_named_one_by_one(store):
    for i in range(40):
        _decide(store, "fault", time_s=20.0 * i)
    _change(store, "UPDATE decision SET note = 'x', kind = ?, time_s = 1e300", "late" * 200)
    _change(store, "UPDATE sqlite_sequence SET seq = 1 << 60")
    decided, damage = store.read()
    assert decided == []
    assert len(damage) == 6
    assert max(map(len, damage)) <= 300


def test_an_emptied_base_is_named_and_takes_decisions_again(store):
    _decide(store)
    for path in store.path.parent.glob("*"):
        path.write_bytes(b"")
    decided, (sentence,) = store.read()
    assert decided == []
    assert "it is empty, what was decided is lost" in sentence
    assert store.path.read_bytes() == b"", "looking writes nothing"
    _decide(store)
    assert [len(part) for part in store.read()] == [1, 0]
