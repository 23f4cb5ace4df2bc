"""Absent ignition events per 200 and per 1,000 crank revolutions, the windows of the misfire regulation.

13 CCR 1968.2(e)(3) counts misfires in windows of 200 revolutions (catalyst damage; the threshold need not be set
below 5 %) and 1,000 revolutions (emissions; not below 1 %): figures from memory. A misfire there is missing
combustion; what is counted here are absent ignition events, so the figures compare, they do not decide.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.events.rows import Rows
from miner.events.views import EventView, EventViews
from miner.recording.ranges import contains, runs_of
from miner.schema import MISFIRE_WINDOWS

__all__ = ["MISFIRE_NOTE", "THRESHOLDS_PCT", "count_misfire_windows", "summarise_misfire_windows"]

THRESHOLDS_PCT = {200: 5.0, 1000: 1.0}
"""Window length in crank revolutions and the smallest threshold of the regulation, % (from memory)."""

MISFIRE_NOTE = (
    "An absent ignition event is not a regulatory misfire: the regulation counts missing combustion, which also has "
    "other causes; thresholds of 13 CCR 1968.2(e)(3) from memory"
)

PAUSE_TURNS = 2
"""All coils absent for this many turns of the firing sequence: a pause of the whole engine (fuel cut), no misfire."""

_Bools = NDArray[np.bool_]


def count_misfire_windows(events: Rows, setup: Setup) -> pa.Table:
    """Count absent events in consecutive windows of crank revolutions.

    Parameters
    ----------
    events : EVENTS table
        In time order. Events of which neither command nor feedback was recorded are not counted as due.
    setup : Setup
        Engine and leads.

    Returns
    -------
    MISFIRE_WINDOWS table
        The last window, where the recording ends within it, is left out unless it is the only one.
    """
    if events.num_rows == 0:
        return MISFIRE_WINDOWS.empty()
    views = EventViews(events, setup)
    pauses = _pauses(views, PAUSE_TURNS * setup.engine.pattern.n_slots)
    n_turns = int(views.n_cycles * views.turns_per_cycle)
    windows = [_Windows(n, n_turns, setup.engine.cylinders) for n in THRESHOLDS_PCT]
    for start, view in views:
        absent = _is_absent(view)
        paused = contains(pauses, np.arange(start, start + absent.size))
        due = (absent | (view.command_seen == 1) | (view.feedback_seen == 1)) & ~paused
        turns = (view.clock * views.turns_per_cycle).astype(np.int64)
        for one in windows:
            one.add(view, turns, due, absent & due, paused)
    rows = [row for one in windows for row in one.rows()]
    return MISFIRE_WINDOWS.validate(pa.Table.from_pylist(rows, schema=MISFIRE_WINDOWS.schema))


def _is_absent(view: EventView) -> _Bools:
    return np.asarray((view.command_seen == 0) | (view.feedback_seen == 0))


def _pauses(views: EventViews, at_least: int) -> NDArray[np.int64]:
    """Return the runs of absent events that are long enough to be a pause, half open, shape (k, 2)."""
    runs = [np.empty((0, 2), dtype=np.int64)]
    for start, view in views:
        absent = _is_absent(view)
        own = runs_of(absent, start)
        if own.size and runs[-1].size and runs[-1][-1, 1] == own[0, 0]:
            own[0, 0] = runs[-1][-1, 0]
            runs[-1] = runs[-1][:-1]
        goes_on = own[:, 1] == start + absent.size
        runs.append(own[goes_on | (own[:, 1] - own[:, 0] >= at_least)])
    found = np.concatenate(runs)
    return found[found[:, 1] - found[:, 0] >= at_least]


class _Windows:
    """Counts of one length of window, added up piece by piece."""

    def __init__(self, revolutions: int, n_revolutions: int, n_cylinders: int) -> None:
        self._revolutions = revolutions
        n = n_revolutions // revolutions + 1
        self._n_due, self._n_absent, self._n_paused = (np.zeros(n, dtype=np.int64) for _ in range(3))
        self._start_s, self._end_s = np.full(n, np.inf), np.full(n, -np.inf)
        self._absent_of = np.zeros((n, n_cylinders + 1), dtype=np.int64)

    def add(self, view: EventView, turns: NDArray[np.int64], due: _Bools, lost: _Bools, paused: _Bools) -> None:
        """Add successive events; ``turns`` are their whole revolutions since the first."""
        window = turns // self._revolutions
        for counts, flags in ((self._n_due, due), (self._n_absent, lost), (self._n_paused, paused)):
            counts += np.bincount(window[flags], minlength=counts.size)
        np.minimum.at(self._start_s, window, view.time_s)
        np.maximum.at(self._end_s, window, view.time_s)
        known = lost & (view.cylinder >= 0)
        np.add.at(self._absent_of, (window[known], view.cylinder[known]), 1)

    def rows(self) -> Iterator[dict[str, object]]:
        """Yield the windows in which events were due."""
        last = self._n_due.size - 1
        for k in np.flatnonzero(self._n_due):
            if k == last and last > 0:
                return  # the recording ends within it
            absent_pct = 100.0 * int(self._n_absent[k]) / int(self._n_due[k])
            worst = int(self._absent_of[k].argmax())
            yield {
                "revolutions": self._revolutions,
                "start_s": float(self._start_s[k]),
                "end_s": float(self._end_s[k]),
                "n_due": int(self._n_due[k]),
                "n_absent": int(self._n_absent[k]),
                "n_paused": int(self._n_paused[k]),
                "absent_pct": absent_pct,
                "worst_cylinder": worst if self._absent_of[k, worst] else None,
                "above": absent_pct >= THRESHOLDS_PCT[self._revolutions],
            }


def summarise_misfire_windows(windows: pa.Table) -> dict[str, object]:
    """Return the worst window of each length and how many reach the threshold, ready for JSON."""
    rows = windows.to_pylist()
    out: dict[str, object] = {"note": MISFIRE_NOTE}
    for revolutions, threshold in THRESHOLDS_PCT.items():
        own = [row for row in rows if row["revolutions"] == revolutions]
        worst = max(own, key=lambda row: row["absent_pct"], default=None)
        out[f"per_{revolutions}_revolutions"] = {
            "threshold_pct": threshold,
            "n_windows": len(own),
            "n_above": sum(row["above"] for row in own),
            "worst_pct": worst["absent_pct"] if worst else None,
            "worst_start_s": worst["start_s"] if worst and worst["n_absent"] else None,
            "worst_cylinder": worst["worst_cylinder"] if worst else None,
        }
    return out
