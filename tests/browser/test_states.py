import json
import re
import shutil
import subprocess

import pytest
from playwright.sync_api import expect

from miner.review.report import MAX_REPORT_BYTES, write_report
from miner.review.source import ReviewSource
from tests.review.made import NASTY, make_findings
from tests.review.serving import TOKEN, serving


def test_names_that_are_markup_stay_text(open_page, tmp_path):
    folder = make_findings(tmp_path, duration_s=3.0, rate_hz=50_000.0, nasty_column=True)
    with serving(folder) as client:
        page = open_page(client.address)
        asked = []
        page.on("dialog", lambda dialog: asked.append(dialog.message))
        page.keyboard.press("1")
        expect(page.locator("h1")).to_contain_text(NASTY)
        expect(page.locator(".readout")).to_contain_text(NASTY)
        page.keyboard.press("m")
        page.keyboard.type(NASTY)
        page.keyboard.press("Control+Enter")
        expect(page.locator(".saved")).to_contain_text("Saved 20")
        page.reload()
        page.wait_for_selector("#zoom[data-drawn]")
        expect(page.locator("#note")).to_have_value(NASTY)
        assert page.locator("img").count() == 0
        assert asked == []
        page.close()
    frozen = open_page(write_report(folder).as_uri())
    expect(frozen.locator("h1")).to_contain_text(NASTY)
    assert frozen.locator("img").count() == 0


def test_the_policy_stops_what_is_not_the_page_itself(page, complaints):
    ran = page.evaluate(
        """() => { const s = document.createElement('script'); s.textContent = 'window.ran = true';
        document.body.append(s); return window.ran === true; }"""
    )
    assert not ran
    page.wait_for_timeout(100)
    assert any("policy violation: script-src" in text for text in complaints), "the tests would see a violation"
    complaints.clear()


def test_a_healthy_recording_is_an_empty_list_and_leads_to_look_at(open_page, tmp_path):
    folder = make_findings(tmp_path, duration_s=3.0, rate_hz=50_000.0, healthy=True)
    with serving(folder) as client:
        page = open_page(client.address)
        expect(page.locator("#list")).to_contain_text("Nothing suspicious was found")
        expect(page.locator("#detail")).to_contain_text("Choose a suspect")
        page.keyboard.press("j")
        page.keyboard.press("f")
        expect(page.locator(".zoom-status")).to_contain_text("3.00\u202fs")
        page.close()


def test_loading_and_errors_are_said(server, context, complaints):
    page = context.new_page()
    page.route(
        "**/api/open", lambda route: route.fulfill(status=500, json={"error": "the table cannot be read; mine again."})
    )
    page.goto(server.address)
    expect(page.locator("[role=alert]")).to_have_text(
        "The findings cannot be shown: the table cannot be read; mine again."
    )
    held = context.new_page()
    held.route("**/api/open", lambda _route: None)
    held.goto(server.address)
    expect(held.locator("[role=status]")).to_contain_text("Loading the findings")
    complaints[:] = [c for c in complaints if "500" not in c]


def test_a_server_that_ended_is_said_in_words(made, context, complaints, open_page, tmp_path):
    folder = shutil.copytree(made, tmp_path / "findings")
    with serving(folder) as client:
        page = open_page(client.address)
    page.keyboard.press("f")
    expect(page.locator(".message")).to_contain_text("The review server does not answer")
    page.close()  # it goes on asking, and would complain after the next line
    complaints[:] = [c for c in complaints if "ERR_CONNECTION" not in c]


def test_a_moved_recording_leaves_a_page_that_says_what_is_missing(folder, open_page):
    info = json.loads((folder / "recording.json").read_text())
    (folder / "recording.json").write_text(json.dumps({**info, "path": "/nowhere/moved.parquet"}))
    with serving(folder) as client:
        page = open_page(client.address)
        expect(page.locator(".missing")).to_contain_text("no longer at /nowhere/moved.parquet")
        expect(page.locator(".zoom-status")).to_contain_text("true samples (the recording is missing)")
        page.keyboard.press("h")
        expect(page.locator(".zoom-status")).to_contain_text("smallest and largest")
        page.close()


@pytest.fixture
def offline(browser, complaints):
    context = browser.new_context(viewport={"width": 1366, "height": 768}, offline=True)
    asked = []
    context.on("request", lambda request: asked.append(request.url))
    context.on("console", lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None)
    context.on("weberror", lambda e: complaints.append(str(e.error)))
    yield context, asked
    context.close()
    assert complaints == []


