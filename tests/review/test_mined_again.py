"""The folder is mined again while the review is open: nothing is stored at another event."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from miner.errors import FindingsError
from miner.findings.store import SUMMARY, Findings
from miner.findings.whole import contents_of
from miner.review.packing import unpack
from miner.review.source import ReviewSource
from miner.review.tables import TRACKS
from miner.review.verdicts import VerdictStore
from miner.schema import EVENTS, INCIDENTS, SUSPECTS
from tests.review.serving import TOKEN, Client, serving


@pytest.fixture
def folder(findings: Path, tmp_path: Path) -> Path:
    copied = Path(shutil.copytree(findings, tmp_path / "findings"))
    seal(copied)
    return copied


def seal(folder: Path) -> None:
    kept = Findings(folder)
    kept.write_json(SUMMARY, {**kept.summary(), "files": contents_of(folder)})


def mine_again(folder: Path, *, drop: int = 7) -> None:
    """Publish findings whose first events are missing, so that every event has another number."""
    new = folder / ".half-done-x" / "findings"
    shutil.copytree(folder, new, ignore=shutil.ignore_patterns(".*", "verdicts*"))
    made = Findings(new)
    events = made.read_table(EVENTS).slice(drop)
    numbers = pa.array(range(events.num_rows), pa.int64())
    made.write_table(EVENTS, events.set_column(0, EVENTS.schema.field(0), numbers))
    suspects = made.read_table(SUSPECTS)
    place = suspects.schema.get_field_index("event_id")
    moved = pa.array([max(i - drop, 0) for i in suspects["event_id"].to_pylist()], pa.int64())
    made.write_table(SUSPECTS, suspects.set_column(place, SUSPECTS.schema.field(place), moved))
    seal(new)
    Findings(folder).publish(new)


def decide(client: Client, event_id: int, **more: Any) -> Any:
    body = {"event_id": event_id, "verdict": "fault", "note": "", "seen_revision": 0, **more}
    headers = {"x-review-token": TOKEN, "origin": client.home, "content-type": "application/json"}
    return client.ask("POST", "/api/verdicts", body, headers)


def generation(client: Client) -> str:
    return str(unpack(client.get("/api/open").content)[0]["generation"])


def stored(folder: Path) -> list[float]:
    return [one.time_s for one in VerdictStore(folder, ReviewSource(folder).info["identity"]).since()]


def test_no_decision_lands_at_another_event(folder: Path, built_page: object) -> None:
    before = Findings(folder).read_table(EVENTS)
    with serving(folder) as client:
        shown = generation(client)
        assert decide(client, 20, generation=shown).status == 200
        mine_again(folder)
        for event_id in (20, 21, 40):
            for said in ({"generation": shown}, {}):
                answer = decide(client, event_id, **said)
                assert answer.status == 410
                assert "mined again" in answer.json()["error"]
        for path in ("/api/open", "/api/view?start=0&stop=1&pixels=300", "/api/verdicts?since=0", "/api/figures"):
            assert client.get(path).status == 410
        assert stored(folder) == [before["time_s"][20].as_py()]
        # the page is loaded anew: it shows the new findings, and only its own decisions count
        assert client.get("/").status == 200
        fresh = generation(client)
        assert fresh != shown
        assert decide(client, 30, generation=shown).status == 410
        assert decide(client, 30, generation=fresh).status == 200
        assert client.get("/api/usual?rpm=1000", {"x-findings-generation": shown}).status == 410
        assert stored(folder) == [before["time_s"][20].as_py(), before["time_s"][37].as_py()]


def test_mined_again_with_the_same_result_goes_on(folder: Path, built_page: object) -> None:
    with serving(folder) as client:
        shown = generation(client)
        again = folder / ".half-done-x" / "findings"
        shutil.copytree(folder, again, ignore=shutil.ignore_patterns(".*", "verdicts*"))
        Findings(folder).publish(again)
        assert decide(client, 20, generation=shown).status == 200


def test_damaged_tables_are_told(folder: Path) -> None:
    path = Findings(folder).path_of(TRACKS)
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    source = ReviewSource(folder)
    assert any("tracks.parquet is damaged" in sentence for sentence in source.missing)
    assert list(source.track_pieces()) == []
    Findings(folder).path_of(INCIDENTS).unlink()
    with pytest.raises(FindingsError, match=r"incidents\.parquet: the file is missing or not as it was written"):
        ReviewSource(folder)
