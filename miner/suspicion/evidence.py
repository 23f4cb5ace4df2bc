"""What an incident shows: kinds, cylinders, what command and feedback did, and what else was recorded then."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.schema import KINDS, OPERATING_STATES
from miner.suspicion.measures import column_values, seen_values, state_codes
from miner.suspicion.rows import Rows, cylinder_values, first_id, gather, single_values

__all__ = [
    "FAMILY_OF_KIND",
    "KIND_WORDS",
    "SUPPLY_LOW_V",
    "EventView",
    "Evidence",
    "collect_evidence",
    "join_words",
    "view_events",
]

KIND_WORDS: Mapping[str, str] = {
    "absent_command": "command absent",
    "absent_feedback": "feedback absent",
    "short_on_time": "on-time short",
    "long_on_time": "on-time long",
    "late_feedback": "feedback late",
    "early_feedback": "feedback early",
    "weak_command": "command weak",
    "distorted_command": "command distorted",
    "weak_feedback": "feedback weak",
    "odd_feedback_width": "feedback width odd",
    "extra_pulse": "extra pulse",
    "uneven_interval": "interval uneven",
    "supply_sag": "supply low",
    "unusual": "rare mixture of values",
}
"""Each kind in plain words."""

FAMILY_OF_KIND: Mapping[str, str] = {
    "absent_command": "command",
    "short_on_time": "command",
    "long_on_time": "command",
    "weak_command": "shape",
    "distorted_command": "shape",
    "absent_feedback": "feedback",
    "late_feedback": "feedback",
    "early_feedback": "feedback",
    "weak_feedback": "feedback",
    "odd_feedback_width": "feedback",
    "extra_pulse": "extra",
    "supply_sag": "supply",
    "uneven_interval": "rhythm",
    "unusual": "unusual",
}
"""Kinds that one trouble commonly brings forth together (common practice, no source)."""

SUPPLY_LOW_V = 0.5
"""A supply this far below its neighbourhood is called low; brushes and regulators ripple less (common practice)."""

NEIGHBOURHOOD_CYCLES = 100.0
"""Engine cycles before and after an incident in which its usual supply is looked up."""

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]
_Singles = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class EventView:
    """The columns of EVENTS that incidents look at, as arrays of shape (n_events,) in time order.

    ``clock`` counts engine cycles since the first event by time and speed, so that it also runs on over stops and
    gaps; ``cycle_s`` is the length of the engine cycle. ``command_seen`` and ``feedback_seen`` are 1, 0 or -1 (null),
    ``cylinder`` is -1 where unknown, ``supply_v`` and ``rpm`` NaN; ``state`` is a place in `OPERATING_STATES`.
    ``first_id`` is the running number of the first. Types are small: a day has millions of events.
    """

    first_id: int
    time_s: _Floats
    clock: _Floats
    cycle_s: _Singles
    slot: NDArray[np.int16]
    cylinder: NDArray[np.int16]
    command_seen: NDArray[np.int8]
    feedback_seen: NDArray[np.int8]
    supply_v: _Singles
    rpm: _Singles
    state: NDArray[np.int8]

    def rows_of(self, event_ids: _Ints) -> _Ints:
        """Return the row of each event."""
        return event_ids - self.first_id

    def steps_s(self) -> _Singles:
        """Return the time from one event to the next, s, shape (n_events - 1,)."""
        step = np.empty(self.time_s.size - 1, dtype=np.float32)
        return np.subtract(self.time_s[1:], self.time_s[:-1], out=step, casting="same_kind")


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What one incident shows.

    Attributes
    ----------
    kinds : mapping of str to int
        Suspects of each kind, most frequent first.
    cylinders : tuple of int
        Struck cylinders, ascending; empty where they cannot be told.
    served : tuple of int
        Cylinders of the struck coils: the same, and with paired coils their partners.
    n_struck, n_coils : int
        Struck coils (places in the cycle), and coils of the engine.
    n_events, n_due : int
        Suspects, and events that were due on the struck coils from the first to the last.
    span_cycles : float
        Engine cycles from the first to the last.
    n_others, n_others_listed : int
        Events of the other coils at that time, and how many of them are listed too.
    command_lead, feedback_lead, feedback_shared : bool
        Every struck coil has a command lead; a feedback lead; that lead answers for several coils.
    roles : frozenset of str
        Roles of all leads that were recorded.
    n_command_absent, n_feedback_absent : int
        Suspects without command, without feedback.
    n_feedback_alone, n_command_alone : int
        Feedback came though no command was seen; the other way round.
    supply_v, usual_supply_v : float
        Median at the suspects and around them; NaN where not recorded.
    """

    kinds: Mapping[str, int]
    cylinders: tuple[int, ...]
    served: tuple[int, ...]
    n_struck: int
    n_coils: int
    n_events: int
    n_due: int
    start_s: float
    end_s: float
    span_cycles: float
    rpm_low: float = float("nan")
    rpm_high: float = float("nan")
    state: str = "unknown"
    n_others: int = 0
    n_others_listed: int = 0
    command_lead: bool = True
    feedback_lead: bool = True
    feedback_shared: bool = True
    roles: frozenset[str] = frozenset({"command", "feedback"})
    n_command_absent: int = 0
    n_feedback_absent: int = 0
    n_feedback_alone: int = 0
    n_command_alone: int = 0
    supply_v: float = float("nan")
    usual_supply_v: float = float("nan")

    @property
    def families(self) -> Counter[str]:
        """Suspects of each family of kinds."""
        counts: Counter[str] = Counter()
        for kind, n in self.kinds.items():
            counts[FAMILY_OF_KIND[kind]] += n
        return counts

    @property
    def who(self) -> str:
        """The struck cylinders in words."""
        return _cylinders(self.cylinders, self.n_struck)

    @property
    def everywhere(self) -> bool:
        """At least three quarters of the coils are struck, at one moment or in at least half of their events."""
        most = self.n_coils > 1 and self.n_struck >= max(2.0, 0.75 * self.n_coils)
        return most and (self.span_cycles <= 10.0 or self.n_events >= 0.5 * self.n_due)

    @property
    def supply_drop_v(self) -> float:
        """How far the supply was below its neighbourhood, positive when lower; NaN where not recorded."""
        return self.usual_supply_v - self.supply_v

    @property
    def supply_low(self) -> bool:
        """The supply was recorded and was low at the suspects."""
        return self.supply_drop_v >= SUPPLY_LOW_V

    def sentence(self) -> str:
        """Return what happened, in plain words."""
        if len(self.kinds) == 1:
            what = KIND_WORDS[next(iter(self.kinds))]
        else:
            what = join_words([f"{KIND_WORDS[kind]} ({n})" for kind, n in self.kinds.items()])
        often = "once" if self.n_events == 1 else f"in {self.n_events:,} of {self.n_due:,} due events"
        return f"{self.who[0].upper()}{self.who[1:]}: {what} {often} {self._when()}{self._speed()}."

    def _when(self) -> str:
        into = f" ({int(self.start_s // 60)} min {int(self.start_s % 60)} s)" if self.start_s >= 60 else ""
        if self.n_events == 1:
            return f"at {self.start_s:.3f} s{into}"
        return f"from {self.start_s:.3f} s{into} to {self.end_s:.3f} s"

    def _speed(self) -> str:
        state = "" if self.state == "unknown" else f", {self.state}"
        if not self.rpm_low <= self.rpm_high:
            return state
        low, high = f"{self.rpm_low:,.0f}", f"{self.rpm_high:,.0f}"
        return f", {low} rpm{state}" if low == high else f", {low} to {high} rpm{state}"


