"""The ranked list: every event's rate of false alarms, its kind, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.schema import INCIDENTS, SUSPECTS
from miner.suspicion.absence import Counted, count_suspects
from miner.suspicion.baseline import Distance, measure_distances
from miner.suspicion.channels import combined_log_rate, distance_channels, forest_channel
from miner.suspicion.context import Context, build_context
from miner.suspicion.forest import forest_rarity
from miner.suspicion.incidents import group_incidents
from miner.suspicion.listing import Judged, list_suspects
from miner.suspicion.rate import Tail
from miner.suspicion.rhythm import explain_rhythm
from miner.suspicion.rows import Rows
from miner.suspicion.threads import one_core

__all__ = ["RankSettings", "Ranking", "join_rankings", "rank_chapter", "rank_events"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class RankSettings:
    """How the list is made.

    Attributes
    ----------
    seed : int, default=1
        Of the isolation forests.
    listed_rate : float, default=10
        Every event with at most this many false alarms an hour is listed.
    listed_least : int, default=100
        And never fewer than these most suspicious ones.
    forest : bool, default=True
        Whether rare mixtures of values are looked for besides the single measures.
    """

    seed: int = 1
    listed_rate: float = 10.0
    listed_least: int = 100
    forest: bool = True


@dataclass(frozen=True, kw_only=True)
class Ranking:
    """What `rank_events` found.

    Attributes
    ----------
    suspects : SUSPECTS table
    incidents : INCIDENTS table
    scores : table, one row an event
        ``event_id``, ``score`` (minus the decimal log of the rate; higher is more suspicious),
        ``false_alarms_per_hour``, and ``usual_<column>`` and ``distance_<column>`` (sigma) of each measure.
    summary : dict
        Ready for JSON.
    """

    suspects: pa.Table
    incidents: pa.Table
    scores: pa.Table
    summary: dict[str, Any]

    def listed_only(self) -> Ranking:
        """Return the same without the scores of events that are not in the list."""
        ids = self.suspects["event_id"].combine_chunks()
        scores = self.scores.filter(pc.is_in(self.scores["event_id"], value_set=ids))
        return replace(self, scores=scores.combine_chunks())


def rank_events(events: pa.Table, setup: Setup, *, settings: RankSettings | None = None) -> Ranking:
    """Rank the events of one recording by suspicion, worst first.

    Parameters
    ----------
    events : EVENTS table
        In time order; any measure may be null throughout.
    setup : Setup
    settings : RankSettings, optional

    Returns
    -------
    Ranking
        The same events, setup and settings give the same bytes.
    """
    settings = settings or RankSettings()
    return join_rankings([rank_chapter(events, setup, settings)], events, setup, settings)


def rank_chapter(events: pa.Table, setup: Setup, settings: RankSettings) -> Ranking:
    """Rank some hours of a recording by themselves; incidents are left to `join_rankings`."""
    if events.num_rows == 0:
        scores = pa.table({"event_id": pa.array([], pa.int64()), "score": pa.array([], pa.float64())})
        return Ranking(suspects=SUSPECTS.empty(), incidents=INCIDENTS.empty(), scores=scores, summary={})
    with one_core():
        return _rank(events, setup, settings)


def join_rankings(chapters: Sequence[Ranking], events: Rows, setup: Setup, settings: RankSettings) -> Ranking:
    """Make one list of the chapters of a recording: their rates are false alarms an hour, whichever hour it was.

    Parameters
    ----------
    chapters : sequence of Ranking
        Successive ones, from `rank_chapter`; ``scores`` may be those of the suspects only.
    events : Rows
        Of the whole recording.
    setup, settings
        As for `rank_events`.
    """
    ranked = [chapter for chapter in chapters if chapter.summary]
    suspects = pa.concat_tables([chapter.suspects for chapter in ranked] or [SUSPECTS.empty()])
    order = np.lexsort((suspects["event_id"].to_numpy(), -suspects["score"].to_numpy()))
    within = int(np.sum(suspects["false_alarms_per_hour"].to_numpy() <= settings.listed_rate))
    listed = suspects.take(order[: max(within, settings.listed_least)])
    listed = listed.set_column(0, "rank", pa.array(np.arange(1, listed.num_rows + 1)))
    numbered, incidents = group_incidents(listed, events, setup)
    return Ranking(
        suspects=numbered,
        incidents=incidents,
        scores=pa.concat_tables([chapter.scores for chapter in chapters], promote_options="default"),
        summary=_joined([chapter.summary for chapter in ranked], settings),
    )


def _joined(chapters: list[dict[str, Any]], settings: RankSettings) -> dict[str, Any]:
    """Return one summary: what can be added up, and the limits of each chapter."""
    return {
        "n_events": sum(chapter["n_events"] for chapter in chapters),
        "hours": sum(chapter["hours"] for chapter in chapters),
        "n_untrusted": sum(chapter["n_untrusted"] for chapter in chapters),
        "events_at_rate": {
            rate: sum(chapter["events_at_rate"][rate] for chapter in chapters)
            for rate in (chapters[0]["events_at_rate"] if chapters else ())
        },
        "chapters": [{name: chapter[name] for name in ("hours", "measures", "tails", "combined")}
                     for chapter in chapters],
        "settings": asdict(settings),
        "notes": list(dict.fromkeys(note for chapter in chapters for note in chapter["notes"])),
    }  # fmt: skip


def _rank(events: pa.Table, setup: Setup, settings: RankSettings) -> Ranking:
    context = build_context(events, setup)
    distances = explain_rhythm(measure_distances(events, context), events, context)
    counted, notes = count_suspects(events, context)
    channels = distance_channels(distances, context)
    if settings.forest and distances:
        z = np.stack([d.z for d in distances], axis=1)
        channels.append(forest_channel(forest_rarity(z, context.group, context.learns, seed=settings.seed), context))
    measured, tail = combined_log_rate(channels, context)
    log_rate = _with_counted(measured, counted, context)
    judged = Judged(log_rate=log_rate, distances=distances, channels=channels, counted=counted)
    order = np.lexsort((np.arange(log_rate.size), log_rate))
    n_listed = max(int(np.sum(log_rate <= np.log(settings.listed_rate))), min(settings.listed_least, log_rate.size))
    return Ranking(
        suspects=list_suspects(order[:n_listed], events, context, judged),
        incidents=INCIDENTS.empty(),
        scores=_scores(log_rate, events, distances),
        summary=_summary(log_rate, context, judged, tail, notes),
    )


def _with_counted(measured: Floats, counted: list[Counted], context: Context) -> Floats:
    """Return the smallest log rate of measures and counts; events without either are as common as can be."""
    log_rate = np.minimum.reduce([measured, *(np.log(c.rate) for c in counted)])
    return np.asarray(np.minimum(log_rate, np.log(context.time_s.size / context.hours)), dtype=np.float64)


def _scores(log_rate: Floats, events: pa.Table, distances: list[Distance]) -> pa.Table:
    rows = np.arange(log_rate.size)
    columns = {
        "event_id": events["event_id"],
        "score": pa.array(-log_rate / np.log(10.0)),
        "false_alarms_per_hour": pa.array(np.exp(log_rate)),
    }
    for d in distances:
        usual = d.usual_in_unit(rows).astype(np.float32)
        columns[f"usual_{d.measure.column}"] = pa.array(usual, mask=~np.isfinite(usual))
        columns[f"distance_{d.measure.column}"] = pa.array(d.z, mask=~np.isfinite(d.z))
    return pa.table(columns)


def _summary(log_rate: Floats, context: Context, judged: Judged, tail: Tail | None, notes: list[str]) -> dict[str, Any]:
    return {
        "n_events": int(log_rate.size),
        "hours": context.hours,
        "n_untrusted": int(np.sum(~context.learns)),
        "events_at_rate": {f"{r:g}": int(np.sum(log_rate <= np.log(r))) for r in (0.1, 1.0, 10.0)},
        "measures": [d.measure.column for d in judged.distances],
        "tails": [
            {
                "kind": c.kind,
                "measure": judged.distances[c.distance].measure.column if c.distance >= 0 else None,
                "fits": [_fit(t) for t in c.tails],
            }
            for c in judged.channels
        ],
        "combined": None if tail is None else _fit(tail),
        "notes": notes,
    }


def _fit(tail: Tail) -> dict[str, float]:
    return {
        "threshold": tail.threshold,
        "rate_at_threshold": tail.rate_at_threshold,
        "scale": tail.law.scale,
        "shape": tail.law.shape,
        "n_peaks": tail.n_peaks,
        "n_above_limit": tail.n_above_limit,
    }
