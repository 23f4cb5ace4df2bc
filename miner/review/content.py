"""What the page is told at its start, and about single events: JSON-ready, nothing that a number cannot say."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.errors import FindingsError
from miner.events.rows import cylinder_values, rows_between, single_values
from miner.review.figures import map_data
from miner.review.source import ReviewSource
from miner.review.tables import USUAL
from miner.review.verdicts import match_events
from miner.words import PAGE_CAUTION, RARE_PER_H, SCATTER, too_small_to_matter, word_lists

__all__ = ["MAX_EVENTS_IN_VIEW", "events_between", "open_page", "plain", "usual_for", "verdicts_since"]

MAX_EVENTS_IN_VIEW = 240
"""With more events in a view there is no room to draw or label them."""

TYPICAL_OF = 2_000, 24
"""Events of a stretch that typical values are of, and how many stretches spread over the recording there are."""

_TYPICAL = ("on_time_us", "delay_us", "feedback_width_us")

_MAX_SUSPECTS = 2000
"""A list that a person can walk through; the tables hold the rest."""


_MAX_SILENCES = 2000
"""As many as a map of some hundred points can tell apart, and more; the table holds the rest."""


def plain(value: Any) -> Any:
    """Return the value with not-a-number and infinity as null, so that it is JSON."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items()}
    return [plain(item) for item in value] if isinstance(value, list | tuple) else value


def open_page(source: ReviewSource) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """Return what the first picture needs: recording, leads, list, map, decisions."""
    suspects = source.suspects.slice(0, _MAX_SUSPECTS)
    info = source.info
    map_header, map_arrays = map_data(source)
    header = {
        "recording": {
            "name": str(info["path"]).replace("\\", "/").rsplit("/", 1)[-1],
            "vehicle": info.get("vehicle", ""),
            "started_at": info.get("started_at"),
            "rate_hz": source.rate_hz,
            "duration_s": source.duration_s,
            "n_events": source.events.num_rows,
            "n_suspects": len(source.suspects),
            "n_rare": int(pc.sum(pc.less(source.suspects["false_alarms_per_hour"], RARE_PER_H)).as_py() or 0),
            "firing_order": info.get("firing_order", []),
        },
        "leads": [{**vars(lead), "range": source.lead_range(lead.index)} for lead in source.leads],
        "typical": _typical(source),
        "suspects": _with_events(source, suspects),
        "incidents": source.incidents.to_pylist(),
        "missing": source.missing,
        "too_small": too_small_to_matter(source.summary.get("ranking", {}).get("n_too_small_to_matter", 0)),
        "silences": source.silences.slice(0, _MAX_SILENCES).to_pylist(),
        "words": word_lists(),
        "caution": PAGE_CAUTION,
        "scatter": SCATTER,
        "map": map_header,
        **verdicts_since(source, 0),
    }
    return plain(header), map_arrays


def _with_events(source: ReviewSource, suspects: pa.Table) -> list[dict[str, Any]]:
    """Return the suspects as rows, each with its own event."""
    events = source.shown_events.take(source.rows_of(suspects)).to_pylist()
    usual = source.usual_measures
    return [
        {**row, "event": event, "usual_measures": usual.get(row["event_id"], {})}
        for row, event in zip(suspects.to_pylist(), events, strict=True)
    ]


def _typical(source: ReviewSource) -> dict[str, dict[str, float | None]]:
    """Return the median of what an absent pulse would have had per cylinder, "None" where that cannot be told."""
    part = _spread(source)
    cylinders = cylinder_values(part)
    out: dict[str, dict[str, float | None]] = {}
    for cylinder in np.unique(cylinders).tolist():
        own = part.filter(pa.array(cylinders == cylinder))
        out[str(cylinder) if cylinder >= 0 else "None"] = {name: _median(single_values(own, name)) for name in _TYPICAL}
    return out


def _spread(source: ReviewSource) -> pa.Table:
    """Return all events where they are few, else stretches spread evenly over the recording."""
    length, n = TYPICAL_OF
    last = source.events.num_rows - length
    stretches = [(0, source.events.num_rows)]
    if last > length * n:
        stretches = [(at, at + length) for at in np.linspace(0, last, n).astype(np.int64).tolist()]
    columns = ("cylinder", *_TYPICAL)
    return pa.concat_tables([rows_between(source.events, first, stop, columns) for first, stop in stretches])


def _median(values: NDArray[np.float32]) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else None


def events_between(source: ReviewSource, start_s: float, stop_s: float) -> list[dict[str, Any]] | None:
    """Return the events in a view with one more at each side, or None where there are too many to draw."""
    first, last = (source.time_index.row_at(end_s) for end_s in (start_s, stop_s))
    if last - first > MAX_EVENTS_IN_VIEW:
        return None
    near = source.shown_events.slice(max(first - 1, 0), last + 1 - max(first - 1, 0))  # those beside it are wanted next
    rows: list[dict[str, Any]] = near.to_pylist()
    return plain(rows)  # type: ignore[no-any-return]


def usual_for(
    source: ReviewSource, cylinder: int | None, rpm: float | None
) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """Return the usual pulse of the cylinder at the nearest speed that was kept; ``found`` tells if there is one."""
    rows = [(at, row) for at, row in enumerate(source.usual_rows) if row["cylinder"] == cylinder]
    if not rows:
        return {"found": False}, {}

    def far(row: dict[str, Any]) -> float:
        middle = math.sqrt(row["rpm_low"] * row["rpm_high"])
        return abs(math.log(middle / rpm)) if rpm and middle > 0 else 0.0

    cell = min((row for _, row in rows), key=far)["cell"]
    rows = [(at, row) for at, row in rows if row["cell"] == cell]
    arrays = {
        f"{name}_{row['lead']}": source.usual[name][at].values.to_numpy(zero_copy_only=False)
        for at, row in rows
        for name in ("low", "median", "high")
    }
    names = [c.name for c in USUAL.columns if c.name not in ("lead", "low", "median", "high")]
    return {"found": True, "leads": [row["lead"] for _, row in rows], **{n: rows[0][1][n] for n in names}}, arrays


def verdicts_since(source: ReviewSource, revision: int) -> dict[str, Any]:
    """Return the decisions after a revision, each with the event it is about where that is known, and what is damaged.

    Decisions that cannot be read at all are damage that is told, the rest of the page is shown.
    """
    try:
        standing, damage = source.verdicts.read()
    except FindingsError as error:
        standing, damage = [], [str(error)]
    decisions = [decision for decision in standing if decision.revision > revision]
    matched = match_events(decisions, source.events, source.time_index)
    rows = [
        {**decision.as_json(), "event_id": event_id}
        for decision, event_id in zip(decisions, matched, strict=True)
        if event_id is not None
    ]
    newest = max((decision.revision for decision in decisions), default=revision)
    return {"verdicts": rows, "revision": newest, "damaged_verdicts": damage}
