"""Other setups that may have been meant: each differs from the described one by what people get wrong."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.setup import Engine, Setup, SetupLead, parse_setup
from miner.errors import SetupError

__all__ = ["other_readings"]

Floats = NDArray[np.float64]

CYLINDERS = (1, 2, 3, 4, 5, 6, 8, 10, 12)
"""Engines that are built (common practice, no source)."""

TOGETHER = 0.03
"""Share of a turn of the pattern within which two leads fire together: one coil."""

UNEVEN_DEG = 8.0
"""Angles nearer to even ones than this are even ones with timing of their own (own choice)."""

ROUND_DEG = 5.0
"""Firing angles are designed in steps of this (common practice, no source)."""

USUAL = (0.7, 1.4)
"""Intervals of a lead within these shares of its median show where the others are; stops and absences do not."""


def other_readings(stretches: Sequence[pa.Table], setup: Setup) -> Iterator[tuple[str, Setup]]:
    """Yield what else may be meant, and the words for it.

    Parameters
    ----------
    stretches : sequence of PULSES table
        Where the places of the leads in the cycle are read off.
    setup : Setup
        As described.
    """
    for words, roles in _roles(setup):
        phases = _phases(stretches, [index for index, _ in roles.leads("command")])
        for words_of_coils, coils in _coils(roles, phases):
            for words_of_engine, one in _engines(coils, phases, stretches):
                said = [part for part in (words, words_of_coils, words_of_engine) if part]
                if said:
                    yield ", ".join(said), one


def _roles(setup: Setup) -> Iterator[tuple[str, Setup]]:
    """Yield the setup with its roles, and with each command lead and each shared feedback lead exchanged."""
    yield "", setup
    for (i, command), (j, feedback) in product(setup.leads("command"), setup.leads("feedback")):
        channel = list(setup.channel)
        channel[i] = _as(command, role="feedback", cylinder=feedback.cylinder, cylinders=feedback.cylinders)
        channel[j] = _as(feedback, role="command", cylinder=command.cylinder, cylinders=None)
        words = f"'{feedback.column}' as the command lead and '{command.column}' as the feedback lead"
        yield words, setup.model_copy(update={"channel": tuple(channel)})


def _as(channel: SetupLead, **changes: object) -> SetupLead:
    return channel.model_copy(update=changes)


def _coils(setup: Setup, phases: dict[int, float]) -> Iterator[tuple[str, Setup]]:
    """Yield the setup, and with paired coils where leads fire together: one lead of each pair is enough."""
    yield "", setup
    dropped: dict[int, SetupLead] = {}
    for i, _ in setup.leads("command"):
        for j, second in setup.leads("command"):
            if j > i and i in phases and j in phases and i not in dropped and _apart(phases[i], phases[j]) < TOGETHER:
                dropped[j] = _as(second, role="other", cylinder=None)
    if dropped:
        channel = tuple(dropped.get(index, one) for index, one in enumerate(setup.channel))
        names = " and ".join(f"'{one.column}'" for one in dropped.values())
        yield f"{names} on a coil that another lead shows as well", setup.model_copy(update={"channel": channel})


def _apart(a: float, b: float) -> float:
    return abs((a - b + 0.5) % 1.0 - 0.5)


def _engines(setup: Setup, phases: dict[int, float], stretches: Sequence[pa.Table]) -> Iterator[tuple[str, Setup]]:
    """Yield the engine as described, and with other orders, layouts, angles and cylinders, the nearest ones first."""
    engine = setup.engine
    if (built := _built(setup, engine.model_dump(), {})) is not None:
        yield "", built
    layouts = ("coil_per_cylinder", "paired") if engine.layout != "paired" else ("paired", "coil_per_cylinder")
    counts = (engine.cylinders, *(n for n in CYLINDERS if n != engine.cylinders))
    for n, layout in product(counts, layouts):
        if layout == "paired" and ((n % 2 and n > 1) or engine.strokes == 2):
            continue
        yield from _one_engine(setup, n, layout, phases, stretches)


def _one_engine(
    setup: Setup, n: int, layout: str, phases: dict[int, float], stretches: Sequence[pa.Table]
) -> Iterator[tuple[str, Setup]]:
    """Yield the readings with this number of cylinders and layout of coils."""
    engine = setup.engine
    n_slots = max(n // 2, 1) if layout == "paired" else n
    places = {index: round(phase * n_slots) % n_slots for index, phase in phases.items()}
    if len(set(places.values())) < len(places):
        return
    order, numbers = list(engine.firing_order), dict[int, int]()
    if len(places) > 1 or n != engine.cylinders:
        order, numbers = _order(setup, n, n_slots, places)
    plain = {"cylinders": n, "firing_order": order, "strokes": engine.strokes, "layout": layout}
    words = _words(engine, n, layout, order)
    variants = [(words, plain)]
    if n == engine.cylinders and engine.firing_angles_deg:
        variants = [(words, {**plain, "firing_angles_deg": engine.firing_angles_deg}), ([*words, "even angles"], plain)]
    angles = _angles(stretches, setup, n_slots) if layout == "coil_per_cylinder" else None
    if angles is not None:
        told = f"firing angles {', '.join(f'{a:.0f}' for a in angles)} degrees"
        variants.append(([*words, told], {**plain, "firing_angles_deg": angles}))
    for said, values in variants:
        if said and (one := _built(setup, values, numbers)) is not None:
            yield ", ".join(said), one


def _words(engine: Engine, n: int, layout: str, order: list[int]) -> list[str]:
    """Return what differs from the engine as described."""
    words = [] if n == engine.cylinders else [f"{n} cylinder{'s' * (n > 1)}"]
    if layout != engine.layout:
        words.append("paired coils" if layout == "paired" else "a coil for each cylinder")
    if n == engine.cylinders and tuple(order) != engine.firing_order:
        words.append(f"firing order {'-'.join(map(str, order))}")
    return words


def _order(setup: Setup, n: int, n_slots: int, places: dict[int, int]) -> tuple[list[int], dict[int, int]]:
    """Return the firing order that has the leads in their places, and new cylinder numbers of leads that need one.

    With paired coils the lead's cylinder stands in the first half; its partner, whichever it is, in the second.
    """
    named: dict[int, int] = {}
    for index, channel in setup.leads("command"):
        if channel.cylinder is not None and channel.cylinder <= n:
            named[index] = channel.cylinder
    spare = [number for number in setup.engine.firing_order if number <= n and number not in named.values()]
    spare += [number for number in range(1, n + 1) if number not in spare and number not in named.values()]
    order = [0] * n
    for index, place in places.items():
        order[place] = named.get(index) or spare.pop(0)
    numbers = {index: order[place] for index, place in places.items()}
    first = order.index(next(iter(numbers.values()))) if numbers else 0
    order = [number or spare.pop(0) for number in order]
    if n == n_slots and 1 in order:
        first = order.index(1)
    return (order[first:] + order[:first] if n == n_slots else order), numbers


def _built(setup: Setup, engine: dict[str, object], numbers: dict[int, int]) -> Setup | None:
    """Return the setup with another engine; None where it is none."""
    try:
        known = set(Engine.model_validate(engine).firing_order)
        channel = []
        for index, one in enumerate(setup.channel):
            cylinder = numbers.get(index, one.cylinder if one.cylinder in known else None)
            cylinders = one.cylinders if set(one.cylinders or ()) <= known else None
            if one.role == "command" and cylinder is None:
                return None
            channel.append(_as(one, cylinder=cylinder, cylinders=cylinders).model_dump())
        return parse_setup({"engine": engine, "channel": channel})
    except (SetupError, ValueError):
        return None


def _phases(stretches: Sequence[pa.Table], leads: Sequence[int]) -> dict[int, float]:
    """Return where each command lead fires, as a share of the first one's interval; without those that never do."""
    phases: dict[int, list[float]] = {}
    for pulses in stretches:
        lead, start = pulses["lead"].to_numpy(), pulses["start_s"].to_numpy()
        reference = start[lead == leads[0]] if leads else start[:0]
        if len(reference) < 3:
            continue
        for index in leads:
            phases.setdefault(index, []).extend(_shares(reference, start[lead == index]).tolist())
    return {index: _middle(np.array(shares)) for index, shares in phases.items() if shares}


