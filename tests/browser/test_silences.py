"""Silences on the page: marks on the map, a table of their own, a cut-out at speed at the head of the list."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from miner.review.report import write_report
from tests.review.made import make_findings
from tests.review.serving import Client, serving


@pytest.fixture(scope="module")
def silent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_findings(tmp_path_factory.mktemp("silent"), duration_s=10.0, rate_hz=50_000.0, silences=True)


@pytest.fixture
def served(silent: Path) -> Iterator[Client]:
    with serving(silent) as client:
        yield client


@pytest.fixture(params=["live", "frozen"])
def shown(
    request: pytest.FixtureRequest, served: Client, silent: Path, open_page: Callable[[str], Page], tmp_path: Path
) -> Page:
    if request.param == "live":
        return open_page(served.address)
    copied = shutil.copytree(silent, tmp_path / "findings")
    return open_page(write_report(copied).as_uri())


def inks_at(page: Page, shares: list[float]) -> list[int]:
    """Pixels near places of the map that have the colour of suspects, beneath the ticks."""
    found: list[int] = page.evaluate(
        """shares => { const c = document.querySelector('#map'), r = c.width / c.clientWidth, top = Math.round(70 * r);
        const d = c.getContext('2d').getImageData(0, top, c.width, Math.round(12 * r)).data;
        return shares.map(share => { let n = 0;
          const x = Math.round((44 + share * (c.clientWidth - 92)) * r);
          for (let y = 0; y < Math.round(12 * r); y++) for (let k = x - 3; k <= x + 3; k++) {
            const i = 4 * (y * c.width + k);
            if (d[i] > 150 && d[i + 1] < 60 && d[i + 2] < 120) n++; }
          return n; }); }""",
        shares,
    )
    return found


def test_the_map_marks_each_silence(shown: Page) -> None:
    expect(shown.locator(".map-part figcaption")).to_contain_text("ignition silent")
    expect(shown.locator(".map-part figcaption")).to_contain_text("cut out at speed, or a clip off")
    *trouble, stop, none = inks_at(shown, [0.61, 0.85, 0.95, 0.15, 0.5])
    assert min(trouble) > 15
    assert (stop, none) == (0, 0), "a stop is no trouble"


def test_the_map_says_what_fell_silent(shown: Page) -> None:
    box = shown.locator("#map").bounding_box()
    assert box is not None
    shown.mouse.move(box["x"] + 44 + 0.61 * (box["width"] - 92), box["y"] + 60)
    told = "0:00:06.000: all leads silent from 2,100 rpm: a cut-out at speed"
    expect(shown.locator("#map")).to_have_attribute("title", told)
    shown.mouse.move(box["x"] + 44 + 0.3 * (box["width"] - 92), box["y"] + 60)
    expect(shown.locator("#map")).to_have_attribute("title", "")


def test_a_table_says_from_where_to_where_and_how_it_came_back(shown: Page) -> None:
    shown.keyboard.press("g")
    rows = shown.locator(".silences tbody tr")
    expect(rows).to_have_count(3)
    cells = ["0:00:06.00", "0:00:06.20", "0.2\u202fs", "2,100\u202frpm", "at once", "still turning", "1,900\u202frpm"]
    expect(rows.nth(0).locator("td")).to_have_text([*cells, "lead_1, lead_2", "cut out"])
    expect(rows.nth(1)).to_contain_text("the end")
    expect(rows.nth(2).locator("td")).to_contain_text(["0:00:01.00", "0:00:02.00", "1\u202fs"])  # rounded
    expect(rows.nth(2)).to_contain_text("by the starter")
    rows.nth(0).locator("button").click()
    expect(shown.locator(".figures")).to_be_hidden()
    expect(shown.locator(".zoom-status")).to_contain_text("0 = 0:00:0")


def test_a_cut_out_heads_the_list_and_goes_to_its_place(shown: Page) -> None:
    first = shown.locator("#list li").first
    expect(first).to_contain_text("Incident 1, ignition silent at speed")
    expect(first).to_contain_text("all leads silent from 2,100 rpm: a cut-out at speed")
    expect(first).to_contain_text("what all coils share")
    first.locator("button").click()
    expect(shown.locator(".zoom-status")).to_contain_text("0 = 0:00:05")


@pytest.mark.parametrize("width", [1366, 820, 390])
def test_no_table_of_the_statistics_is_cut_at_the_edge(shown: Page, width: int) -> None:
    """What does not fit a phone is scrolled inside its own section; the page itself never sideways."""
    shown.set_viewport_size({"width": width, "height": 800})
    shown.keyboard.press("g")
    expect(shown.locator(".sensitivity")).to_be_visible()
    cut = shown.evaluate(
        """() => [...document.querySelectorAll('.figures section')].filter(section => {
          const scrolls = getComputedStyle(section).overflowX === 'auto';
          const over = t => t.getBoundingClientRect().right > innerWidth;
          return [...section.querySelectorAll('table')].some(over) && !scrolls;
        }).map(section => section.textContent.slice(0, 40))"""
    )
    assert cut == []
    assert shown.evaluate("document.documentElement.scrollWidth <= innerWidth")
