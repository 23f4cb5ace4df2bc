"""What a person called normal, taken into account: suspects that look like it are lowered, and say so.

An event looks like a judged one if kind, deciding measure, cylinder and operating state are the same, the speeds are
within `SAME_SPEED`, and none of its measures lies further out than the judged event's. What also looks like an event
that was judged a fault stays where it is. A lowered event gets the rate at which such events occur in this very
recording, counted with the +1 rule: a person said that they belong to the healthy part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.schema import INCIDENTS, SUSPECTS

__all__ = ["lower_by_verdicts", "refresh_incidents"]

SAME_SPEED = 0.2
"""Largest relative difference of engine speed; our own choice, about one gear step."""

FURTHER = 1.25
"""A measure may lie this much further out than in the judged event: judged events are examples, not limits."""

USUAL_SIGMA = 3.5
"""Up to here a measure is not odd at all (Iglewicz and Hoaglin 1993, section 3.3)."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Looks:
    """What the likeness of events is judged by; one row per event."""

    ids: NDArray[np.int64]
    cylinder: Floats
    state: NDArray[np.str_]
    rpm: Floats
    distances: Floats  # (n_events, n_measures), sigma; NaN where not measured

    @classmethod
    def of(cls, events: pa.Table, scores: pa.Table) -> _Looks:
        names = [name for name in scores.column_names if name.startswith("distance_")]
        columns = [_floats(scores[name]) for name in names]
        return cls(
            ids=events["event_id"].to_numpy(),
            cylinder=np.nan_to_num(_floats(events["cylinder"]), nan=-1.0),
            state=np.array(events["operating_state"].to_pylist(), dtype=np.str_),
            rpm=_floats(events["engine_rpm"]),
            distances=np.stack(columns, axis=1) if columns else np.empty((len(events), 0)),
        )

    def row(self, event_id: int) -> int:
        return int(np.searchsorted(self.ids, event_id))

    def alike(self, a: int, judged: int) -> bool:
        """Return whether event ``a`` looks like the judged one; kinds are compared by the caller."""
        if self.cylinder[a] != self.cylinder[judged] or self.state[a] != self.state[judged]:
            return False
        if not abs(np.log(self.rpm[a] / self.rpm[judged])) <= np.log1p(SAME_SPEED):  # unknown speeds are not alike
            return False
        own, example = self.distances[a], self.distances[judged]
        limit = np.fmax(FURTHER * np.abs(example), USUAL_SIGMA)
        same_side = (np.sign(own) == np.sign(example)) | (np.abs(own) <= USUAL_SIGMA)
        return bool(np.all(np.isnan(own) | ((np.abs(own) <= limit) & same_side)))


def _floats(column: pa.ChunkedArray) -> Floats:
    values: Floats = column.to_numpy(zero_copy_only=False).astype(np.float64)
    return values


def lower_by_verdicts(
    suspects: pa.Table, events: pa.Table, verdicts: pa.Table, scores: pa.Table, *, hours: float
) -> tuple[pa.Table, str]:
    """Lower the suspects that look like events judged normal.

    Parameters
    ----------
    suspects : SUSPECTS table
    events : EVENTS table
        The rows of the suspects at least, in order of ``event_id``.
    verdicts : pyarrow.Table
        Columns event_id (null where this run has no such event) and verdict.
    scores : pyarrow.Table
        Of the same ranking, one row for each of these events: ``distance_<measure>`` columns in sigma.
    hours : float
        Length of the recording.

    Returns
    -------
    suspects : pyarrow.Table
        The same rows, ranked anew; the lowered ones say so in their reason, and their score is minus the decimal
        log of their rate.
    note : str
        One sentence for the summary; empty where nothing was judged normal.
    """
    looks = _Looks.of(events, scores)
    rows = suspects.to_pylist()
    kinds = {row["event_id"]: (row["kind"], row["measure"]) for row in rows}
    judged = {v["event_id"]: v["verdict"] for v in verdicts.to_pylist() if v["event_id"] in kinds}
    normal = [event for event, verdict in judged.items() if verdict == "normal"]
    faults = [event for event, verdict in judged.items() if verdict == "fault"]

    def like(event: int, examples: list[int]) -> int | None:
        place = looks.row(event)
        same = (e for e in examples if kinds[e] == kinds[event] and looks.alike(place, looks.row(e)))
        return next((e for e in same), None)

    examples = {
        event: event if event in normal else like(event, normal)
        for event in kinds
        if judged.get(event) != "fault" and (event in normal or like(event, faults) is None)
    }
    lowered = {event: example for event, example in examples.items() if example is not None}
    times = {row["event_id"]: row["time_s"] for row in rows}
    for row in rows:
        if (example := lowered.get(row["event_id"])) is not None:
            n_alike = sum(other == example for other in lowered.values())
            _lower(row, example, times[example], (n_alike + 1) / hours)
    note = _note(len(lowered), len(normal)) if normal else ""
    return _ranked(rows), note


def _lower(row: dict[str, object], example: int, example_s: float, rate: float) -> None:
    rate = max(rate, float(str(row["false_alarms_per_hour"])))
    row["false_alarms_per_hour"], row["score"] = rate, -float(np.log10(rate))
    like = "it" if row["event_id"] == example else f"its like at {example_s:.3f} s"
    row["reason"] = f"{row['reason']} Lowered: {like} was judged normal."


def _ranked(rows: list[dict[str, object]]) -> pa.Table:
    rows = sorted(rows, key=lambda row: (row["false_alarms_per_hour"], row["rank"]))
    return pa.Table.from_pylist([{**row, "rank": i} for i, row in enumerate(rows, 1)], schema=SUSPECTS.schema)


def _note(n_lowered: int, n_normal: int) -> str:
    were = "suspect was" if n_lowered == 1 else "suspects were"
    like = "an event" if n_normal == 1 else f"{n_normal} events"
    return f"{n_lowered} {were} lowered for looking like {like} judged normal."


def refresh_incidents(incidents: pa.Table, suspects: pa.Table) -> pa.Table:
    """Return the incidents with the rate and best rank of their suspects as they are ranked now, worst first.

    Their numbers stay, so that suspects still point to them.
    """
    best: dict[int, tuple[int, float]] = {}
    for row in suspects.sort_by("rank").to_pylist():
        best.setdefault(row["incident_id"], (row["rank"], row["false_alarms_per_hour"]))
    rows = [
        {**row, "best_rank": best[row["incident_id"]][0], "false_alarms_per_hour": best[row["incident_id"]][1]}
        for row in incidents.to_pylist()
    ]
    return pa.Table.from_pylist(sorted(rows, key=lambda row: row["best_rank"]), schema=INCIDENTS.schema)