def join_words(words: list[str]) -> str:
    """Return "a", "a and b", "a, b and c"."""
    return " and ".join(filter(None, [", ".join(words[:-1]), words[-1]])) if words else ""


def view_events(events: Rows, setup: Setup) -> EventView:
    """Take from EVENTS what incidents look at, with a clock in engine cycles."""
    time_s, rpm = gather(events, "time_s", column_values), gather(events, "engine_rpm", single_values)
    cycle_s = _cycle_lengths(events, time_s, rpm, setup)
    return EventView(
        first_id=first_id(events),
        time_s=time_s,
        clock=_clock(time_s, cycle_s),
        cycle_s=cycle_s,
        slot=gather(events, "slot", lambda piece, name: piece[name].to_numpy().astype(np.int16)),
        cylinder=gather(events, "cylinder", cylinder_values),
        command_seen=gather(events, "command_seen", seen_values),
        feedback_seen=gather(events, "feedback_seen", seen_values),
        supply_v=gather(events, "supply_v", single_values),
        rpm=rpm,
        state=gather(events, "operating_state", state_codes),
    )


def _clock(time_s: _Floats, cycle_s: _Singles) -> _Floats:
    clock = np.zeros_like(time_s)
    np.subtract(time_s[1:], time_s[:-1], out=clock[1:])
    np.divide(clock, cycle_s, out=clock)
    return np.cumsum(clock, out=clock)


def _cycle_lengths(events: Rows, time_s: _Floats, rpm: _Singles, setup: Setup) -> _Singles:
    """Return seconds per engine cycle: from the speed, carried over events without one."""
    turns = 2.0 if setup.engine.strokes == 4 else 1.0
    told = np.isfinite(rpm) & (rpm > 0)
    if told.any():
        lengths: _Singles = rpm.copy()
        unknown = np.flatnonzero(~told)
        if unknown.size:
            known = np.flatnonzero(told)
            lengths[unknown] = rpm[known[np.searchsorted(known, unknown).clip(0, known.size - 1)]]
        return np.divide(np.float32(60.0 * turns), lengths, out=lengths)
    first, last = (events.slice(row, 1)["cycle"][0].as_py() for row in (0, time_s.size - 1))
    length_s = max(float(time_s[-1] - time_s[0]) / max(last - first, 1), 1e-3)
    return np.full(time_s.size, length_s, dtype=np.float32)


