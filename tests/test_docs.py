"""The guide names whatever a user can write, and every command."""

from __future__ import annotations

import re
from pathlib import Path

import typer

from miner.engine.setup import Engine, Setup, SetupLead
from miner.schema import KINDS, ROLES
from pipelines.command import app

ROOT = Path(__file__).parents[1]
GUIDE = (ROOT / "docs" / "guide.md").read_text(encoding="utf-8")
TOLD = GUIDE + (ROOT / "README.md").read_text(encoding="utf-8")
METADATA = ("sample_rate_hz", "started_at", "scale", "offset", "unit")


def test_the_guide_names_every_key_of_a_setup_and_of_a_recording() -> None:
    keys = {name for model in (Setup, Engine, SetupLead) for name in model.model_fields}
    named = set(re.findall(r"`(?:\[\[?)?(\w+)", GUIDE))
    assert keys | set(ROLES) | set(METADATA) | {"time_s"} | set(KINDS) <= named


def test_every_command_is_named_in_readme_or_guide() -> None:
    for name in typer.main.get_command(app).commands:  # type: ignore[attr-defined]
        assert f"ignition-miner {name}" in TOLD, name
    assert "source .venv/bin/activate" in TOLD
