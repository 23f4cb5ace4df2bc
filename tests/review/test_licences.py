"""The licence of the chart library that is bundled into the page travels with everything that contains it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from miner.review.page import is_page_built, page_part
from miner.review.report import write_report
from tests.review.made import make_findings

WEB = Path(__file__).parents[2] / "miner" / "review" / "web"
PERMISSION = "Permission is hereby granted, free of charge"
CONDITION = "The above copyright notice and this permission notice shall be included"

pytestmark = pytest.mark.skipif(not is_page_built(), reason="the page was not built (make web)")


def bundled() -> list[str]:
    return list(json.loads((WEB / "package.json").read_text(encoding="utf-8"))["dependencies"])


@pytest.mark.parametrize("part", ["page.js", "page.css", "page.licences.txt"])
def test_page_and_wheel(part: str) -> None:
    text = " ".join(page_part(part).split())
    assert all(name in text for name in bundled())
    assert text.count(PERMISSION) == text.count(CONDITION) == len(bundled())


def test_report(tmp_path: Path) -> None:
    text = " ".join(write_report(make_findings(tmp_path)).read_text(encoding="utf-8").split())
    assert PERMISSION in text
    assert CONDITION in text
