"""Pulses that should have come and did not, and pulses too many: counts, not distances.

A healthy engine leaves out no pulse, so one absence is a suspect at once. How sure that is depends on the recording:
where absences (or repeated sparks at low speed) are the habit of the lead or the engine, their own frequency is the
rate of false alarms. Habit is what most stretches of time show, so that one burst of faults is no habit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.runs import lasting_runs
from miner.events.columns import column_values, seen_values
from miner.expected.context import Context
from miner.expected.robust import mad_sigma

__all__ = ["BASE_RATE", "Counted", "count_suspects"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

BASE_RATE = 1e-3
"""Absences (or extra pulses) an hour that a healthy engine is believed to show: an assumption, no source."""

EDGE_CYCLES = 1.0
SHORT_PAUSE_S = 0.4
CUT_DOUBT = 3000.0
COAST_SIGMA = 2.0
"""A fall of speed of this many usual changes from cycle to cycle is more than the unevenness of steady running."""

BLOCKS = 24
SPEED_BINS = 16


@dataclass(frozen=True, kw_only=True)
class Counted:
    """Rate of false alarms of one counted kind; infinite where the event is not of this kind.

    Attributes
    ----------
    kind : str
    rate : ndarray (n,)
        False alarms per hour.
    habit : ndarray (n,)
        Share of events that show the same under these conditions, as a habit.
    """

    kind: str
    rate: Floats
    habit: Floats


def count_suspects(events: pa.Table, context: Context) -> tuple[list[Counted], list[str]]:
    """Return the counted kinds and notes on leads that cannot be trusted."""
    command, feedback = seen_values(events, "command_seen"), seen_values(events, "feedback_seen")
    confidence = column_values(events, "cylinder_confidence")
    silent = np.where(command >= 0, command == 0, feedback == 0)
    paused, may_be_cut = np.zeros_like(silent), np.zeros_like(silent)
    told = np.flatnonzero((command >= 0) | (feedback >= 0))
    paused[told], may_be_cut[told] = _pauses(silent[told], told, context)
    doubt = np.where(may_be_cut, CUT_DOUBT, 1.0) * _doubt(context, confidence)
    found, notes = [], []
    for kind, absent in (("absent_command", command == 0), ("absent_feedback", (feedback == 0) & (command != 0))):
        shown = absent & ~paused
        counted = _counted(kind, shown, context, doubt, by_speed=False)
        found.append(counted)
        notes += _notes(kind, counted, shown)
    extra = column_values(events, "extra_pulses") > 0
    counted, told = _counted("extra_pulse", extra, context, doubt, by_speed=True), np.flatnonzero(~silent)
    n_watched = np.unique(context.group[told]).size
    if n_watched > 1:  # over a whole cycle all of them in turn: a habit
        counted.rate[told[lasting_runs(extra[told], n_watched)]] = np.inf
    found.append(counted)
    return found, notes


def _pauses(silent: Bools, rows: NDArray[np.int64], context: Context) -> tuple[Bools, Bools]:
    """Return which ``rows`` lie in a stretch where every cylinder is silent: a cut, a stop or a start, not a fault.

    That is a run over two whole cycles, or, where only one cylinder is watched, a run of at least four that lasts
    `SHORT_PAUSE_S`; and a run that touches the start or the end of a stretch, because there the engine may as well
    not have been running. Secondly, which lie in a shorter run over several cylinders while the engine was coasting
    already: a short cut of the fuel looks like that as well.
    """
    paused, may_be_cut = np.zeros_like(silent), np.zeros_like(silent)
    places = np.flatnonzero(silent)
    if places.size == 0:
        return paused, may_be_cut
    n_watched = np.unique(context.group[rows]).size
    breaks = (np.diff(places) > 1) | (np.diff(context.segment[rows[places]]) > 0)
    for run in np.split(places, np.flatnonzero(breaks) + 1):
        first, last = rows[run[0]], rows[run[-1]]
        long_enough = n_watched > 1 or context.time_s[last] - context.time_s[first] >= SHORT_PAUSE_S
        whole = run.size >= max(2 * n_watched, 4) and long_enough
        paused[run] = whole or context.since[first] == 0 or context.until[last] == 0
        may_be_cut[run] = np.unique(context.group[rows[run]]).size > 1 and _coasts(int(first), int(last), context)
    return paused, may_be_cut


def _coasts(first: int, last: int, context: Context) -> bool:
    """Tell whether the speed falls over the cycle before the rows, across them and over the cycle after them."""
    turn = context.n_groups
    places = np.clip(np.array([first - 1 - turn, first - 1, last + 1, last + 1 + turn]), 0, context.rpm.size - 1)
    falls = np.diff(np.log(context.rpm[places]))
    return bool(np.all(falls < 0) and falls.sum() < -COAST_SIGMA * mad_sigma(context.acceleration))


def _doubt(context: Context, confidence: Floats) -> Floats:
    """Return the factor by which a count is to be believed less: near a start, a stop, a gap, or an unsure place."""
    near_edge = (context.since < EDGE_CYCLES) | (context.until < EDGE_CYCLES)
    unsure = np.where(np.isfinite(confidence), 1 - confidence, 0.0) > 0.05
    return np.where(near_edge, 100.0, 1.0) * np.where(unsure, 100.0, 1.0) * np.where(context.learns, 1.0, 1000.0)


def _counted(kind: str, shown: Bools, context: Context, doubt: Floats, *, by_speed: bool) -> Counted:
    cell = _speed_cells(context) if by_speed else np.zeros(shown.size, dtype=np.int64)
    share = np.zeros(int(cell.max()) + 1)
    if shown.any():
        share = np.array([_habit(shown[cell == c]) for c in range(share.size)])
    wide = np.maximum(share, np.maximum(np.append(share[1:], 0.0), np.append(0.0, share[:-1])))
    habit = wide[cell]
    in_hour = shown.size / context.hours
    return Counted(kind=kind, rate=np.where(shown, BASE_RATE * doubt + habit * in_hour, np.inf), habit=habit)


def _speed_cells(context: Context) -> NDArray[np.int64]:
    edges = np.unique(np.quantile(context.rpm, np.linspace(0, 1, SPEED_BINS + 1)[1:-1]))
    return np.searchsorted(edges, context.rpm).astype(np.int64)


def _habit(shown: Bools) -> float:
    """Return the share that is habit: the median over equal blocks of successive events."""
    if shown.size == 0:
        return 0.0
    blocks = np.array_split(shown, min(BLOCKS, max(1, shown.size // 20)))
    return float(np.median([block.mean() for block in blocks]))


def _notes(kind: str, counted: Counted, shown: Bools) -> list[str]:
    habit = float(counted.habit.max(initial=0.0))
    if habit == 0.0 or not shown.any():
        return []
    what = kind.removeprefix("absent_")
    return [
        (
            f"{what} pulses are missing all the time ({habit:.2%} of the events, in most stretches of the recording): "
            f"check how the {what} lead is clipped on before trusting single absences"
        )
    ]
