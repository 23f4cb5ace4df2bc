"""A setup file to keep and to edit, from what the leads were taken for."""

from __future__ import annotations

import json
from collections.abc import Sequence

from miner.engine.leads.layout import EngineGuess
from miner.engine.leads.roles import LeadGuess, LeadsFound
from miner.engine.setup import Engine

__all__ = ["GUESSED", "SURE", "engine_text", "lead_text", "setup_text"]

SURE, GUESSED = 0.9, 0.6
"""Confidence from which on a lead is as good as sure, and under which it is a guess."""

_OF_ONE_COIL = ("command", "feedback", "coil_current", "coil_primary")


def setup_text(found: LeadsFound, engine: Engine | None = None) -> str:
    """Return the setup as TOML, with the reason above each lead; leads that cannot be told are commented out.

    Parameters
    ----------
    found : LeadsFound
    engine : Engine, optional
        As stated by the user; what the leads show by default.

    Raises
    ------
    ValueError
        If the engine is not known.
    """
    if engine is None and found.engine is None:
        raise ValueError("the engine is not known")
    head = ["# Written from the signals. Correct what is wrong and mine with --setup."]
    head += [f"# {remark}" for remark in found.remarks]
    parts = ["\n".join(head), _stated(engine) if engine is not None else _shown(found.engine)]
    return "\n\n".join([*parts, *(_lead(guess) for guess in found.leads)]) + "\n"


def _stated(engine: Engine) -> str:
    return engine_text(
        engine.cylinders,
        engine.firing_order,
        layout=engine.layout,
        angles_deg=engine.firing_angles_deg,
        strokes=engine.strokes,
    )


def _shown(engine: EngineGuess | None) -> str:
    assert engine is not None
    how = "" if engine.confidence >= SURE else " (check this)"
    order = range(1, engine.cylinders + 1)
    return f"# {engine.reason}{how}\n" + engine_text(
        engine.cylinders, order, layout=engine.layout, angles_deg=engine.angles_deg
    )


def engine_text(
    cylinders: int,
    firing_order: Sequence[int],
    *,
    layout: str = "coil_per_cylinder",
    angles_deg: Sequence[float] | None = None,
    strokes: int = 4,
) -> str:
    """Return the engine's part of a setup."""
    lines = ["[engine]", f"cylinders = {cylinders}", f"firing_order = {list(firing_order)}"]
    lines += [f"strokes = {strokes}"] if strokes != 4 else []
    lines += [f"firing_angles_deg = [{', '.join(f'{a:g}' for a in angles_deg)}]"] if angles_deg else []
    lines += [f'layout = "{layout}"'] if layout != "coil_per_cylinder" else []
    return "\n".join(lines)


def _lead(guess: LeadGuess) -> str:
    if guess.role is None or (guess.role == "command" and guess.cylinder is None):
        said = lead_text(guess.column, guess.role or "other").splitlines()
        return "\n".join([f"# {guess.reason}; if it is of use, name its role:", *(f"# {line}" for line in said)])
    how = "" if guess.confidence >= SURE else " (likely)" if guess.confidence >= GUESSED else " (a guess, check it)"
    cylinder = guess.cylinder if guess.role in _OF_ONE_COIL else None
    return f"# {guess.reason}{how}\n{lead_text(guess.column, guess.role, cylinder=cylinder)}"


def lead_text(column: str, role: str, *, cylinder: int | None = None) -> str:
    """Return one lead's part of a setup."""
    lines = ["[[channel]]", f"column = {json.dumps(column, ensure_ascii=False)}", f'role = "{role}"']
    return "\n".join(lines + ([f"cylinder = {cylinder}"] if cylinder is not None else []))
