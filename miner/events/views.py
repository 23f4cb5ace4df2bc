"""The columns of EVENTS that incidents, conditions and windows look at, on a clock in engine cycles.

Worked out piece by piece: what runs on from event to event (clock, start of the engine, speed where none is told) is
known at the begin of each piece, so that any stretch of a day can be looked at without the rest.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.arrays import ArrayFields, inside
from miner.engine.setup import Setup
from miner.events.columns import column_values, seen_values, state_codes
from miner.events.rows import PIECE_EVENTS, Rows, cylinder_values, first_id, pieces_of, rows_between, single_values
from miner.memory import Kept

__all__ = ["EventView", "EventViews", "view_events"]

STOP_S = 2.0
"""A step from one segment to the next that is longer than this is a stop of the engine, from which it starts anew; a
shorter one is a pause of the ignition or a gap, over which the engine turned on (own choice)."""

PIECES_KEPT = 3
"""Pieces that are held, some MB each: who looks around an event goes on from one to the next."""

_TIMED = ("time_s", "engine_rpm", "segment")
_COLUMNS = (
    *_TIMED, "slot", "cylinder", "command_seen", "feedback_seen", "supply_v", "operating_state",
)  # fmt: skip

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]
_Singles = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class EventView(ArrayFields):
    """Successive events, or some of them, as arrays of shape (n_events,).

    ``clock`` counts engine cycles since the recording's first event by time and speed, so that it also runs on over
    stops and gaps; ``cycle_s`` is the length of the engine cycle. ``running_s`` is the time to the next event, 0 over
    stops; ``since_start_s`` runs from the engine's last start, the recording's begin counting as one.
    ``command_seen`` and ``feedback_seen`` are 1, 0 or -1 (null), ``cylinder`` is -1 where unknown, ``supply_v`` and
    ``rpm`` NaN; ``state`` is a place in `OPERATING_STATES`.
    """

    time_s: _Floats
    clock: _Floats
    cycle_s: _Singles
    running_s: _Singles
    since_start_s: _Floats
    slot: NDArray[np.int16]
    cylinder: NDArray[np.int16]
    command_seen: NDArray[np.int8]
    feedback_seen: NDArray[np.int8]
    supply_v: _Singles
    rpm: _Singles
    state: NDArray[np.int8]


@dataclass(frozen=True, kw_only=True)
class _Edge:
    """What is known where a piece begins: of the event before it (the first event has itself), and of its first."""

    before_s: float
    clock: float
    started_s: float
    segment: int
    first_s: float
    first_segment: int


class EventViews:
    """Views of the events of a recording, which need not be in memory.

    Parameters
    ----------
    events : Rows
        In time order.
    setup : Setup

    Attributes
    ----------
    turns_per_cycle : float
        Crank revolutions of an engine cycle.
    """

    def __init__(self, events: Rows, setup: Setup) -> None:
        self._events = events
        self._kept: Kept[EventView] = Kept(PIECES_KEPT)
        self._first_id = first_id(events)
        self.turns_per_cycle = 2.0 if setup.engine.strokes == 4 else 1.0
        self._later_rpm = _later_speeds(events)
        self._even_cycle_s = _even_cycle_s(events) if np.isnan(self._later_rpm).any() else None
        self._edges = self._find_edges()

    @property
    def n_cycles(self) -> float:
        """Engine cycles from the first event to the last."""
        return self._edges[-1].clock

    def rows_of(self, event_ids: _Ints) -> _Ints:
        """Return the row of each event."""
        return event_ids - self._first_id

    def __iter__(self) -> Iterator[tuple[int, EventView]]:
        """Yield all events piece by piece, each with the row it begins at."""
        for number, table in enumerate(pieces_of(self._events, _COLUMNS)):
            yield number * PIECE_EVENTS, self._view(number, table)

    def take(self, rows: _Ints) -> EventView:
        """Return the events at some rows, in the order asked for."""
        order = np.argsort(rows, kind="stable")
        parts = [view.take(inside(rows[order], start, view.time_s.size)) for start, view in self]
        return EventView.join(parts).take(np.argsort(order))

    def between(self, first: int, stop: int) -> Iterator[EventView]:
        """Yield the events of rows ``[first, stop)``, piece by piece."""
        for number in range(first // PIECE_EVENTS, -(-stop // PIECE_EVENTS)):
            start = number * PIECE_EVENTS
            yield self._piece(number).take(slice(max(first - start, 0), stop - start))

    def row_at_clock(self, clock: float, *, after: bool = False) -> int:
        """Return the first row that is not before the clock, or the first ``after`` it."""
        side: Literal["left", "right"] = "right" if after else "left"
        starts = [edge.clock for edge in self._edges[1:-1]]  # of the last event before each piece but the first
        number = int(np.searchsorted(starts, clock, side=side))
        return number * PIECE_EVENTS + int(np.searchsorted(self._piece(number).clock, clock, side=side))

    def _piece(self, number: int) -> EventView:
        def make() -> EventView:
            first = number * PIECE_EVENTS
            return self._view(number, rows_between(self._events, first, first + PIECE_EVENTS, _COLUMNS))

        return self._kept.get(number, make)

    def _find_edges(self) -> list[_Edge]:
        """Go through times and speeds once; the last edge lies behind the last piece."""
        edges: list[_Edge] = []
        before_s = clock = started_s = 0.0
        before = 0
        for number, table in enumerate(pieces_of(self._events, _TIMED)):
            time_s, segment = column_values(table, "time_s"), table["segment"].to_numpy()
            if not edges:
                before_s, before = float(time_s[0]), int(segment[0])
                started_s = before_s
            edges.append(_Edge(before_s=before_s, clock=clock, started_s=started_s, segment=before,
                               first_s=float(time_s[0]), first_segment=int(segment[0])))  # fmt: skip
            started_s = float(_starts_s(time_s, segment, edges[-1])[-1])
            clock = float(_clock(time_s, self._cycle_lengths(number, table), edges[-1])[-1])
            before_s, before = float(time_s[-1]), int(segment[-1])
        edges.append(_Edge(before_s=before_s, clock=clock, started_s=started_s, segment=before,
                           first_s=before_s, first_segment=before))  # fmt: skip
        return edges

    def _cycle_lengths(self, number: int, table: pa.Table) -> _Singles:
        """Return seconds per engine cycle: from the speed, carried over events without one."""
        if self._even_cycle_s is not None:
            return np.full(table.num_rows, self._even_cycle_s, dtype=np.float32)
        lengths = single_values(table, "engine_rpm")
        told = np.isfinite(lengths) & (lengths > 0)
        unknown, known = np.flatnonzero(~told), np.flatnonzero(told)
        following = np.append(lengths[known], np.float32(self._later_rpm[number]))
        lengths[unknown] = following[np.searchsorted(known, unknown)]
        return np.divide(np.float32(60.0 * self.turns_per_cycle), lengths, out=lengths)

    def _view(self, number: int, table: pa.Table) -> EventView:
        edge, following = self._edges[number], self._edges[number + 1]
        time_s, cycle_s = column_values(table, "time_s"), self._cycle_lengths(number, table)
        segment = table["segment"].to_numpy()
        step_s = np.diff(time_s, append=following.first_s).astype(np.float32)
        is_stop = _is_stop(step_s, np.diff(segment, append=following.first_segment))
        return EventView(
            time_s=time_s,
            clock=_clock(time_s, cycle_s, edge),
            cycle_s=cycle_s,
            running_s=np.where(is_stop, np.float32(0.0), step_s),
            since_start_s=time_s - _starts_s(time_s, segment, edge),
            slot=table["slot"].to_numpy().astype(np.int16),
            cylinder=cylinder_values(table),
            command_seen=seen_values(table, "command_seen"),
            feedback_seen=seen_values(table, "feedback_seen"),
            supply_v=single_values(table, "supply_v"),
            rpm=single_values(table, "engine_rpm"),
            state=state_codes(table),
        )


def view_events(events: pa.Table, setup: Setup) -> EventView:
    """Return the view of events that are in memory."""
    return EventView.join([view for _, view in EventViews(events, setup)])


def _is_stop(step_s: _Singles, new_segments: _Ints) -> NDArray[np.bool_]:
    """Return which steps between events are stops."""
    return np.asarray((step_s > STOP_S) & (new_segments > 0))


def _starts_s(time_s: _Floats, segment: _Ints, edge: _Edge) -> _Floats:
    """Return when the engine had last started at each event."""
    step_s = np.diff(time_s, prepend=edge.before_s).astype(np.float32)
    starts: _Floats = np.where(_is_stop(step_s, np.diff(segment, prepend=edge.segment)), time_s, edge.started_s)
    return np.maximum.accumulate(starts, out=starts)


def _clock(time_s: _Floats, cycle_s: _Singles, edge: _Edge) -> _Floats:
    steps = np.diff(time_s, prepend=edge.before_s) / cycle_s
    steps[0] += edge.clock
    return np.cumsum(steps, out=steps)


def _later_speeds(events: Rows) -> _Floats:
    """Return the speed, rpm, that the last events of each piece have where they tell none themselves.

    The next that is told; behind the last of the recording, the last. NaN where none is told at all.
    """
    first, last = [], []
    for table in pieces_of(events, ["engine_rpm"]):
        rpm = single_values(table, "engine_rpm")
        told = rpm[np.isfinite(rpm) & (rpm > 0)]
        first.append(told[0] if told.size else np.nan)
        last.append(told[-1] if told.size else np.nan)
    later = np.append(first[1:], np.nan)
    for number in range(later.size - 2, -1, -1):
        if np.isnan(later[number]):
            later[number] = later[number + 1]
    known = np.asarray(last)[np.isfinite(last)]
    return np.where(np.isnan(later), known[-1] if known.size else np.nan, later)


def _even_cycle_s(events: Rows) -> float:
    """Return one length for all cycles, s, from the first cycle to the last."""
    first, last = (events.slice(row, 1) for row in (0, events.num_rows - 1))
    n_cycles = int(last["cycle"][0].as_py() - first["cycle"][0].as_py())
    passed_s = float(last["time_s"][0].as_py() - first["time_s"][0].as_py())
    return max(passed_s / max(n_cycles, 1), 1e-3)
