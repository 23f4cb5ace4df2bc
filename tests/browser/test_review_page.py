import re
import sqlite3

import pytest
from playwright.sync_api import Page, expect

from miner.review.verdicts import VERDICTS_FILE, read_verdicts

CHOSEN = ".suspect[aria-current=true]"


def span_s(page: Page) -> float:
    """Width of the view as the page tells it, in seconds."""
    text = page.locator(".zoom-status").inner_text()
    number, unit = re.match(r"([\d.]+)\u202f(ns|µs|ms|s|min)", text).groups()
    return float(number) * {"ns": 1e-9, "µs": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0}[unit]


def drawn(page: Page) -> int:
    return int(page.locator("#zoom").get_attribute("data-drawn"))


def after_drawing(page: Page, act) -> None:
    """Do something and wait until the leads were drawn anew; a sharper picture that was on its way comes first."""
    before = drawn(page)
    while page.wait_for_timeout(150) or drawn(page) != before:
        before = drawn(page)
    act()
    expect(page.locator("#zoom")).not_to_have_attribute("data-drawn", str(before))
    page.wait_for_timeout(60)


def ink(page: Page) -> int:
    """Pixels of the leads' canvas that are neither paper nor empty."""
    return page.evaluate(
        """() => { const c = document.querySelector('#zoom canvas');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        let n = 0; for (let i = 0; i < d.length; i += 4) if (d[i + 3] > 200 && d[i] + d[i + 1] + d[i + 2] < 500) n++;
        return n; }"""
    )


def test_the_worst_suspect_is_shown_first_with_its_reason_and_its_leads(page):
    expect(page.locator(CHOSEN)).to_contain_text("absent feedback")
    expect(page.locator("#detail h2")).to_contain_text("No. 1: absent feedback, cyl 1")
    expect(page.locator("#detail .reason")).to_contain_text("where 692 us is usual; <b>bold</b>")
    expect(page.locator(".caution")).to_contain_text("Evidence, not a verdict to buy parts on")
    expect(page.locator(".caution")).to_contain_text("high voltage")
    expect(page.locator(".zoom-status")).to_contain_text("true samples")
    expect(page.locator(".zoom-status")).to_contain_text("usual pulse (median of 32 healthy events")
    assert ink(page) > 3000


def test_filters_narrow_the_list_and_say_when_nothing_passes(page):
    everything = page.locator(".suspect").count()
    page.select_option("#filter-kind", "late_feedback")
    late = page.locator(".suspect").count()
    assert 0 < late < everything
    assert set(page.locator(".suspect .kind").all_inner_texts()) == {"late feedback"}
    page.select_option("#filter-cylinder", "2")
    expect(page.locator("#list")).to_contain_text("No suspect passes these filters")
    page.select_option("#filter-cylinder", "")
    page.select_option("#filter-kind", "")
    page.select_option("#filter-rate", "0.1")
    expect(page.locator(".count")).to_have_text(f"5 of {everything} suspects")
    expect(page.locator(".incident").first).to_contain_text("absent feedback over the whole drive")
    page.uncheck("#grouped")
    expect(page.locator(".incident")).to_have_count(0)


def test_stepping_shows_the_next_suspect_and_its_place_on_the_map(page):
    first = page.locator(CHOSEN).get_attribute("data-event")
    after_drawing(page, lambda: page.keyboard.press("j"))
    assert page.locator(CHOSEN).get_attribute("data-event") != first
    expect(page.locator("#detail h2")).to_contain_text("No. 2")
    after_drawing(page, lambda: page.keyboard.press("k"))
    assert page.locator(CHOSEN).get_attribute("data-event") == first


