import shutil
import socket
import sqlite3

import pytest

from miner.errors import FindingsError
from miner.review.app import serve_review
from miner.review.guard import PAGE_POLICY
from miner.review.packing import unpack
from miner.review.verdicts import VERDICTS_FILE
from tests.review.made import NASTY, make_findings
from tests.review.serving import TOKEN, serving


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return make_findings(tmp_path_factory.mktemp("nasty"), duration_s=4.0, rate_hz=50_000.0, nasty_column=True)


@pytest.fixture
def client(folder, built_page):
    with serving(folder) as client:
        yield client


def _decide(client, headers=None, **changes):
    event_id = unpack(client.get("/api/open").content)[0]["suspects"][0]["event_id"]
    body = {"event_id": event_id, "verdict": "fault", "note": NASTY, "seen_revision": 0, **changes}
    given = {"origin": client.home, "x-review-token": TOKEN} if headers is None else headers
    return client.ask("POST", "/api/verdicts", body, given)


def test_every_answer_carries_the_strict_policy(client):
    for path in ("/", "/page.js", "/api/open", "/nothing-here"):
        headers = client.get(path).headers
        assert headers["content-security-policy"] == PAGE_POLICY
        assert headers["x-content-type-options"] == "nosniff"
    assert "default-src 'none'" in PAGE_POLICY
    assert "unsafe" not in PAGE_POLICY


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1:1", "127.0.0.1.evil.example:{port}", ""]
)
def test_foreign_hosts_are_refused(client, host):
    assert client.get("/api/open", headers={"host": host.format(port=client.port)}).status == 403


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1:{port}"])
def test_foreign_pages_are_refused(client, origin):
    origin = origin.format(port=client.port)
    assert client.get("/api/open", headers={"origin": origin}).status == 403
    assert _decide(client, {"origin": origin, "x-review-token": TOKEN}).status == 403


@pytest.mark.parametrize(
    "headers", [{}, {"origin": "{home}"}, {"origin": "{home}", "x-review-token": "guess"}, {"x-review-token": TOKEN}]
)
def test_a_write_needs_origin_and_token(client, headers):
    given = {name: value.format(home=client.home) for name, value in headers.items()}
    before = client.get("/api/verdicts?since=0").json()
    assert _decide(client, given).status == 403
    assert client.get("/api/verdicts?since=0").json() == before


def test_the_page_gets_the_token(client):
    assert TOKEN in client.ask("GET", client.address.removeprefix(client.home)).text
    assert TOKEN.encode() not in client.get("/api/open").content


@pytest.mark.parametrize("headers", [{}, {"x-review-token": ""}, {"x-review-token": "guess"}])
@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/?token=",
        "/?token=guess",
        "/api/open",
        "/api/figures",
        "/api/verdicts?since=0",
        f"/api/open?token={TOKEN}",
    ],
)
def test_a_read_needs_the_token_too(client, path, headers):
    answer = client.ask("GET", path, headers=headers)
    assert answer.status == 403
    assert "open the one that it printed" in answer.text
    assert TOKEN not in answer.text


def test_script_and_style_are_the_same_for_everybody(client):
    for path in ("/page.js", "/page.css"):
        assert client.ask("GET", path).status == 200
        assert TOKEN not in client.ask("GET", path).text


@pytest.mark.parametrize(
    "path",
    [
        "/../summary.json",
        "/%2e%2e/recording.json",
        "/page.js/../../app.py",
        "/static/page.js",
        "/etc/passwd",
        "//etc/passwd",
        "/verdicts.sqlite",
        "/..%5csummary.json",
    ],
)
def test_no_file_can_be_asked_for_by_name(client, path):
    assert client.get(path).status == 404


def test_a_decision_is_saved_and_told_to_others(client):
    saved = _decide(client)
    assert saved.status == 200
    news = client.get("/api/verdicts?since=0").json()
    assert [(v["verdict"], v["note"]) for v in news["verdicts"]] == [("fault", NASTY)]
    stale = _decide(client, verdict="normal")
    assert stale.status == 409
    assert stale.json()["newest"]["verdict"] == "fault"
    assert _decide(client, verdict="", note="", seen_revision=saved.json()["revision"]).status == 200


