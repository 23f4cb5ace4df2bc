"""Pulses that should have come and did not, and pulses too many: counts, not distances.

A healthy engine leaves out no pulse, so one absence is a suspect at once, and a hundred are a hundred. What excuses it
is how unsure its place is, and a habit of the engine: what all cylinders that are watched do alike at that speed, in a
fiftieth of their events at least (repeated sparks). What one cylinder does so often is no habit but a standing fault;
some of its events head the list, and a note says how many there are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.runs import lasting_runs
from miner.events.columns import column_values, seen_values
from miner.expected.context import Context
from miner.rarity.pauses import find_pauses

__all__ = ["BASE_RATE", "Counted", "count_suspects"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

BASE_RATE = 1e-6
"""Absences (or extra pulses) an hour that a healthy engine is believed to show where nothing makes the place unsure: an
assumption, no source. A pulse that is not there is surer than any pulse that is a little off."""

HABIT_SHARE, LONE_HABIT_SHARE = 0.02, 0.1
"""Share of the events at some speed, of every cylinder, from which on something is what the engine does; where one
cylinder alone is watched, its own share must be larger, as there is none to compare it with (own choice)."""

LEAST_TOLD = 20
"""Events of every cylinder at some speed without which what is a habit there is not known (own choice)."""

LISTED_OF_MANY = 100
"""Events of a standing fault, one that a cylinder shows more often than `HABIT_SHARE`, that are listed."""

EDGE_CYCLES = 1.0
CUT_DOUBT = 3e6
SPEED_CELL, NEAR_CELLS = 0.05, 2
"""Width of a cell of the log of speed, and cells on each side that are taken together: where repeated sparks begin, and
where a limiter does, speed is told to some per cent (own choice)."""


@dataclass(frozen=True, kw_only=True)
class Counted:
    """Rate of false alarms of one counted kind; infinite where the event is not of this kind.

    Attributes
    ----------
    kind : str
    rate : ndarray (n,)
        False alarms per hour.
    """

    kind: str
    rate: Floats


def count_suspects(events: pa.Table, context: Context) -> tuple[list[Counted], list[str]]:
    """Return the counted kinds and notes on what is shown all the time."""
    command, feedback = seen_values(events, "command_seen"), seen_values(events, "feedback_seen")
    silent = np.where(command >= 0, command == 0, feedback == 0)
    pauses = find_pauses(silent, np.flatnonzero((command >= 0) | (feedback >= 0)), context)
    paused = pauses.paused | pauses.limited
    doubt = np.where(pauses.may_be_cut, CUT_DOUBT, 1.0) * _doubt(context, column_values(events, "cylinder_confidence"))
    extra = column_values(events, "extra_pulses") > 0
    spoken = np.flatnonzero(~silent)
    n_watched = np.unique(context.group[spoken]).size
    in_turn = np.zeros_like(extra)
    if n_watched > 1:  # over a whole cycle all of them in turn
        in_turn[spoken] = lasting_runs(extra[spoken], n_watched)
    kinds = (
        ("absent_command", (command == 0) & ~paused, command >= 0, paused),
        ("absent_feedback", (feedback == 0) & (command != 0) & ~paused, feedback >= 0, paused),
        ("extra_pulse", extra & ~in_turn, _shows_extra(command, silent), in_turn),
    )
    found, notes = [], _limiter_notes(pauses.limited, context)
    for kind, shown, could, together in kinds:
        habit = _habit(shown | (together & (kind == "extra_pulse")), could, context)
        rate = np.where(shown, BASE_RATE * doubt + habit * shown.size / context.hours, np.inf)
        notes += _notes(kind, shown, could, habit, context)
        found.append(Counted(kind=kind, rate=_some_of_many(rate, shown & (habit == 0), could, context)))
    return found, notes


def _shows_extra(command: NDArray[np.int8], silent: Bools) -> Bools:
    """Return which events could show a repeated spark: an answer need not repeat, so commands where there are any."""
    return np.asarray(command == 1 if (command >= 0).any() else ~silent, dtype=np.bool_)


def _doubt(context: Context, confidence: Floats) -> Floats:
    """Return the factor by which a count is to be believed less: near a start, a stop, a gap, or an unsure place."""
    near_edge = (context.since < EDGE_CYCLES) | (context.until < EDGE_CYCLES)
    unsure = np.where(np.isfinite(confidence), 1 - confidence, 0.0) > 0.05
    return np.where(near_edge, 100.0, 1.0) * np.where(unsure, 100.0, 1.0) * np.where(context.learns, 1.0, 1000.0)


def _habit(shown: Bools, could: Bools, context: Context) -> Floats:
    """Return the share (n,) of events that show it at such speeds as a habit of the engine; 0 where it is none."""
    if not shown.any():
        return np.zeros(shown.size)
    log_rpm = np.log(context.rpm)
    cell = np.floor((log_rpm - log_rpm.min()) / SPEED_CELL).astype(np.int64)
    groups = np.unique(context.group[could])
    least = HABIT_SHARE if groups.size > 1 else LONE_HABIT_SHARE
    share = np.full(int(cell.max()) + 1, np.inf)
    told = np.ones(share.size, dtype=np.bool_)
    around = np.ones(2 * NEAR_CELLS + 1)
    for group in groups:
        own = could & (context.group == group)
        n_could, n_shown = (
            np.convolve(np.bincount(cell[rows], minlength=share.size), around)[NEAR_CELLS : NEAR_CELLS + share.size]
            for rows in (own, own & shown)
        )
        told &= n_could >= LEAST_TOLD
        share = np.minimum(share, n_shown / np.maximum(n_could, 1))
    if not told.any():
        return np.zeros(shown.size)
    share[share < least] = 0.0
    cells = np.flatnonzero(told)  # at other speeds, those of a start, what is so at the nearest that was driven
    nearest = cells[np.abs(cells[:, None] - np.arange(share.size)).argmin(axis=0)]
    return np.asarray(share[nearest][cell], dtype=np.float64)


def _shares(shown: Bools, could: Bools, context: Context) -> list[tuple[int, float, int]]:
    """Return (cylinder, share, number) of what each shows more often than a single fault is."""
    found = []
    for group in range(context.n_groups):
        own = could & (context.group == group)
        n, n_due = int(np.sum(own & shown)), int(np.sum(own))
        if n > HABIT_SHARE * n_due and n >= LISTED_OF_MANY:
            found.append((group, n / n_due, n))
    return found


def _some_of_many(rate: Floats, shown: Bools, could: Bools, context: Context) -> Floats:
    """Return the rates with only some events of a standing fault left, evenly spread: the rest says nothing new."""
    for group, _, _ in _shares(shown, could, context):
        rows = np.flatnonzero(shown & could & (context.group == group))
        kept = rows[np.linspace(0, rows.size - 1, LISTED_OF_MANY).astype(np.int64)]
        rate[np.setdiff1d(rows, kept)] = np.inf
    return rate


def _limiter_notes(limited: Bools, context: Context) -> list[str]:
    if not limited.any():
        return []
    rpm = context.rpm[limited].max()
    note = (
        f"sparks of several cylinders are left out in a fixed pattern at the highest speed, up to {rpm:,.0f} rpm "
        f"({limited.sum():,}): taken for a limiter, not listed"
    )
    return [note]


_WHAT = {
    "absent_command": "of the command pulses are missing",
    "absent_feedback": "of the feedback pulses are missing",
    "extra_pulse": "of the events have further pulses",
}


def _notes(kind: str, shown: Bools, could: Bools, habit: Floats, context: Context) -> list[str]:
    notes = [
        f"{context.labels[group]}: {share:.1%} {_WHAT[kind]} ({n:,}), which is what it does all the time; "
        f"{LISTED_OF_MANY} of them are listed"
        for group, share, n in _shares(shown & (habit == 0), could, context)
    ]
    usual = shown & (habit > 0)
    if usual.any():
        rpm = context.rpm[usual]
        notes.append(
            f"all cylinders alike, {habit[usual].max():.0%} {_WHAT[kind]} from {rpm.min():,.0f} to "
            f"{rpm.max():,.0f} rpm: taken for a habit of this engine, not listed"
        )
    return notes