def _shares(reference: Floats, at: Floats) -> Floats:
    """Return the place of each instant between two of the reference's, where these are as far apart as usual."""
    length = np.diff(reference)
    before = np.searchsorted(reference, at, side="right") - 1
    inside = (before >= 0) & (before < len(length))
    at, before = at[inside], before[inside]
    usual = np.abs(length[before] / np.median(length) - 0.5 * sum(USUAL)) <= 0.5 * (USUAL[1] - USUAL[0])
    return np.asarray(((at - reference[before]) / length[before])[usual])


def _middle(shares: Floats) -> float:
    """Return the median on the circle of shares."""
    turn = np.exp(2j * np.pi * shares).mean()
    about = float(np.angle(turn) / (2 * np.pi))
    return float((about + np.median((shares - about + 0.5) % 1.0 - 0.5)) % 1.0)


def _angles(stretches: Sequence[pa.Table], setup: Setup, n: int) -> list[float] | None:
    """Return the firing angles of ``n`` answers between commands of a lone command lead; None: even, or not told."""
    commands, feedbacks = setup.leads("command"), setup.leads("feedback")
    if len(commands) != 1 or len(feedbacks) != 1 or n < 2:
        return None
    rows: list[Floats] = []
    for pulses in stretches:
        lead, start = pulses["lead"].to_numpy(), pulses["start_s"].to_numpy()
        reference, answers = start[lead == commands[0][0]], start[lead == feedbacks[0][0]]
        first, stop = np.searchsorted(answers, reference[:-1]), np.searchsorted(answers, reference[1:])
        whole = np.flatnonzero((stop - first == n) & (stop < len(answers)))
        for k in whole.tolist():
            turn = answers[first[k] : stop[k] + 1] - answers[first[k]]
            rows.append(turn[:-1] / turn[-1])
    if len(rows) < n:
        return None
    cycle_deg = 720.0 if setup.engine.strokes == 4 else 360.0
    deg = np.round(np.median(rows, axis=0) * cycle_deg / ROUND_DEG) * ROUND_DEG
    deg -= deg[0]
    if np.abs(deg - np.arange(n) * cycle_deg / n).max() < UNEVEN_DEG or np.any(np.diff(deg) <= 0):
        return None
    return [float(a) for a in deg]