@pytest.mark.parametrize(
    "changes",
    [
        {"verdict": "perhaps"},
        {"event_id": 10**9},
        {"event_id": "1"},
        {"note": "x" * 4001},
        {"note": None},
        {"note": "\ud800"},
        {"event_id": True},
        {"seen_revision": None},
        {"seen_revision": False},
    ],
)
def test_decisions_that_make_no_sense_are_refused(client, changes):
    answer = _decide(client, **changes)
    assert answer.status == 400
    assert answer.json()["error"]


@pytest.mark.parametrize(
    "query",
    [
        "view", "view?start=0", "view?start=a&stop=1&pixels=9", "view?start=nan&stop=1&pixels=9",
        "view?start=0&stop=inf&pixels=9", "view?start=1e308&stop=1e308&pixels=9", "verdicts?since=1e19",
        "verdicts?since=1e308", "usual?cylinder=1e300", "usual?rpm=-1e308",
    ],
)  # fmt: skip
def test_numbers_that_make_no_sense_are_refused(client, query):
    answer = client.get(f"/api/{query}")
    assert answer.status == 400
    assert "must be a number" in answer.json()["error"]


@pytest.mark.parametrize("body", [b"[" * 30_000, b'{"a":' * 10_000, b"1" * 5000, b"\xff", b""])
def test_bodies_that_are_no_decision_are_refused(client, body):
    headers = {"origin": client.home, "x-review-token": TOKEN}
    answer = client.send("POST", "/api/verdicts", body, headers)
    assert answer.status == 400
    assert answer.json()["error"] == "what was sent is no decision that can be read"


def test_a_view_brings_its_events(client):
    header, arrays = unpack(client.get("/api/view?start=1&stop=1.2&pixels=700").content)
    times = [event["time_s"] for event in header["events"]]
    assert any(1 <= t <= 1.2 for t in times)
    assert sorted(times) == times
    assert {f"lead_{i}" for i in range(4)} < set(arrays)
    far, _ = unpack(client.get("/api/view?start=0&stop=4&pixels=700").content)
    assert far["events"] is None or len(far["events"]) <= 242


def test_names_travel_as_they_are_and_never_as_markup(client):
    answer = client.get("/api/open")
    assert answer.headers["content-type"] == "application/octet-stream"
    assert unpack(answer.content)[0]["leads"][0]["column"] == NASTY


def test_the_usual_pulse_lies_between_its_quantiles(client):
    header, arrays = unpack(client.get("/api/usual?cylinder=1&rpm=1600").content)
    assert header["found"]
    assert header["n_events"] >= 12
    for lead in header["leads"]:
        low, median, high = (arrays[f"{name}_{lead}"] for name in ("low", "median", "high"))
        assert (low <= median).all()
        assert (median <= high).all()
    assert not unpack(client.get("/api/usual?cylinder=9").content)[0]["found"]


def test_a_port_in_use_is_one_sentence(folder, built_page):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(FindingsError, match="choose another with --port"):
            serve_review(folder, port=taken.getsockname()[1], open_browser=False)


def test_damaged_decisions_are_told_and_all_else_is_shown(findings, tmp_path, built_page):
    folder = shutil.copytree(findings, tmp_path / "findings")
    with serving(folder) as client:
        assert _decide(client).status == 200
        path = folder / VERDICTS_FILE
        with sqlite3.connect(path) as base:
            base.execute("UPDATE decision SET verdict = 'normal'")
        base.close()
        opened = unpack(client.get("/api/open").content)[0]
        assert opened["verdicts"] == []
        assert "is damaged and not shown; decide about it again" in opened["damaged_verdicts"][0]
        for beside in folder.glob(f"{VERDICTS_FILE}*"):
            beside.unlink()
        path.write_bytes(b"no database" * 200)
        opened = unpack(client.get("/api/open").content)[0]
        assert len(opened["suspects"]) > 0
        assert "the decisions cannot be read" in opened["damaged_verdicts"][0]
