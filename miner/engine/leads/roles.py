"""Roles of unknown leads, and the engine they show.

::

    look -> kind of each lead -> who answers whom, how often -> roles -> number of cylinders, layout, places

A lead is named only where its signal says so; "cannot tell" is an answer, a guess with high confidence is not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from miner.engine.leads.kinds import Kind, kind_of
from miner.engine.leads.layout import EngineGuess, guess_engine
from miner.engine.leads.lone import lone_pulses
from miner.engine.leads.trains import Follow, Train, counts_between, follow
from miner.engine.leads.wheels import wheel_roles
from miner.recording.reader import Recording
from miner.signal.looks.unknown_leads import LeadLook, look_at_leads

__all__ = ["LeadGuess", "LeadsFound", "tell_leads_apart", "tell_looks_apart"]

Floats = NDArray[np.float64]

_HIGH, _MEDIUM, _LOW = 0.95, 0.75, 0.5
"""Confidence in words made a number, as `miner.engine.leads.kinds` has it."""

_COUNTED_SHARE = 0.6
"""Share of periods with one and the same number of pulses from which on one lead counts another's."""

_DWELL_S = (0.8e-3, 9e-3)
"""A coil is charged for about 1 to 8 ms."""


@dataclass(frozen=True, kw_only=True)
class LeadGuess:
    """What a lead is taken for.

    Attributes
    ----------
    role : str or None
        A role of the setup; None where the signal does not tell.
    cylinder : int or None
        Place in the firing order of the coil it belongs to, from 1; None for leads of all cylinders.
    active : str or None
        The state that is the pulse, where it has pulses.
    confidence : float
        0 to 1: from 0.9 on it is as good as sure, under 0.6 a guess.
    reason : str
    """

    column: str
    role: str | None
    cylinder: int | None = None
    active: str | None = None
    confidence: float
    reason: str


@dataclass(frozen=True, kw_only=True)
class LeadsFound:
    """All leads of a recording in the order of its columns, and the engine; None where it cannot be told."""

    leads: tuple[LeadGuess, ...]
    engine: EngineGuess | None
    remarks: tuple[str, ...] = ()


@dataclass
class _Pulsed:
    """The leads with pulses of a time of their own, and how they go together."""

    trains: dict[str, Train]
    slow: list[str] = field(default_factory=list)
    """Leads that pulse least often: commands and answers of one coil each."""
    counts: dict[tuple[str, str], tuple[int, float]] = field(default_factory=dict)
    follows: dict[tuple[str, str], Follow] = field(default_factory=dict)

    def __post_init__(self) -> None:
        names = list(self.trains)
        pairs = [(a, b) for a in names for b in names if a != b]
        self.counts = {pair: counts_between(self.trains[pair[0]], self.trains[pair[1]]) for pair in pairs}
        self.follows = {pair: follow(self.trains[pair[0]], self.trains[pair[1]]) for pair in pairs}
        self.slow = [
            name for name in names if not any(self.times(other, name) >= 2 for other in names if other != name)
        ]

    def times(self, base: str, other: str) -> int:
        """Return how many pulses of ``other`` come in a period of ``base``; 0 where that is not regular."""
        n, share = self.counts[base, other]
        return n if share >= _COUNTED_SHARE else 0

    def answers(self, base: str, other: str) -> bool:
        """Whether ``other`` comes a short constant time after ``base``, and not the other way round."""
        ahead, back = self.follows[base, other], self.follows[other, base]
        return ahead.is_answer and not (back.is_answer and back.spread_s < ahead.spread_s)


def tell_leads_apart(recording: Recording, *, cylinders: int | None = None) -> LeadsFound:
    """Tell the leads of a recording apart by their signals alone.

    Parameters
    ----------
    recording : Recording
        As opened; every column that can be a lead is looked at.
    cylinders : int, optional
        Number of cylinders, where it is known.

    Raises
    ------
    RecordingError
        As `miner.recording.chunks.iter_chunks`.
    """
    return tell_looks_apart(look_at_leads(recording, list(recording.channels)), cylinders=cylinders)


def tell_looks_apart(looks: Mapping[str, LeadLook], *, cylinders: int | None = None) -> LeadsFound:
    """Tell leads apart that have been looked at; see `tell_leads_apart`."""
    kinds = {column: kind_of(look) for column, look in looks.items()}
    pulsed = _Pulsed({column: kind.train for column, kind in kinds.items() if kind.name == "pulses" and kind.train})
    guesses = {column: _by_itself(column, kind) for column, kind in kinds.items()}
    wheels = {column: kind for column, kind in kinds.items() if kind.name == "wheel"}
    shared = _shared(pulsed)
    own = _own_answers(pulsed)
    commands = [name for name in pulsed.slow if name not in own]
    guesses |= _pulse_roles(pulsed, commands, own, shared)
    if len(pulsed.trains) == 1:
        (name,) = pulsed.trains
        guesses[name] = replace(guesses[name], **lone_pulses(pulsed.trains[name], wheels, cylinders))
        shared = shared if guesses[name].role == "feedback" else []
        commands = commands if guesses[name].role == "command" else []
    engine = guess_engine(pulsed.trains, commands, shared, wheels, cylinders)
    for column, found in wheel_roles(wheels, [pulsed.trains[c] for c in commands], engine).items():
        guesses[column] = replace(guesses[column], **found)
    if engine is not None:
        guesses |= _with_places(guesses, kinds, engine, commands, own)
    return LeadsFound(leads=tuple(guesses[c] for c in looks), engine=engine, remarks=_remarks(engine, cylinders))