def test_the_report_opens_offline_from_one_file(folder, offline, tmp_path, server):
    server.ask("GET", "/")
    path = write_report(folder)
    assert path.stat().st_size < MAX_REPORT_BYTES < 3_000_000
    alone = shutil.copy(path, tmp_path / "attached report.html")
    context, asked = offline
    page = context.new_page()
    page.goto(alone.as_uri())
    page.wait_for_selector("#zoom[data-drawn]")
    expect(page.locator("#detail h2")).to_contain_text("No. 1")
    expect(page.locator(".zoom-status")).to_contain_text("true samples")
    expect(page.locator(".zoom-status")).to_contain_text("usual pulse")
    expect(page.locator(".caution")).to_contain_text("Evidence, not a verdict")
    for _ in range(3):
        page.keyboard.press("j")
    expect(page.locator("#detail h2")).to_contain_text("No. 4")
    expect(page.locator(".zoom-status")).to_contain_text("true samples")
    page.keyboard.press("w")
    expect(page.locator(".zoom-status")).to_contain_text("110\u202fms · smallest and largest of each 120\u202fµs")
    page.keyboard.press("h")
    expect(page.locator(".zoom-status")).to_contain_text("smallest and largest of each")
    page.keyboard.press("g")
    expect(page.locator(".figures h2")).to_have_count(7)
    assert page.locator("button.judge").count() == 0, "nothing looks alive that is not"
    assert page.locator("#note").count() == 0
    expect(page.locator(".decide")).to_contain_text("no verdict")
    assert page.title() == "test bench · drive.parquet"
    assert {url.split(":")[0] for url in asked} == {"file"}
    assert len(asked) == 1


def test_a_frozen_page_tells_the_verdicts_and_notes_of_its_day(folder, open_page, server):
    token = {"x-review-token": TOKEN, "origin": server.home, "content-type": "application/json"}
    ids = ReviewSource(folder).suspects["event_id"].to_pylist()
    decided = {"event_id": ids[0], "verdict": "fault", "note": "plug <b>loose</b>", "seen_revision": 0}
    assert server.ask("POST", "/api/verdicts", decided, token).status == 200
    page = open_page(write_report(folder).as_uri())
    expect(page.locator(".decide")).to_contain_text("▲ fault")
    expect(page.locator(".decide")).to_contain_text("plug <b>loose</b>")
    for key in ("f", "n", "u", "m"):
        page.keyboard.press(key)
    expect(page.locator(".message")).to_be_hidden()


def test_a_link_to_one_event_opens_that_event(folder, open_page):
    third = ReviewSource(folder).suspects["event_id"].to_pylist()[2]
    page = open_page(f"{write_report(folder).as_uri()}#event-{third}")
    expect(page.locator("#detail h2")).to_contain_text("No. 3")
    expect(page.locator(".suspect[aria-current=true]")).to_have_attribute("data-event", str(third))


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext (Debian package poppler-utils)")
def test_paper_loses_no_suspect_and_shows_the_leads_of_the_worst(page, tmp_path):
    suspects = page.locator(".suspect").count()
    page.wait_for_selector(".offstage canvas", state="attached", timeout=30_000)
    page.evaluate("window.print = () => {}")
    page.keyboard.press("p")
    page.wait_for_timeout(1500)
    page.pdf(path=tmp_path / "page.pdf", prefer_css_page_size=True)
    subprocess.run(["pdftotext", "-layout", tmp_path / "page.pdf", tmp_path / "page.txt"], check=True, timeout=60)
    text = (tmp_path / "page.txt").read_text()
    ranks = {int(number) for number in re.findall(r"^ *(\d+) +(?:absent|late) feedback", text, re.MULTILINE)}
    assert ranks == set(range(1, suspects + 1))
    assert len(re.findall(r"No\. \d+: ", text)) >= 1 + min(12, suspects)
    assert page.evaluate("document.querySelector('.review').firstElementChild.className") == "left", "put back"


def test_the_page_prints_its_list_leads_and_words(page, tmp_path):
    page.emulate_media(media="print")
    assert page.locator("nav").is_hidden()
    assert page.locator(".filters").is_hidden()
    assert page.locator("#list").is_visible()
    assert page.locator(".words").is_visible()
    assert page.locator(".caution").is_visible()
    assert len(page.pdf(prefer_css_page_size=True)) > 20_000


def test_a_phone_begins_with_the_picture_and_comes_back_to_it(server, context):
    page = context.new_page()
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(server.address)
    page.wait_for_selector("#zoom[data-drawn]")
    page.wait_for_timeout(300)
    assert page.evaluate("scrollY") == 0
    page.locator(".suspect").nth(2).click()
    expect(page.locator("#zoom")).to_be_in_viewport(ratio=0.9)
