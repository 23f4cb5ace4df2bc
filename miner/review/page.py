"""The built files of the page, as they lie in the package."""

from __future__ import annotations

from importlib.resources import files

from miner.errors import FindingsError

__all__ = ["PAGE_PARTS", "is_page_built", "page_part"]

PAGE_PARTS = {"page.html": "text/html", "page.js": "text/javascript", "page.css": "text/css"}
"""Each built file and its media type."""


def is_page_built() -> bool:
    """Say whether the page's files are there: in a released package always, in a checkout after its build."""
    return all((files("miner.review") / "static" / name).is_file() for name in PAGE_PARTS)


def page_part(name: str) -> str:
    """Return one of the built files of the page.

    Raises
    ------
    FindingsError
        If the page was not built.
    """
    place = files("miner.review") / "static" / name
    try:
        return place.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise FindingsError(
            "the review page was not built",
            remedy="run 'npm ci' and 'npm run build' in miner/review/web (Node 20), or install the released package",
            file=str(place),
        ) from error
