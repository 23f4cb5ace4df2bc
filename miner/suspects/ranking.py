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
from miner.events.rows import Rows
from miner.expected.distance import Distance
from miner.expected.least import Resolution
from miner.rarity.judge import Judge, Judgement, fit_judge
from miner.rarity.tails import Tail
from miner.schema import INCIDENTS, SUSPECTS
from miner.suspects.incidents import group_incidents
from miner.suspects.listing import list_suspects

__all__ = ["RankSettings", "Ranking", "join_rankings", "rank_chapter", "rank_events"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class RankSettings:
    """How the list is made.

    Attributes
    ----------
    seed : int, default=1
        Of what is drawn by chance (where faults are planted to see what would have been found).
    listed_rate : float, default=10
        Every event with at most this many false alarms an hour is listed.
    listed_least : int, default=100
        And never fewer than these most suspicious ones, where so many differ by what matters in a workshop.
    """

    seed: int = 1
    listed_rate: float = 10.0
    listed_least: int = 100


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
    judge : Judge or None
        What was learned; of several chapters, of the one with most events.
    """

    suspects: pa.Table
    incidents: pa.Table
    scores: pa.Table
    summary: dict[str, Any]
    judge: Judge | None = None

    def listed_only(self) -> Ranking:
        """Return the same without the scores of events that are not in the list."""
        ids = self.suspects["event_id"].combine_chunks()
        scores = self.scores.filter(pc.is_in(self.scores["event_id"], value_set=ids))
        return replace(self, scores=scores.combine_chunks())


def rank_events(
    events: pa.Table, setup: Setup, *, settings: RankSettings | None = None, resolution: Resolution | None = None
) -> Ranking:
    """Rank the events of one recording by suspicion, worst first.

    Parameters
    ----------
    events : EVENTS table
        In time order; any measure may be null throughout.
    setup : Setup
    settings : RankSettings, optional
    resolution : Resolution, optional
        What the recorder tells apart.

    Returns
    -------
    Ranking
        The same events, setup and settings give the same bytes.
    """
    settings = settings or RankSettings()
    return join_rankings([rank_chapter(events, setup, settings, resolution)], events, setup, settings)


def rank_chapter(
    events: pa.Table, setup: Setup, settings: RankSettings, resolution: Resolution | None = None
) -> Ranking:
    """Rank some hours of a recording by themselves; incidents are left to `join_rankings`."""
    if events.num_rows == 0:
        scores = pa.table({"event_id": pa.array([], pa.int64()), "score": pa.array([], pa.float64())})
        return Ranking(suspects=SUSPECTS.empty(), incidents=INCIDENTS.empty(), scores=scores, summary={})
    judge, judged = fit_judge(events, setup, resolution)
    return Ranking(
        suspects=list_suspects(_listed(judged.log_rate, settings), events, judged),
        incidents=INCIDENTS.empty(),
        scores=_scores(events, judged),
        summary=_summary(judge, judged),
        judge=judge,
    )


def _listed(log_rate: Floats, settings: RankSettings) -> NDArray[np.int64]:
    """Return the rows that are listed, worst first: rare ones, and the next of those that differ by what matters."""
    order = np.lexsort((np.arange(log_rate.size), log_rate))
    n_listed = max(int(np.sum(log_rate <= np.log(settings.listed_rate))), settings.listed_least)
    return order[: min(n_listed, int(np.isfinite(log_rate).sum()))]


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
        judge=max(ranked, key=lambda chapter: int(chapter.summary["n_events"])).judge if ranked else None,
    )


def _joined(chapters: list[dict[str, Any]], settings: RankSettings) -> dict[str, Any]:
    """Return one summary: what can be added up, and the limits of each chapter."""
    return {
        "n_events": sum(chapter["n_events"] for chapter in chapters),
        "hours": sum(chapter["hours"] for chapter in chapters),
        "n_untrusted": sum(chapter["n_untrusted"] for chapter in chapters),
        "n_too_small_to_matter": sum(chapter["n_too_small_to_matter"] for chapter in chapters),
        "events_at_rate": {
            rate: sum(chapter["events_at_rate"][rate] for chapter in chapters)
            for rate in (chapters[0]["events_at_rate"] if chapters else ())
        },
        "chapters": [{name: chapter[name] for name in ("hours", "measures", "least_differences", "tails", "combined")}
                     for chapter in chapters],
        "settings": asdict(settings),
        "notes": list(dict.fromkeys(note for chapter in chapters for note in chapter["notes"])),
    }  # fmt: skip


def _scores(events: pa.Table, judged: Judgement) -> pa.Table:
    rows = np.arange(judged.log_rate.size)
    log_rate = judged.bounded_log_rate
    columns = {
        "event_id": events["event_id"],
        "score": pa.array(-log_rate / np.log(10.0)),
        "false_alarms_per_hour": pa.array(np.exp(log_rate)),
    }
    for d in judged.distances:
        usual = d.usual_in_unit(rows).astype(np.float32)
        columns[f"usual_{d.measure.column}"] = pa.array(usual, mask=~np.isfinite(usual))
        columns[f"distance_{d.measure.column}"] = pa.array(d.z, mask=~np.isfinite(d.z))
    return pa.table(columns)


def _usual_least(d: Distance) -> float:
    least = float(np.nanmedian(d.least))
    return float(np.expm1(least)) if d.measure.scale == "log" else least


def _summary(judge: Judge, judged: Judgement) -> dict[str, Any]:
    log_rate, context = judged.log_rate, judged.context
    return {
        "n_events": int(log_rate.size),
        "hours": context.hours,
        "n_untrusted": int(np.sum(~context.learns)),
        "n_too_small_to_matter": judged.n_too_small,
        "least_differences": {d.measure.column: _usual_least(d) for d in judged.distances},
        "events_at_rate": {f"{r:g}": int(np.sum(log_rate <= np.log(r))) for r in (0.1, 1.0, 10.0)},
        "measures": [d.measure.column for d in judged.distances],
        "tails": [
            {
                "kind": channel.kind,
                "measure": channel.measure.column if channel.measure is not None else None,
                "fits": [_fit(tail) for tail in tails if tail is not None],
            }
            for channel, tails in zip(judge.channels, judge.tails, strict=True)
        ],
        "combined": None if judge.combined is None else _fit(judge.combined),
        "notes": judged.notes,
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