def test_zoom_by_keys_wheel_and_box_from_the_whole_recording_to_a_microsecond(page):
    after_drawing(page, lambda: page.keyboard.press("h"))
    assert span_s(page) == pytest.approx(10.0, rel=0.01)
    over = page.locator("#zoom .u-over")
    box = over.bounding_box()
    after_drawing(page, lambda: page.mouse.move(box["x"] + 300, box["y"] + 50) or page.mouse.wheel(0, -300))
    assert span_s(page) == pytest.approx(10.0 / 1.35, rel=0.01)
    page.keyboard.press("b")
    page.mouse.move(box["x"] + 100, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 200, box["y"] + 80, steps=4)
    after_drawing(page, page.mouse.up)
    assert span_s(page) == pytest.approx(10.0 / 1.35 * 100 / box["width"], rel=0.02)
    page.keyboard.press("b")
    for _ in range(40):
        page.keyboard.press("+")
    page.wait_for_timeout(400)
    assert span_s(page) <= 1.01e-6
    after_drawing(page, lambda: page.keyboard.press("s"))
    assert 1e-3 < span_s(page) < 0.02
    after_drawing(page, lambda: page.keyboard.press("w"))
    assert span_s(page) == pytest.approx(0.11, rel=0.02)


def test_dragging_moves_the_picture_under_the_pointer(page):
    over = page.locator("#zoom .u-over").bounding_box()
    page.keyboard.press("1")
    before = page.locator(".mark-A").bounding_box()["x"]
    page.mouse.move(over["x"] + 300, over["y"] + 40)
    page.mouse.down()
    page.mouse.move(over["x"] + 350, over["y"] + 40, steps=5)
    page.mouse.up()  # the last move may be drawn before or after this
    page.wait_for_function(
        "x => Math.abs(document.querySelector('.mark-A').getBoundingClientRect().x - x) <= 1.5", arg=before + 50
    )
    assert page.locator(".mark-A").bounding_box()["x"] - before == pytest.approx(50, abs=1.5)


def test_marks_read_time_and_voltage_differences(page):
    over = page.locator("#zoom .u-over").bounding_box()
    width_s = span_s(page)
    for key, x in (("1", 100), ("2", 300)):
        page.mouse.move(over["x"] + x, over["y"] + 40)
        page.keyboard.press(key)
    delta = page.locator(".readout .delta").inner_text()
    number, unit = re.search(r"([\d.]+)\u202f(µs|ms)", delta).groups()
    seconds = float(number) * {"µs": 1e-6, "ms": 1e-3}[unit]
    assert seconds == pytest.approx(200 / over["width"] * width_s, rel=0.02)
    volts = page.locator(".readout .volts").first.inner_text()
    low, high, difference = (float(v) for v in re.findall(r"(-?[\d.]+)\u202fV", volts))
    assert low == pytest.approx(0.0, abs=0.2)
    assert high == pytest.approx(5.0, abs=0.2)
    assert difference == pytest.approx(high - low, abs=0.002)
    page.locator(".mark-B").focus()
    before = float(page.locator(".mark-B").get_attribute("aria-valuenow"))
    page.keyboard.press("Alt+ArrowRight")
    moved = float(page.locator(".mark-B").get_attribute("aria-valuenow")) - before
    assert moved == pytest.approx(1e-5, abs=2e-9), "one sample"
    page.keyboard.press("x")
    expect(page.locator(".mark-A")).to_be_hidden()


def test_a_verdict_is_saved_at_once_and_is_there_after_a_reload(page, folder):
    page.keyboard.press("f")
    expect(page.locator(f"{CHOSEN} .verdict")).to_have_text("▲ fault")
    page.keyboard.press("m")
    page.keyboard.type("loose plug <i>on 1</i>")
    page.keyboard.press("Control+Enter")
    expect(page.locator(".saved")).to_contain_text("Saved 20")
    expect(page.locator("#note")).not_to_be_focused()
    page.wait_for_timeout(200)
    table = read_verdicts(folder).to_pylist()
    assert [(v["verdict"], v["note"]) for v in table] == [("fault", "loose plug <i>on 1</i>")]
    page.reload()
    page.wait_for_selector("#zoom[data-drawn]")
    expect(page.locator(f"{CHOSEN} .verdict")).to_have_text("▲ fault")
    assert page.locator("#note").input_value() == "loose plug <i>on 1</i>"
    page.select_option("#filter-verdict", "fault")
    expect(page.locator(".suspect")).to_have_count(1)


