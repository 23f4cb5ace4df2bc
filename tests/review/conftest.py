from pathlib import Path

import pytest

from miner.review.source import ReviewSource
from tests.review.made import make_findings


@pytest.fixture(scope="session")
def findings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A findings folder beside its recording: 12 s, 4 leads at 200 kS/s. Read only; copy it to write."""
    return make_findings(tmp_path_factory.mktemp("drive"))


@pytest.fixture(scope="session")
def source(findings: Path) -> ReviewSource:
    return ReviewSource(findings)


@pytest.fixture
def built_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """A tiny stand-in for the built page, so that the server is tested without Node."""
    parts = {
        "page.html": '<html><meta name="review-token" content="{{token}}"></html>',
        "page.js": "console.log(1)",
        "page.css": "body { margin: 0 }",
    }
    for module in ("app", "report"):
        monkeypatch.setattr(f"miner.review.{module}.page_part", parts.__getitem__)
    return parts
