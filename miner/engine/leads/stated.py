"""Bring together what a setup says of the engine and what the leads show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from miner.engine.leads.layout import EngineGuess
from miner.engine.leads.roles import LeadsFound
from miner.engine.setup import Engine
from miner.errors import SetupError

__all__ = ["fitted_to"]

_FIRST_TAKEN = (
    "the first command lead was taken for cylinder {}, the signals cannot tell: correct it where it is another"
)


def fitted_to(found: LeadsFound, engine: Engine, file: Path) -> LeadsFound:
    """Return the leads with the cylinder numbers of a stated engine.

    Raises
    ------
    SetupError
        If the leads show another number of cylinders, with the reading that fits.
    """
    guess = found.engine
    n_slots = engine.pattern.n_slots
    if guess is not None and guess.confidence > 0.6 and _slots(guess) != n_slots:
        raise SetupError(
            f"the setup's engine fires {n_slots} coils in turn, the leads show {_slots(guess)} ({guess.reason})",
            remedy="correct cylinders or layout",
            file=file,
            key="engine.cylinders",
        )
    turn = _turn(engine, guess)
    order = [slot[0] for slot in engine.pattern.cylinders]
    numbers: Mapping[int, int] = {place: order[(place - 1 + turn) % n_slots] for place in range(1, n_slots + 1)}
    leads = tuple(replace(x, cylinder=numbers.get(x.cylinder) if x.cylinder else None) for x in found.leads)
    remarks = [r for r in found.remarks if not r.startswith("cylinders are numbered") and "--cylinders" not in r]
    if any(x.role == "command" for x in leads) and n_slots > 1:
        remarks.insert(0, _FIRST_TAKEN.format(next(x.cylinder for x in leads if x.role == "command")))
    return LeadsFound(leads=leads, engine=guess, remarks=tuple(remarks))


def _slots(guess: EngineGuess) -> int:
    return guess.cylinders if guess.layout == "coil_per_cylinder" else max(guess.cylinders // 2, 1)


def _turn(engine: Engine, guess: EngineGuess | None) -> int:
    """Return by how many places the firing order is turned so that uneven angles lie where they were measured."""
    pattern = engine.pattern
    if guess is None or guess.angles_deg is None or pattern.n_slots < 2:
        return 0
    stated = np.array(pattern.angles_deg)
    measured = np.array(guess.angles_deg[: pattern.n_slots])
    off = [
        float(np.abs(np.sort((np.roll(stated, -k) - stated[k]) % pattern.cycle_deg) - measured).max())
        for k in range(pattern.n_slots)
    ]
    return int(np.argmin(off))