def test_two_windows_agree_and_neither_loses_a_decision(server, open_page, folder):
    one, two = open_page(server.address), open_page(server.address)
    one.keyboard.press("n")
    expect(two.locator(f"{CHOSEN} .verdict")).to_have_text("○ normal", timeout=6000)
    two.keyboard.press("u")
    expect(one.locator(f"{CHOSEN} .verdict")).to_have_text("? unsure", timeout=6000)
    with sqlite3.connect(folder / VERDICTS_FILE) as base:
        assert [v for (v,) in base.execute("SELECT verdict FROM decision ORDER BY revision")] == ["normal", "unsure"]
    base.close()


def test_a_window_that_saw_less_is_told_and_does_not_replace(server, open_page, context, complaints):
    late = open_page(server.address)
    late.route("**/api/verdicts?*", lambda route: route.fulfill(json={"verdicts": [], "revision": 0}))
    other = open_page(server.address)
    other.keyboard.press("f")
    expect(other.locator(f"{CHOSEN} .verdict")).to_have_text("▲ fault")
    late.keyboard.press("n")
    expect(late.locator(".message")).to_contain_text("another window decided 'fault'")
    expect(late.locator(f"{CHOSEN} .verdict")).to_have_text("▲ fault")
    complaints[:] = [c for c in complaints if "409" not in c]


def test_everything_can_be_done_by_keyboard_alone(page):
    page.keyboard.press("?")
    expect(page.locator("#help")).to_be_visible()
    expect(page.locator("#help")).to_contain_text("your verdict: fault")
    page.keyboard.press("Escape")
    expect(page.locator("#help")).to_be_hidden()
    page.keyboard.press("c")
    assert page.evaluate("document.activeElement.id") == "filter-cylinder"
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
    assert outline == "3px", "the focus can be seen"
    reached = set()
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id || document.activeElement.className.split(' ')[0]"))
    assert {
        "filter-kind",
        "filter-verdict",
        "filter-rate",
        "grouped",
        "suspect",
        "map",
        "zoom",
        "judge",
        "note",
    } <= reached
    page.keyboard.press("Escape")
    page.evaluate("document.activeElement.blur()")
    for key in ("ArrowDown", "1", "2", "a", "g", "g", "n"):
        page.keyboard.press(key)
    expect(page.locator(f"{CHOSEN} .verdict")).to_have_text("○ normal")


def test_the_map_goes_where_it_is_clicked(page):
    canvas = page.locator("#map").bounding_box()
    page.mouse.click(canvas["x"] + 0.75 * canvas["width"], canvas["y"] + 60)
    expect(page.locator(".zoom-status")).to_contain_text(re.compile(r"0 = 0:00:0[78]\.\d+"))


def test_the_statistics_are_drawn(page):
    page.keyboard.press("g")
    expect(page.locator(".figures h2")).to_have_count(7)
    expect(page.locator(".figures")).to_contain_text("Cylinder 4: later than the others.")
    expect(page.locator(".sensitivity")).to_contain_text("a single one")
    expect(page.locator(".sensitivity")).to_contain_text("12\u202f%")
    expect(page.locator(".figures")).to_contain_text("not measured on cylinders 2, 4: no command lead there")
    blank = page.evaluate(
        """() => [...document.querySelectorAll('.chart-canvas')].filter(c => {
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        return !d.some((v, i) => i % 4 === 3 && v > 0); }).length"""
    )
    assert blank == 0


def test_everything_fits_at_1366_by_768(page):
    wide = page.evaluate(
        "document.documentElement.scrollWidth > innerWidth || document.documentElement.scrollHeight > innerHeight"
    )
    assert not wide
    small = page.evaluate(
        """() => [...document.querySelectorAll('#page *')].filter(e => e.childElementCount === 0 && e.textContent.trim()
        && parseFloat(getComputedStyle(e).fontSize) < 11).map(e => e.className)"""
    )
    assert small == []


