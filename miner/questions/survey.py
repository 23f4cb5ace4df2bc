"""What a recording shows of speeds, supply, states and cylinders: how long each lasted, and where the suspects lie.

One pass over the events, piece by piece; what is kept grows with the suspects, not with the recording.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.engine.arrays import inside
from miner.engine.setup import Setup
from miner.events.views import EventView, EventViews
from miner.schema import OPERATING_STATES
from miner.suspects.evidence import FAMILY_OF_KIND
from miner.words import clock

__all__ = [
    "FAMILY_PREFIX",
    "Condition",
    "Survey",
    "duration_words",
    "first_start_words",
    "leads_for",
    "recorded_for_kind",
    "survey_conditions",
]

SPEED_BAND_RPM = 200.0
"""Width of the bands of speed: an idle is within one (own choice)."""
SUPPLY_BAND_V = 0.5
"""Width of the bands of supply: what a load switches is about one (own choice)."""
MOST_BANDS = 1000
"""Bands that are counted; what lies beyond goes into the last."""
SINCE_START_S = (0.0, 5.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 2400.0, 4800.0, np.inf)
"""Band edges: common practice, no source."""

FIRST_START_BAND_S = 120.0
"""Width of the bands of time since the first start: engines warm up over some ten minutes (common practice)."""

FAMILY_PREFIX = "any "
"""Before the name of a family of kinds (`FAMILY_OF_KIND`) that is looked at as one."""

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]
_Bools = NDArray[np.bool_]

_LEADS = ("command", "feedback", "both", "either")


@dataclass(frozen=True, kw_only=True)
class Condition:
    """One condition: the band of every suspect (-1: not known), and each band's words, edges and exposure.

    ``exposure`` holds events and seconds of each band, shape (2, n_bands), by the leads that a kind needs.
    """

    name: str
    band: NDArray[np.int16]
    words: dict[int, str]
    edges: dict[int, tuple[float, float]]
    exposure: Mapping[str, _Floats]
    ordered: bool


@dataclass(frozen=True, kw_only=True)
class Survey:
    """What the whole recording shows: the suspects, the conditions, and the running time until each suspect, s.

    ``equally_recorded`` says whether every coil has the same leads.
    """

    struck: EventView
    conditions: list[Condition]
    running_s: _Floats
    total_s: float
    equally_recorded: bool


def survey_conditions(views: EventViews, rows: _Ints, setup: Setup) -> Survey:
    """Return the conditions of a recording and its suspects' place in them.

    Parameters
    ----------
    views : EventViews
        Of a recording with events.
    rows : ndarray of shape (n_suspects,)
        Of the suspects, in any order.
    setup : Setup
        Engine and leads.
    """
    going = _Going(rows, setup)
    for start, view in views:
        going.add(start, view)
    return going.survey()


class _Going:
    """Goes through a recording piece by piece and adds up how long each condition lasted."""

    def __init__(self, rows: _Ints, setup: Setup) -> None:
        self._rows, self._order = rows, np.argsort(rows, kind="stable")
        self._tallies = [
            _Tally("speed", lambda view: _even_bands(view.rpm, SPEED_BAND_RPM)),
            _Tally("supply", lambda view: _even_bands(view.supply_v, SUPPLY_BAND_V)),
            _Tally("time since start", _bands_since_start),
            _Tally("time since first start", self._bands_since_first_start),
            _Tally("operating state", _known_states),
            _Tally("cylinder", lambda view: view.cylinder),
        ]
        self._struck: list[EventView] = []
        self._running_s: list[_Floats] = []
        self._total_s = 0.0
        self._first_s = np.nan
        self._restarted, self._since_s = False, 0.0
        self._recorded = np.zeros((setup.engine.pattern.n_slots, 3), dtype=np.bool_)

    def add(self, start: int, view: EventView) -> None:
        """Add the events from row ``start`` on."""
        if np.isnan(self._first_s):
            self._first_s = float(view.time_s[0])
        self._restarted |= bool((np.diff(view.since_start_s) < 0).any()) or view.since_start_s[0] < self._since_s
        self._since_s = float(view.since_start_s[-1])
        struck = inside(self._rows[self._order], start, view.time_s.size)
        could = recorded_for_kind(view)
        for tally in self._tallies:
            tally.add(view, struck, could)
        running_s = self._total_s + np.cumsum(view.running_s, dtype=np.float64)
        self._total_s = float(running_s[-1])
        self._struck.append(view.take(struck))
        self._running_s.append(running_s[struck])
        fired = np.ones(view.slot.size, dtype=np.bool_)
        for column, some in enumerate((could["command"], could["feedback"], fired)):
            self._recorded[np.unique(view.slot[some]), column] = True

    def _bands_since_first_start(self, view: EventView) -> NDArray[np.int16]:
        return _even_bands((view.time_s - self._first_s).astype(np.float32), FIRST_START_BAND_S)

    def survey(self) -> Survey:
        """Return what was added up, the suspects in the order they were given."""
        fired = self._recorded[self._recorded[:, 2]]
        back = np.argsort(self._order)
        return Survey(
            struck=EventView.join(self._struck).take(back),
            conditions=[tally.condition(back) for tally in self._tallies if self._restarted or not tally.of_first],
            running_s=np.concatenate(self._running_s)[back],
            total_s=self._total_s,
            equally_recorded=bool((fired == fired[0]).all()),
        )


class _Tally:
    """How many events, and how much time, lay in each band of one condition."""

    def __init__(self, name: str, band_of: Callable[[EventView], NDArray[np.int16]]) -> None:
        self._name, self._band_of = name, band_of
        self.of_first = name == "time since first start"  # of a recording without restarts it tells nothing new
        self._exposure = {leads: np.zeros((2, MOST_BANDS + 1)) for leads in _LEADS}
        self._visited = np.zeros(MOST_BANDS + 1, dtype=np.bool_)
        self._struck: list[NDArray[np.int16]] = []

    def add(self, view: EventView, struck: _Ints, could: Mapping[str, _Bools]) -> None:
        """Add events; those at ``struck`` are suspects."""
        band = self._band_of(view)
        known = band >= 0
        self._visited[band[known]] = True
        self._struck.append(band[struck])
        for leads, mask in could.items():
            inside = mask & known
            self._exposure[leads][0] += np.bincount(band[inside], minlength=MOST_BANDS + 1)
            self._exposure[leads][1] += np.bincount(band[inside], view.running_s[inside], minlength=MOST_BANDS + 1)

    def condition(self, back: _Ints) -> Condition:
        """Return the condition, its suspects in the order ``back``."""
        bands = np.flatnonzero(self._visited).tolist()
        edges = {k: _BAND_EDGES[self._name](k) for k in bands} if self._name in _BAND_EDGES else {}
        size = max(bands, default=0) + 1
        return Condition(
            name=self._name,
            band=np.concatenate(self._struck)[back],
            words={k: _band_words(self._name, k) for k in bands},
            edges=edges,
            exposure={leads: both[:, :size] for leads, both in self._exposure.items()},
            ordered=bool(edges),
        )


def _even_bands(values: NDArray[np.float32], width: float) -> NDArray[np.int16]:
    band = np.full(values.size, -1, dtype=np.int16)
    known = np.isfinite(values)
    band[known] = np.clip(np.floor(values[known] / width), 0, MOST_BANDS)
    return band


def _bands_since_start(view: EventView) -> NDArray[np.int16]:
    return np.asarray(np.searchsorted(SINCE_START_S, view.since_start_s, side="right") - 1, dtype=np.int16)


def _known_states(view: EventView) -> NDArray[np.int16]:
    return np.where(view.state == OPERATING_STATES.index("unknown"), -1, view.state).astype(np.int16)


def recorded_for_kind(view: EventView) -> dict[str, _Bools]:
    """Return which events were recorded on the leads that a kind needs."""
    command, feedback = view.command_seen >= 0, view.feedback_seen >= 0
    return dict(zip(_LEADS, (command, feedback, command & feedback, command | feedback), strict=True))


def leads_for(kind: str) -> str:
    """Return which leads can show a kind: their events are the exposure."""
    if kind in ("late_feedback", "early_feedback"):
        return "both"
    match FAMILY_OF_KIND.get(kind, kind.removeprefix(FAMILY_PREFIX)):
        case "command" | "shape":
            return "command"
        case "feedback":
            return "feedback"
        case _:
            return "either"


_BAND_EDGES: Mapping[str, Callable[[int], tuple[float, float]]] = {
    "speed": lambda k: (k * SPEED_BAND_RPM, (k + 1) * SPEED_BAND_RPM),
    "supply": lambda k: (k * SUPPLY_BAND_V, (k + 1) * SUPPLY_BAND_V),
    "time since start": lambda k: (SINCE_START_S[k], SINCE_START_S[k + 1]),
    "time since first start": lambda k: (k * FIRST_START_BAND_S, (k + 1) * FIRST_START_BAND_S),
}
"""Edges of a band, for the conditions whose bands have an order."""


def _band_words(name: str, band: int) -> str:
    match name:
        case "operating state":
            return OPERATING_STATES[band]
        case "cylinder":
            return f"cylinder {band}"
    low, high = _BAND_EDGES[name](band)
    match name:
        case "speed":
            return f"{low:,.0f} to {high:,.0f} rpm"
        case "supply":
            return f"{low:.1f} to {high:.1f} V supply"
        case "time since first start":
            return first_start_words(low, high)
        case _:
            return duration_words(low, high)


def first_start_words(low: float, high: float) -> str:
    """Return a range of times since the first start, s, in words.

    Examples
    --------
    >>> first_start_words(1800.0, 3600.0)
    '0:30:00 to 1:00:00 after the first start'
    """
    return f"{clock(low, 0)} to {clock(high, 0)} after the first start"


def duration_words(low: float, high: float) -> str:
    """Return a range of times since the start, s, in words; ``high`` may be infinite."""
    return f"{low:,.0f} to {high:,.0f} s after a start" if np.isfinite(high) else f"over {low:,.0f} s after a start"
