from __future__ import annotations

from pathlib import Path

from miner.findings.tables_page import tables_page
from miner.schema import EVENTS, INCIDENTS, KINDS, SUSPECTS


def test_page_in_docs_is_up_to_date() -> None:
    page = Path(__file__).parents[2] / "docs" / "tables.md"
    assert page.read_text(encoding="utf-8") == tables_page(), "run 'make tables'"


def test_page_names_every_column_and_kind() -> None:
    page = tables_page()
    for table in (EVENTS, SUSPECTS, INCIDENTS):
        for column in table.columns:
            assert f"| {column.name} |" in page
    assert all(f"`{kind}`" in page for kind in KINDS)