def _by_itself(column: str, kind: Kind) -> LeadGuess:
    role = kind.name if kind.name in ("ground", "supply", "coil_current", "coil_primary") else None
    active = kind.train.active if kind.train is not None and kind.name == "pulses" else None
    return LeadGuess(
        column=column, role=role, active=active, confidence=kind.confidence if role else 0.0, reason=kind.reason
    )


def _shared(pulsed: _Pulsed) -> list[str]:
    """Return the leads that pulse several times in a period of the slow ones."""
    return [
        name
        for name in pulsed.trains
        if name not in pulsed.slow and any(pulsed.times(base, name) >= 2 for base in pulsed.slow)
    ]


def _own_answers(pulsed: _Pulsed) -> dict[str, str]:
    """Return, for each answer of one coil alone, the lead that it answers."""
    own: dict[str, str] = {}
    for name in pulsed.slow:
        asked = [base for base in pulsed.slow if base != name and pulsed.answers(base, name)]
        asked = [base for base in asked if pulsed.times(base, name) == 1]
        if asked:
            own[name] = min(asked, key=lambda base: pulsed.follows[base, name].spread_s)
    return {name: base for name, base in own.items() if base not in own}


def _pulse_roles(
    pulsed: _Pulsed, commands: list[str], own: Mapping[str, str], shared: list[str]
) -> dict[str, LeadGuess]:
    found = {name: _command(pulsed, name, commands, own, shared) for name in commands}
    for name, base in own.items():
        after = pulsed.follows[base, name]
        found[name] = LeadGuess(
            column=name, role="feedback", active=pulsed.trains[name].active,
            confidence=_confidence([after]),
            reason=f"answers '{base}', and it alone, {1e3 * after.delay_s:.2g} ms after it",
        )  # fmt: skip
    for name in shared:
        bases = [base for base in commands if pulsed.times(base, name) >= 2]
        n = max((pulsed.times(base, name) for base in bases), default=0)
        answered = [base for base in bases if pulsed.answers(base, name)]
        reason = f"pulses {n} times in a period of '{bases[0]}'" if bases else "pulses several times in a period"
        if answered:
            delay_ms = 1e3 * pulsed.follows[answered[0], name].delay_s
            reason += f", one of them {delay_ms:.2g} ms after each of its pulses"
        found[name] = LeadGuess(
            column=name, role="feedback", active=pulsed.trains[name].active,
            confidence=_confidence([pulsed.follows[base, name] for base in answered]), reason=reason,
        )  # fmt: skip
    return found


def _confidence(answers: list[Follow]) -> float:
    """Return how sure a lead is by its answers."""
    if not answers:
        return _LOW
    return _HIGH if any(answer.is_sure for answer in answers) else _MEDIUM


def _command(pulsed: _Pulsed, name: str, commands: list[str], own: Mapping[str, str], shared: list[str]) -> LeadGuess:
    train = pulsed.trains[name]
    usual = float(np.median(train.width_s))
    answers = [x for x in shared if pulsed.answers(name, x)] + [x for x, base in own.items() if base == name]
    sure = _confidence([pulsed.follows[name, x] for x in answers])
    charges = _DWELL_S[0] <= usual <= _DWELL_S[1]
    reason = f"pulses of {1e3 * usual:.2g} ms"
    if answers:
        confidence, reason = sure, f"{reason}, each answered by '{answers[0]}'"
    elif len(commands) > 1 and charges:
        confidence, reason = _HIGH - 0.05, f"{reason}, in turn with {len(commands) - 1} other such leads"
    else:
        confidence, reason = _MEDIUM if charges else _LOW, f"{reason}, which nothing else answers"
    return LeadGuess(column=name, role="command", active=train.active, confidence=confidence, reason=reason)


def _with_places(
    guesses: Mapping[str, LeadGuess], kinds: Mapping[str, Kind], engine: EngineGuess, commands: list[str],
    own: Mapping[str, str],
) -> dict[str, LeadGuess]:  # fmt: skip
    """Return the leads of single coils with their place in the firing order."""
    place = dict(engine.places)
    place |= {name: place[base] for name, base in own.items() if base in place}
    found = {name: replace(guesses[name], cylinder=place[name]) for name in place if name in guesses}
    for name, kind in kinds.items():
        if guesses[name].role not in ("coil_current", "coil_primary") or kind.train is None:
            continue
        command = _charged_by(kind.train, commands, kinds)
        if command in place:
            found[name] = replace(
                guesses[name], cylinder=place[command], reason=f"{guesses[name].reason}; with '{command}'"
            )
    return found


def _charged_by(coil: Train, commands: list[str], kinds: Mapping[str, Kind]) -> str:
    """Return the command that the coil follows the soonest; empty where it follows none."""
    ways = {c: follow(base, coil) for c in commands if (base := kinds[c].train) is not None}
    near = [
        (abs(way.delay_s), c) for c, way in ways.items()
        if way.delay_s < _DWELL_S[1] and way.share > 0.7 and counts_between(kinds[c].train or coil, coil)[0] == 1
    ]  # fmt: skip
    return min(near)[1] if near else ""


def _remarks(engine: EngineGuess | None, cylinders: int | None) -> tuple[str, ...]:
    if engine is None:
        return (
            ("the number of cylinders cannot be told from these leads; give --cylinders",) if cylinders is None else ()
        )
    return (
        "cylinders are numbered in the order they fire: put the engine's own numbers into firing_order and the leads",
        *engine.remarks,
    )