def test_the_filters_do_not_trap_the_keyboard(page):
    page.keyboard.press("c")
    first = page.locator(CHOSEN).get_attribute("data-event")
    page.keyboard.press("j")
    assert page.locator(CHOSEN).get_attribute("data-event") != first, "letters go to the page"
    page.keyboard.press("c")
    assert page.evaluate("document.activeElement.id") == "filter-kind", "C goes from filter to filter"
    page.keyboard.press("ArrowDown")
    assert page.locator("#filter-kind").input_value() != "", "arrows set the filter"
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.id") == "zoom"


def test_nothing_moves_when_a_verdict_is_saved(page):
    before = page.locator("#zoom").bounding_box(), page.locator("#list").bounding_box()
    page.keyboard.press("f")
    expect(page.locator(".saved")).to_contain_text("Saved 20")
    expect(page.locator(".message")).to_be_hidden()
    assert (page.locator("#zoom").bounding_box(), page.locator("#list").bounding_box()) == before


def test_the_sheet_of_keys_covers_none_of_its_words(page):
    for height in (768, 420):
        page.set_viewport_size({"width": 1366, "height": height})
        page.keyboard.press("?")
        button, last = (page.locator(f"#help {name}").bounding_box() for name in ("button", "p"))
        assert last["y"] + last["height"] <= button["y"]
        page.keyboard.press("Escape")


def test_the_tab_is_named_after_the_vehicle_and_the_recording(page):
    assert page.title() == "test bench · drive.parquet"


def test_names_come_from_the_one_owner_of_words(page):
    expect(page.locator("#detail .measures")).to_contain_text("delay to the feedback")
    expect(page.locator("#detail")).to_contain_text("rests on an assumption")
    expect(page.locator("#detail")).to_contain_text(": the usual scatter")
    assert "score" not in page.locator("#detail").inner_text()


def test_a_tablet_shows_the_reason_and_a_phone_needs_no_second_axis(page):
    page.set_viewport_size({"width": 820, "height": 1180})
    reason = page.locator("#detail .reason").bounding_box()
    assert reason["y"] + reason["height"] < 1180
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    places = {name: page.locator(name).bounding_box() for name in ("#zoom", "#detail .reason", "#list")}
    assert places["#zoom"]["y"] < places["#detail .reason"]["y"] < places["#list"]["y"]
    assert places["#zoom"]["width"] > 380
    assert places["#zoom"]["y"] + places["#zoom"]["height"] <= 844
    page.get_by_role("button", name="Next suspect").click()
    expect(page.locator("#detail h2")).to_contain_text("No. 2")


def test_by_night_the_page_is_dark_and_its_words_can_be_read(page):
    page.emulate_media(color_scheme="dark")
    page.wait_for_timeout(200)
    contrast = page.evaluate(
        """() => { const light = (text) => { const part = text.match(/[\\d.]+/g).map(Number).slice(0, 3)
            .map(v => v / 255).map(v => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
            return 0.2126 * part[0] + 0.7152 * part[1] + 0.0722 * part[2]; };
        const ground = (e) => { for (; e; e = e.parentElement) { const c = getComputedStyle(e).backgroundColor;
            if (!/rgba\\(.*, 0\\)/.test(c)) return c; } return 'rgb(255, 255, 255)'; };
        return [...document.querySelectorAll('#page *')].filter(e => e.childElementCount === 0 && e.textContent.trim()
            && e.offsetParent && !e.closest('option')).map(e => { const [a, b] = [light(getComputedStyle(e).color),
            light(ground(e))].sort((x, y) => y - x); return [(a + 0.05) / (b + 0.05), e.textContent]; })
            .filter(([c]) => c < 4.4); }"""
    )
    assert contrast == []
    assert page.evaluate("getComputedStyle(document.querySelector('.zoom')).backgroundColor") == "rgb(43, 39, 34)"