def collect_evidence(
    view: EventView, rows: _Ints, kinds: NDArray[np.str_], listed: NDArray[np.bool_], setup: Setup
) -> Evidence:
    """Gather what the suspects at ``rows`` show.

    Parameters
    ----------
    rows, kinds : ndarray of shape (n,)
        Rows of the view and kinds of the suspects.
    listed : ndarray of bool, shape (n_events,)
        Which events are listed in their own right.
    """
    counts = Counter(kinds.tolist())
    slots = np.unique(view.slot[rows])
    first, last = int(rows.min()), int(rows.max())
    during = slice(first, last + 1)
    around = _around(view, first, last, 1.0)
    others = np.arange(around.start, around.stop)
    others = others[~np.isin(view.slot[others], slots)]
    seen, answered = view.command_seen[rows], view.feedback_seen[rows]
    rpm = view.rpm[rows][np.isfinite(view.rpm[rows])]
    supply_v, usual_supply_v = _supplies(view, rows)
    leads = _leads(setup, slots)
    return Evidence(
        kinds=dict(sorted(counts.items(), key=lambda item: (-item[1], KINDS.index(item[0])))),
        cylinders=tuple(int(c) for c in np.unique(view.cylinder[rows]) if c >= 0),
        served=tuple(sorted({c for slot in slots for c in _served(setup, int(slot))})),
        n_struck=slots.size,
        n_coils=setup.engine.pattern.n_slots,
        n_events=rows.size,
        n_due=int(np.isin(view.slot[during], slots).sum()),
        start_s=float(view.time_s[first]),
        end_s=float(view.time_s[last]),
        span_cycles=float(view.clock[last] - view.clock[first]),
        rpm_low=float(rpm.min()) if rpm.size else float("nan"),
        rpm_high=float(rpm.max()) if rpm.size else float("nan"),
        state=OPERATING_STATES[Counter(view.state[rows].tolist()).most_common(1)[0][0]],
        n_others=others.size,
        n_others_listed=int(listed[others].sum()),
        command_lead=leads.command,
        feedback_lead=leads.feedback,
        feedback_shared=leads.shared,
        roles=frozenset(channel.role for channel in setup.channel),
        n_command_absent=int((seen == 0).sum()),
        n_feedback_absent=int((answered == 0).sum()),
        n_feedback_alone=int(((seen == 0) & (answered == 1)).sum()),
        n_command_alone=int(((seen == 1) & (answered == 0)).sum()),
        supply_v=supply_v,
        usual_supply_v=usual_supply_v,
    )


def _around(view: EventView, first: int, last: int, cycles: float) -> slice:
    start = np.searchsorted(view.clock, view.clock[first] - cycles)
    stop = np.searchsorted(view.clock, view.clock[last] + cycles, side="right")
    return slice(int(start), int(stop))


def _supplies(view: EventView, rows: _Ints) -> tuple[float, float]:
    """Return the median supply at the suspects and around them; an absent event has its neighbour's supply."""
    near = _around(view, int(rows.min()), int(rows.max()), NEIGHBOURHOOD_CYCLES)
    window = view.supply_v[near]
    known = np.flatnonzero(np.isfinite(window))
    if not known.size:
        return float("nan"), float("nan")
    at = known[np.searchsorted(known, rows - near.start).clip(0, known.size - 1)]
    rest = np.setdiff1d(known, at)
    usual = float(np.median(window[rest])) if rest.size else float("nan")
    return float(np.median(window[at])), usual


def _served(setup: Setup, slot: int) -> tuple[int, ...]:
    served = setup.engine.pattern.cylinders
    return served[slot] if slot < len(served) and _cylinders_known(setup) else ()


def _cylinders_known(setup: Setup) -> bool:
    """Say whether a lead anchors the cycle: one of a single cylinder does, a shared feedback alone does not."""
    return bool(setup.leads("command")) or any(
        channel.cylinder is not None or len(channel.cylinders or ()) == 1 for _, channel in setup.leads("feedback")
    )


class _Leads(NamedTuple):
    command: bool
    feedback: bool
    shared: bool


def _leads(setup: Setup, slots: NDArray[np.int16]) -> _Leads:
    """Say which leads the struck coils have."""
    engine = setup.engine
    commanded = {engine.pattern.slot_of(c) for _, lead in setup.leads("command") for c in lead.served(engine)}
    answering = [{engine.pattern.slot_of(c) for c in lead.served(engine)} for _, lead in setup.leads("feedback")]
    struck = set(slots.tolist())
    return _Leads(
        command=struck <= commanded,
        feedback=struck <= set().union(*answering),
        shared=any(len(lead) > 1 and struck <= lead for lead in answering),
    )


def _cylinders(cylinders: tuple[int, ...], n_struck: int) -> str:
    if not cylinders:
        return "a cylinder that cannot be told" if n_struck == 1 else "cylinders that cannot be told"
    word = "cylinder" if len(cylinders) == 1 else "cylinders"
    return f"{word} {join_words([str(c) for c in cylinders])}"
