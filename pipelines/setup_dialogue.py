"""Five questions: recording, cylinders, firing order, coils, leads. Return takes what is proposed."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from rich.console import Console

from miner.engine.leads.roles import LeadGuess, LeadsFound, tell_leads_apart
from miner.engine.leads.setup_text import engine_text, lead_text
from miner.engine.leads.stated import fitted_to
from miner.engine.setup import Setup, parse_setup
from miner.errors import MinerError, RunError
from miner.recording.formats.base import ImportOptions
from miner.recording.reader import Recording, open_recording
from miner.schema import ROLES
from pipelines.intake import imported
from pipelines.show.console import say

__all__ = ["ask_setup"]

T = TypeVar("T")

_USUAL_ORDERS = {1: "1", 2: "1 2", 3: "1 2 3", 4: "1 3 4 2", 5: "1 2 4 5 3", 6: "1 5 3 6 2 4"}
"""Orders that most engines of so many cylinders in line have; a proposal, no more."""

_TRIES = 3


def ask_setup(console: Console, out: Path, options: ImportOptions) -> Path:
    """Ask, and write the setup.

    Raises
    ------
    RunError
        If a file lies there already, the answers end before the questions do, or one is wrong three times.
    """
    if out.exists():
        raise RunError("this lies there already", remedy="give --out another name, or move it away", file=out)
    with tempfile.TemporaryDirectory() as away:
        recording = _ask(console, "1. Recording (any format)", "", lambda text: _opened(console, text, away, options))
        cylinders = _ask(console, "2. Number of cylinders", "", _count)
        order = _ask(
            console, "3. Firing order", _USUAL_ORDERS.get(cylinders, " ".join(str(i + 1) for i in range(cylinders))),
            lambda text: _order(text, cylinders),
        )  # fmt: skip
        paired = _ask(console, "4. One coil for each cylinder, or one for two (1 or 2)", "1", _coils) == 2
        engine = engine_text(cylinders, order, layout="paired" if paired else "coil_per_cylinder")
        stated = _parsed(engine)
        found = fitted_to(tell_leads_apart(recording, cylinders=cylinders), stated.engine, out)
    for lead in found.leads:
        say(console, f"   {_word(lead)}   {lead.reason}")
    proposed = ", ".join(_word(lead) for lead in found.leads)
    leads = _ask(
        console, "5. Leads, as column=role or column=role:cylinder", proposed, lambda t: _leads(t, engine, found)
    )
    temporary = out.with_name(out.name + ".partial")
    temporary.write_text(engine + "\n\n" + leads + "\n", encoding="utf-8")
    temporary.replace(out)
    console.print(f"written: {out}", markup=False, soft_wrap=True)
    return out


def _ask(console: Console, question: str, proposed: str, read: Callable[[str], T]) -> T:
    shown = f"{question} [{proposed}]: " if proposed else f"{question}: "
    for _ in range(_TRIES):
        try:
            text = console.input(shown, markup=False).strip() or proposed
        except EOFError as error:
            raise RunError("the answers ended", remedy="answer all five questions") from error
        try:
            return read(text)
        except (MinerError, ValueError) as error:
            say(console, f"   {error}")
    raise RunError(f"no answer to '{question}' fitted", remedy="see docs/guide.md for what a setup says")


def _opened(console: Console, text: str, away: str, options: ImportOptions) -> Recording:
    path, _ = imported(console, [Path(text)], Path(away) / "recording.parquet", options)
    return open_recording(path, rate_hz=options.rate_hz)


def _count(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 16:
        raise ValueError("a number from 1 to 16, please")
    return int(text)


def _order(text: str, cylinders: int) -> list[int]:
    words = text.replace(",", " ").replace("-", " ").split()
    order = [int(word) for word in words if word.isdigit()]
    if sorted(order) != list(range(1, cylinders + 1)):
        raise ValueError(
            f"each of the {cylinders} cylinders once, please, like {_USUAL_ORDERS.get(cylinders, '1 2 3')}"
        )
    return order


def _coils(text: str) -> int:
    if text not in ("1", "2"):
        raise ValueError("1 or 2, please")
    return int(text)


def _parsed(text: str) -> Setup:
    import tomllib

    return parse_setup(tomllib.loads(text))


def _word(lead: LeadGuess) -> str:
    place = f":{lead.cylinder}" if lead.cylinder and lead.role != "ground" else ""
    return f"{lead.column}={lead.role or 'other'}{place}"


def _leads(text: str, engine: str, found: LeadsFound) -> str:
    known = {lead.column for lead in found.leads}
    parts = []
    for word in text.split(","):
        column, _, said = word.strip().rpartition("=")
        role, _, cylinder = said.partition(":")
        if column not in known or role not in ROLES or (cylinder and not cylinder.isdigit()):
            raise ValueError(f"'{word.strip()}' is not column=role; roles are {', '.join(ROLES)}")
        parts.append(lead_text(column, role, cylinder=int(cylinder) if cylinder else None))
    _parsed(engine + "\n\n" + "\n\n".join(parts)).require_leads("setup")
    return "\n\n".join(parts)
