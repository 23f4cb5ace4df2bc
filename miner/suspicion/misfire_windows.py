"""Absent ignition events per 200 and per 1,000 crank revolutions, the windows of the misfire regulation.

13 CCR 1968.2(e)(3) counts misfires in windows of 200 revolutions (catalyst damage; the threshold need not be set
below 5 %) and 1,000 revolutions (emissions; not below 1 %): figures from memory. A misfire there is missing
combustion; what is counted here are absent ignition events, so the figures compare, they do not decide.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.runs import lasting_runs
from miner.engine.setup import Setup
from miner.schema import MISFIRE_WINDOWS
from miner.suspicion.evidence import EventView, view_events
from miner.suspicion.rows import Rows

__all__ = ["MISFIRE_NOTE", "THRESHOLDS_PCT", "count_misfire_windows", "summarise_misfire_windows"]

THRESHOLDS_PCT = {200: 5.0, 1000: 1.0}
"""Window length in crank revolutions and the smallest threshold of the regulation, % (from memory)."""

MISFIRE_NOTE = (
    "An absent ignition event is not a regulatory misfire: the regulation counts missing combustion, which also has "
    "other causes; thresholds of 13 CCR 1968.2(e)(3) from memory"
)

PAUSE_TURNS = 2
"""All coils absent for this many turns of the firing sequence: a pause of the whole engine (fuel cut), no misfire."""


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
    view = view_events(events, setup)
    absent = (view.command_seen == 0) | (view.feedback_seen == 0)
    due = absent | (view.command_seen == 1) | (view.feedback_seen == 1)
    paused = lasting_runs(absent, PAUSE_TURNS * setup.engine.pattern.n_slots)
    turns = (view.clock * (2.0 if setup.engine.strokes == 4 else 1.0)).astype(np.int32)
    rows = [
        row
        for revolutions in THRESHOLDS_PCT
        for row in _windows(view, turns, revolutions, due & ~paused, absent, paused)
    ]
    return MISFIRE_WINDOWS.validate(pa.Table.from_pylist(rows, schema=MISFIRE_WINDOWS.schema))


def _windows(
    view: EventView,
    turns: NDArray[np.int32],
    revolutions: int,
    due: NDArray[np.bool_],
    absent: NDArray[np.bool_],
    paused: NDArray[np.bool_],
) -> list[dict[str, object]]:
    window = turns // revolutions
    whole = window < window[-1] if window[-1] > 0 else np.ones(window.size, dtype=np.bool_)
    starts = np.flatnonzero(np.diff(window, prepend=np.int32(-1)))
    stops = np.append(starts[1:], window.size)
    rows: list[dict[str, object]] = []
    for start, stop in zip(starts, stops, strict=True):
        inside = slice(start, stop)
        n_due = int(due[inside].sum())
        if not whole[start] or n_due == 0:
            continue
        lost = absent[inside] & due[inside]
        n_absent = int(lost.sum())
        rows.append(
            {
                "revolutions": revolutions,
                "start_s": float(view.time_s[start]),
                "end_s": float(view.time_s[stop - 1]),
                "n_due": n_due,
                "n_absent": n_absent,
                "n_paused": int(paused[inside].sum()),
                "absent_pct": 100.0 * n_absent / n_due,
                "worst_cylinder": _most_frequent(view.cylinder[inside][lost]),
                "above": 100.0 * n_absent / n_due >= THRESHOLDS_PCT[revolutions],
            }
        )
    return rows


def _most_frequent(cylinders: NDArray[np.int16]) -> int | None:
    known = cylinders[cylinders >= 0]
    return int(np.bincount(known).argmax()) if known.size else None


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
