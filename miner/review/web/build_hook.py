"""Builds the review page before a wheel is packed, so that the installed package needs neither Node nor a network.

An editable install of a checkout leaves it to `make web`.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PARTS = ("page.html", "page.js", "page.css", "page.licences.txt")


class PageBuildHook(BuildHookInterface[Any]):
    """Runs npm in miner/review/web unless the built page is newer than its sources."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build the page; called by hatchling before it collects files."""
        web = Path(self.root) / "miner" / "review" / "web"
        if not web.is_dir() or _is_fresh(web):
            return
        if version == "editable":
            self.app.display_warning("the review page is not built by this install: run 'make web'")
            return
        npm = shutil.which("npm")
        if npm is None:
            raise RuntimeError("building the wheel needs Node 20 with npm on the path, for the review page")
        for command in (["ci", "--no-audit", "--no-fund"], ["run", "build"]):
            subprocess.run([npm, *command], cwd=web, check=True)


def _is_fresh(web: Path) -> bool:
    built = [web.parent / "static" / name for name in PARTS]
    sources = [path for path in web.rglob("*") if "node_modules" not in path.parts and path.is_file()]
    if not all(path.is_file() for path in built):
        return False
    return min(path.stat().st_mtime for path in built) >= max(path.stat().st_mtime for path in sources)
