"""What an incident shows: kinds, cylinders, what command and feedback did, and what else was recorded then."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.events.views import EventView, EventViews
from miner.schema import KINDS, OPERATING_STATES
from miner.words import clock, kind_name

__all__ = [
    "FAMILY_OF_KIND",
    "SUPPLY_LOW_V",
    "Evidence",
    "Struck",
    "collect_evidence",
    "join_words",
]

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


@dataclass(frozen=True, kw_only=True)
class Struck:
    """Some suspects: their rows in the recording, what is seen there, and their kinds, arrays of shape (n,)."""

    rows: _Ints
    view: EventView
    kinds: NDArray[np.str_]

    def take(self, which: _Ints | NDArray[np.bool_]) -> Struck:
        """Return some of them."""
        return Struck(rows=self.rows[which], view=self.view.take(which), kinds=self.kinds[which])


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
            what = kind_name(next(iter(self.kinds)))
        else:
            what = join_words([f"{kind_name(kind)} ({n})" for kind, n in self.kinds.items()])
        often = "once" if self.n_events == 1 else f"in {self.n_events:,} of {self.n_due:,} due events"
        return f"{self.who[0].upper()}{self.who[1:]}: {what} {often} {self._when()}{self._speed()}."

    def _when(self) -> str:
        if self.n_events == 1:
            return f"at {clock(self.start_s)}"
        return f"from {clock(self.start_s)} to {clock(self.end_s)}"

    def _speed(self) -> str:
        state = "" if self.state == "unknown" else f", {self.state}"
        if not self.rpm_low <= self.rpm_high:
            return state
        low, high = f"{self.rpm_low:,.0f}", f"{self.rpm_high:,.0f}"
        return f", {low} rpm{state}" if low == high else f", {low} to {high} rpm{state}"


def join_words(words: list[str]) -> str:
    """Return "a", "a and b", "a, b and c"."""
    return " and ".join(filter(None, [", ".join(words[:-1]), words[-1]])) if words else ""


def collect_evidence(views: EventViews, struck: Struck, listed: Struck, setup: Setup) -> Evidence:
    """Gather what the suspects of one incident show.

    Parameters
    ----------
    views : EventViews
        Of the recording.
    struck : Struck
        The suspects of the incident.
    listed : Struck
        All events that are listed in their own right, in time order.
    """
    seen, answered = struck.view.command_seen, struck.view.feedback_seen
    slots = np.unique(struck.view.slot)
    first, last = int(struck.rows.min()), int(struck.rows.max())
    clocks = float(struck.view.clock.min()), float(struck.view.clock.max())
    n_due, n_others = _count_around(views, slots, (first, last + 1), clocks)
    rpm = struck.view.rpm[np.isfinite(struck.view.rpm)]
    supply_v, usual_supply_v = _supplies(views, struck.rows, clocks)
    leads = _leads(setup, slots)
    return Evidence(
        kinds=_most_frequent_first(struck.kinds),
        cylinders=tuple(int(c) for c in np.unique(struck.view.cylinder) if c >= 0),
        served=tuple(sorted({c for slot in slots for c in _served(setup, int(slot))})),
        n_struck=slots.size,
        n_coils=setup.engine.pattern.n_slots,
        n_events=struck.rows.size,
        n_due=n_due,
        start_s=float(struck.view.time_s.min()),
        end_s=float(struck.view.time_s.max()),
        span_cycles=clocks[1] - clocks[0],
        rpm_low=float(rpm.min()) if rpm.size else float("nan"),
        rpm_high=float(rpm.max()) if rpm.size else float("nan"),
        state=OPERATING_STATES[Counter(struck.view.state.tolist()).most_common(1)[0][0]],
        n_others=n_others,
        n_others_listed=_count_listed(listed, slots, clocks),
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


def _most_frequent_first(kinds: NDArray[np.str_]) -> dict[str, int]:
    counts = Counter(kinds.tolist())
    return dict(sorted(counts.items(), key=lambda item: (-item[1], KINDS.index(item[0]))))


def _around(views: EventViews, clocks: tuple[float, float], cycles: float) -> tuple[int, int]:
    """Return the rows, half open, from so many cycles before one clock to so many after the other."""
    return views.row_at_clock(clocks[0] - cycles), views.row_at_clock(clocks[1] + cycles, after=True)


def _count_around(
    views: EventViews, slots: NDArray[np.int16], during: tuple[int, int], clocks: tuple[float, float]
) -> tuple[int, int]:
    """Count the events of the struck coils during the incident, and those of the others up to a cycle around it."""
    n_due = sum(int(np.isin(view.slot, slots).sum()) for view in views.between(*during))
    around = views.between(*_around(views, clocks, 1.0))
    return n_due, sum(int((~np.isin(view.slot, slots)).sum()) for view in around)


def _count_listed(listed: Struck, slots: NDArray[np.int16], clocks: tuple[float, float]) -> int:
    """Count the listed events of other coils up to a cycle around the incident."""
    first = np.searchsorted(listed.view.clock, clocks[0] - 1.0)
    stop = np.searchsorted(listed.view.clock, clocks[1] + 1.0, side="right")
    return int((~np.isin(listed.view.slot[first:stop], slots)).sum())


def _supplies(views: EventViews, rows: _Ints, clocks: tuple[float, float]) -> tuple[float, float]:
    """Return the median supply at the suspects and around them; an absent event has its neighbour's supply."""
    start, stop = _around(views, clocks, NEIGHBOURHOOD_CYCLES)
    window = np.concatenate([view.supply_v for view in views.between(start, stop)])
    known = np.flatnonzero(np.isfinite(window))
    if not known.size:
        return float("nan"), float("nan")
    at = known[np.searchsorted(known, rows - start).clip(0, known.size - 1)]
    rest = np.setdiff1d(known, at)
    usual_v = float(np.median(window[rest])) if rest.size else float("nan")
    return float(np.median(window[at])), usual_v


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
