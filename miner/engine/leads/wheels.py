"""Crank wheel or cam wheel: told by a gap, or by how often and how evenly a wheel pulses while a coil fires once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from miner.engine.leads.kinds import Kind
from miner.engine.leads.layout import EngineGuess
from miner.engine.leads.trains import Train, counts_between

__all__ = ["wheel_roles"]

_MANY_A_TURN = 12
"""A wheel with as many teeth in a turn counts angle, so it is on the crank; cams have a few."""


def wheel_roles(
    wheels: Mapping[str, Kind], commands: Sequence[Train], engine: EngineGuess | None
) -> dict[str, dict[str, Any]]:
    """Return role, confidence and reason of every wheel."""
    toothed = [kind for kind in wheels.values() if kind.teeth_per_gap >= _MANY_A_TURN]
    return {column: _role(kind, toothed, commands, engine) for column, kind in wheels.items()}


def _role(kind: Kind, toothed: Sequence[Kind], commands: Sequence[Train], engine: EngineGuess | None) -> dict[str, Any]:
    if kind.teeth_per_gap >= _MANY_A_TURN:
        return {"role": "crank", "confidence": kind.confidence, "reason": kind.reason}
    assert kind.train is not None
    per_turn = _per_turn(kind.train, toothed, commands, engine)
    if per_turn is None:
        return {"role": None, "confidence": 0.0, "reason": f"{kind.reason}; crank or cam cannot be told by itself"}
    even = _is_even(kind.train)
    if per_turn < 0.75 or abs(per_turn - round(per_turn)) > 0.2 or not even:
        return {"role": "cam", "confidence": 0.9 if toothed or engine else 0.6, "reason": _told(kind, per_turn, even)}
    if per_turn >= _MANY_A_TURN:
        return {"role": "crank", "confidence": 0.85, "reason": _told(kind, per_turn, even)}
    return {"role": "crank", "confidence": 0.6, "reason": _told(kind, per_turn, even)}


def _told(kind: Kind, per_turn: float, even: bool) -> str:
    often = f"{per_turn:.3g} pulses a turn of the crank" if per_turn >= 0.75 else "one pulse in two turns of the crank"
    return f"{kind.reason}; {often}, {'evenly' if even else 'unevenly'} spaced"


def _per_turn(
    train: Train, toothed: Sequence[Kind], commands: Sequence[Train], engine: EngineGuess | None
) -> float | None:
    for kind in toothed:
        assert kind.train is not None
        n, share = counts_between(train, kind.train)
        if train.rate_hz and n:
            return kind.teeth_per_gap * train.rate_hz / kind.train.rate_hz / _slower(kind)
        del share
    if commands and engine is not None and engine.confidence >= 0.75:
        turns = 2.0 if engine.layout == "coil_per_cylinder" else 1.0
        n, share = counts_between(commands[0], train)
        return n / turns if share > 0.5 and n else None
    return None


def _slower(kind: Kind) -> float:
    """Teeth follow each other faster than a whole turn divided by them: the gap takes the rest."""
    return kind.teeth_per_gap / (kind.teeth_per_gap + kind.missing)


def _is_even(train: Train) -> bool:
    """Whether neighbouring periods and widths are alike."""
    period = train.period_s
    with np.errstate(invalid="ignore"):
        steps = np.abs(np.diff(np.log(period)))
        widths = np.abs(np.diff(np.log(train.width_s)))
    steps = steps[np.isfinite(steps)]
    return bool(steps.size and np.median(steps) < 0.12 and np.median(widths) < 0.2)
