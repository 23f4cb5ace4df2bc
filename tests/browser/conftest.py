"""The real page in Chromium. Skipped only where the browser or the built page is missing."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from miner.review.page import is_page_built
from tests.review.made import make_findings
from tests.review.serving import Client, serving

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
ARGS = [
    "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    missing = []
    if not Path(CHROMIUM).exists():
        missing.append("no Chromium at /usr/bin/chromium (Debian package chromium)")
    if not is_page_built():
        missing.append("the review page is not built (make web)")
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.browser)
            if missing:
                item.add_marker(pytest.mark.skip(reason="; ".join(missing)))


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_findings(tmp_path_factory.mktemp("browser"), duration_s=10.0, rate_hz=100_000.0)


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """A copy of the findings that a test may write to, beside its recording."""
    shutil.copy(made.parent / "drive.parquet", tmp_path)
    return shutil.copytree(made, tmp_path / "findings")


@pytest.fixture
def server(folder: Path) -> Iterator[Client]:
    with serving(folder) as client:
        yield client


@pytest.fixture
def complaints() -> list[str]:
    """What the browser complained about: console errors, exceptions and refused content; must stay empty."""
    return []


@pytest.fixture
def context(browser: Browser, complaints: list[str]) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport={"width": 1366, "height": 768})
    context.set_default_timeout(20_000)
    context.add_init_script(
        "addEventListener('securitypolicyviolation',"
        " e => console.error('policy violation: ' + e.violatedDirective + ' ' + e.blockedURI))"
    )
    context.on("console", lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None)
    context.on("weberror", lambda e: complaints.append(str(e.error)))
    yield context
    context.close()
    assert complaints == []


@pytest.fixture
def open_page(context: BrowserContext) -> Callable[[str], Page]:
    """Open an address and wait for the first picture."""

    def opened(address: str) -> Page:
        page = context.new_page()
        page.goto(address)
        page.wait_for_selector("#zoom[data-drawn]")
        return page

    return opened


@pytest.fixture
def page(server: Client, open_page: Callable[[str], Page]) -> Page:
    return open_page(server.address)
