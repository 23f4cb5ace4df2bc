"""The engine that the leads show: number of cylinders, coils for one or for two, firing angles, whose lead is whose."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.engine.leads.kinds import Kind
from miner.engine.leads.trains import Train, counts_between, phase_of

__all__ = ["EngineGuess", "guess_engine", "turns_per_period"]

Floats = NDArray[np.float64]

_PAIRED_FROM_RPM, _UNSURE_RPM = 1250.0, (900.0, 1700.0)
"""An engine idles at 550 to 1,100 turns a minute. A coil that fires each turn, read as one that fires each second turn,
seems to idle at twice that; between, the leads alone do not tell."""

_MOST_PAIRS = 4
"""Coils for two cylinders have been built for engines of up to eight."""

_SAME_PLACE = 0.2
"""Share of the distance of two cylinders by which a lead may be off its place."""

_EVEN_DEG = 5.0
"""Firing angles nearer to even ones are even: timing moves single cylinders by less (own choice)."""
_MOST_CYLINDERS = 16
"""No road engine has more (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class EngineGuess:
    """The engine.

    Attributes
    ----------
    cylinders : int
    layout : str
        ``coil_per_cylinder`` or ``paired``.
    angles_deg : tuple of float or None
        Firing angles where they are not even.
    places : mapping of str to int
        Place in the firing order, from 1, of the leads of one coil.
    confidence : float
        That number and layout are right.
    reason : str
    remarks : tuple of str
    """

    cylinders: int
    layout: str
    angles_deg: tuple[float, ...] | None
    places: Mapping[str, int]
    confidence: float
    reason: str
    remarks: tuple[str, ...] = ()


def guess_engine(
    trains: Mapping[str, Train],
    commands: Sequence[str],
    shared: Sequence[str],
    wheels: Mapping[str, Kind],
    cylinders: int | None,
) -> EngineGuess | None:
    """Return the engine, or None where the leads do not tell the number of cylinders and nobody else does."""
    if not commands:
        return None if cylinders is None else _stated(cylinders, "as stated")
    base = trains[commands[0]]
    n_slots, angles = _slots(trains, commands, shared)
    if n_slots is None:
        return None if cylinders is None else _placed(_stated(cylinders, "as stated"), trains, commands)
    layout, confidence, why = _layout(base, n_slots, wheels, cylinders)
    if layout is None:
        assert cylinders is not None
        return None
    n = n_slots if layout == "coil_per_cylinder" else 2 * n_slots
    reason = f"{n_slots} events in a period of '{commands[0]}', {why}"
    guess = EngineGuess(
        cylinders=n,
        layout=layout,
        angles_deg=_uneven(angles, n, layout),
        places={},
        confidence=confidence,
        reason=reason,
    )
    return _placed(guess, trains, commands, angles)


def _stated(cylinders: int, reason: str) -> EngineGuess:
    return EngineGuess(
        cylinders=cylinders, layout="coil_per_cylinder", angles_deg=None, places={}, confidence=0.5, reason=reason
    )


def _slots(
    trains: Mapping[str, Train], commands: Sequence[str], shared: Sequence[str]
) -> tuple[int | None, Floats | None]:
    """Return how many coils fire in a period of one, and their places in it (0 to 1) from the first command on."""
    base = trains[commands[0]]
    for name in shared:
        n, share = counts_between(base, trains[name])
        if n >= 2 and share > 0.6 and n <= _MOST_CYLINDERS:
            return n, _places_of(base, trains[name], n)
    if len(commands) >= 2:
        phases = np.sort([0.0, *(phase_of(base, trains[c])[0] for c in commands[1:])])
        if np.isfinite(phases).all() and np.diff(phases, append=1.0).max() < 1.6 / len(commands):
            return len(commands), phases
    return None, None


def _places_of(base: Train, shared: Train, n: int) -> Floats:
    """Return the usual places of the ``n`` shared events in a period of the base, the first one as 0."""
    rows = []
    for i in np.flatnonzero(np.isfinite(base.period_s)):
        first, last = np.searchsorted(
            shared.start_s, (base.start_s[i] - 50e-6, base.start_s[i] - 50e-6 + base.period_s[i])
        )
        if last - first == n:
            rows.append((shared.start_s[first:last] - shared.start_s[first]) / base.period_s[i])
    return np.asarray(np.median(np.array(rows), axis=0) if rows else np.arange(n) / n, np.float64)


def _layout(
    base: Train, n_slots: int, wheels: Mapping[str, Kind], cylinders: int | None
) -> tuple[str | None, float, str]:
    turns = next((t for t in (turns_per_period(base, kind) for kind in wheels.values()) if t is not None), None)
    if turns is not None and abs(turns - round(turns)) < 0.1 and round(turns) in (1, 2):
        layout = "paired" if round(turns) == 1 else "coil_per_cylinder"
        return layout, 0.95, f"which lasts {round(turns)} of the crank wheel's turns"
    if cylinders is not None:
        fits = {n_slots: "coil_per_cylinder", 2 * n_slots: "paired"}
        return fits.get(cylinders), 0.95, f"the engine has {cylinders} cylinders as stated"
    rpm = 120.0 * base.slow_rate_hz()
    layout = "paired" if rpm > _PAIRED_FROM_RPM and n_slots <= _MOST_PAIRS else "coil_per_cylinder"
    sure = not _UNSURE_RPM[0] < rpm < _UNSURE_RPM[1]
    idle = rpm if layout == "coil_per_cylinder" else rpm / 2
    confidence = 0.5 if not sure else 0.7 if layout == "paired" else 0.85
    return layout, confidence, f"at {idle:.0f} turns a minute when slow"


def turns_per_period(base: Train, wheel: Kind) -> float | None:
    """Return the turns of a wheel with a gap in one period of a coil; None for wheels whose turn is not known."""
    if not wheel.teeth_per_gap or wheel.train is None:
        return None
    n, share = _median_count(base, wheel.train)
    return n / wheel.teeth_per_gap if share else None


def _median_count(base: Train, wheel: Train) -> tuple[float, bool]:
    known = np.flatnonzero(np.isfinite(base.period_s))
    first = np.searchsorted(wheel.start_s, base.start_s[known])
    last = np.searchsorted(wheel.start_s, base.start_s[known] + base.period_s[known])
    return (float(np.median(last - first)), True) if known.size else (0.0, False)


def _uneven(places: Floats | None, n: int, layout: str) -> tuple[float, ...] | None:
    """Return firing angles in whole degrees where they are not even."""
    if places is None:
        return None
    turn = 720.0 if layout == "coil_per_cylinder" else 360.0
    angles = np.asarray(places) * turn
    if np.abs(angles - np.arange(angles.size) * turn / angles.size).max() < _EVEN_DEG:
        return None
    fives = np.rint(angles / 5) * 5  # firing angles are as round as crankshafts are made
    angles = np.where(np.abs(fives - angles) < 2.0, fives, angles)
    angles = np.rint(angles) if layout == "coil_per_cylinder" else np.rint(np.concatenate([angles, angles + 360.0]))
    return tuple(float(a) for a in angles) if angles.size == n else None


def _placed(
    guess: EngineGuess, trains: Mapping[str, Train], commands: Sequence[str], places: Floats | None = None
) -> EngineGuess:
    """Return the guess with the place of every command lead."""
    n_slots = guess.cylinders if guess.layout == "coil_per_cylinder" else max(guess.cylinders // 2, 1)
    grid = np.arange(n_slots) / n_slots if places is None else np.asarray(places)
    found, remarks = {commands[0]: 1}, list(guess.remarks)
    for name in commands[1:]:
        phase, wide = phase_of(trains[commands[0]], trains[name])
        off = (phase - grid + 0.5) % 1.0 - 0.5
        nearest = int(np.argmin(np.abs(off))) if np.isfinite(phase) else 0
        if not np.isfinite(phase) or abs(off[nearest]) * n_slots > _SAME_PLACE + wide or nearest + 1 in found.values():
            remarks.append(f"the place of '{name}' in the firing order cannot be told")
            continue
        found[name] = nearest + 1
    return EngineGuess(
        cylinders=guess.cylinders, layout=guess.layout, angles_deg=guess.angles_deg, places=found,
        confidence=guess.confidence, reason=guess.reason, remarks=tuple(remarks),
    )  # fmt: skip
