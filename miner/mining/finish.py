"""From the sections of a recording to its findings: chapters told apart and ranked, joined, explained, written.

Nothing here holds more than a chapter's events; the event table lies on the disk and is read column by column.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner.engine.setup import Setup
from miner.errors import RecordingError
from miner.events.lost_speed import LostSpeed
from miner.events.rows import first_id
from miner.events.silences import find_silences
from miner.expected.least import Resolution, least_wished
from miner.findings.event_file import EventFile
from miner.findings.provenance import count_events, describe_recording, describe_setup, suspect_counts, versions
from miner.findings.store import SUMMARY, Findings
from miner.findings.whole import contents_of, sealed
from miner.memory import give_back
from miner.mining.chapters import plan_chapters, tell_chapters
from miner.mining.checked import check_mined, told_check
from miner.mining.crank_rows import CrankRows
from miner.mining.look import OnStage, tell_nobody
from miner.mining.section_file import read_all_but_pulses, read_levels
from miner.mining.setup_check import check_setup, fit_notes
from miner.questions.explain import explain_findings
from miner.questions.waveform_sample import sample_waveform
from miner.recording.reader import Recording
from miner.review.kept.windows import build_windows
from miner.review.page import is_page_built
from miner.review.report import write_report
from miner.review.verdicts import damaged_verdicts, read_verdicts
from miner.schema import (
    CONDITIONS,
    EVENTS,
    GAPS,
    INCIDENTS,
    MISFIRE_WINDOWS,
    SENSITIVITY,
    SILENCES,
    STANDING,
    SUSPECTS,
)  # fmt: skip
from miner.signal.extraction import join_extractions, merge_gaps
from miner.signal.leads import LeadProfile, LeadSpec
from miner.suspects.cut_outs import with_cut_outs
from miner.suspects.judged_normal import lower_by_verdicts, refresh_incidents
from miner.suspects.ranking import Ranking, RankSettings, join_rankings, rank_chapter

__all__ = ["MineSettings", "Source", "write_findings"]


@dataclass(frozen=True, kw_only=True)
class MineSettings:
    """What the user may choose; everything else follows from recording and setup.

    Attributes
    ----------
    rate_hz : float, optional
        Samples per second, where neither the recording nor the setup says.
    use_verdicts : bool, default=False
        Lower what looks like events that a person judged normal in the findings folder.
    as_described : bool, default=False
        Go by the setup even where another reading fits the signals clearly better.
    rank : RankSettings
        Seed and lengths of the list.
    """

    rate_hz: float | None = None
    use_verdicts: bool = False
    as_described: bool = False
    rank: RankSettings = field(default_factory=RankSettings)


@dataclass(frozen=True, kw_only=True)
class Source:
    """A recording and the setup that describes it, checked against each other."""

    recording: Recording
    setup: Setup
    leads: tuple[LeadSpec, ...]


@dataclass(frozen=True, kw_only=True)
class _Frame:
    """What is known of the whole recording before any event: gaps, time of the last sample, how good the leads were."""

    gaps: pa.Table
    end_s: float
    quality: Mapping[str, Mapping[str, float | int]]


def write_findings(
    source: Source,
    sections: Sequence[Path],
    profiles: Mapping[int, LeadProfile],
    findings: Findings,
    settings: MineSettings,
    *,
    reviewed: Path | None = None,
    on_stage: OnStage = tell_nobody,
) -> dict[str, Any]:
    """Find, rank and explain the events, and write every file of the findings, ``summary.json`` last.

    Parameters
    ----------
    sections : sequence of path
        Files of all sections, in order.
    findings : Findings
        A folder of their own, to be published as a whole.
    reviewed : path, optional
        Findings of before, with the verdicts that ``settings`` may ask for.
    source, profiles, settings, on_stage
        As `miner.mining.steps.mine_recording` has them.

    Returns
    -------
    dict
        The summary.

    Raises
    ------
    RecordingError
        If the leads carry pulses but no ignition event can be made of them.
    SetupError
        If another reading fits the signals clearly better than the setup.
    """
    frame = _frame(source.recording, sections)
    fit = check_setup(source.setup, sections, frame.gaps)
    if not settings.as_described:
        fit.require(source.recording.path)
    give_back()
    on_stage("checking the recording")
    checked = told_check(check_mined(source.recording, source.setup, source.leads, sections))
    has_wheel = any(profile.wheel is not None for profile in profiles.values())
    crank, lost_speed = CrankRows(sections) if has_wheel else None, LostSpeed()
    chapters = _rank_chapters(source, sections, frame, findings, settings, on_stage, lost_speed)
    events = EventFile(findings)
    give_back()
    silences = find_silences(events, frame.gaps, source.setup, end_s=frame.end_s, crank=crank)
    ranking, notes = _joined(source, chapters, events, reviewed, settings)
    ranking = _with_cut_outs(ranking, silences, source.setup)
    on_stage("explaining, and planting faults to see what would have been found")
    explained = explain_findings(
        events, ranking.suspects, ranking.incidents, source.setup, judge=ranking.judge, seed=settings.rank.seed
    )
    give_back()
    explained["summary"]["sensitivity"]["waveform_sample"] = sample_waveform(
        source.recording, source.setup, source.leads, profiles, events, explained[SENSITIVITY.name]
    )
    summary = _summary(source, frame, events, ranking, settings)
    summary |= {"explained": explained["summary"], "setup_fit": fit.as_json(), **checked}
    if crank is not None:
        summary |= {"crank": crank.counts() | lost_speed.as_json()}
    summary |= {"warnings": [*fit_notes(fit), *checked["warnings"], *ranking.summary["notes"], *notes]}
    give_back()
    on_stage("writing tables and windows")
    findings.write_table(SUSPECTS, ranking.suspects)
    findings.write_table(INCIDENTS, ranking.incidents)
    findings.write_table(SILENCES, silences)
    for declared in (STANDING, CONDITIONS, MISFIRE_WINDOWS, SENSITIVITY):
        findings.write_table(declared, explained[declared.name])
    build_windows(
        findings.folder,
        source.recording,
        source.setup,
        (read_all_but_pulses(section) for section in sections),
        frame.gaps,
        events,
        ranking.suspects,
        scores=ranking.scores,
    )
    del events, ranking, explained  # the report reads back what it needs
    give_back()
    on_stage("writing the report")
    _write_report(findings, summary)
    source.recording.require_unchanged()
    summary = sealed(json.loads(json.dumps(summary | {"files": contents_of(findings.folder)})))
    findings.write_json(SUMMARY, summary)
    return summary


def _rank_chapters(
    source: Source,
    sections: Sequence[Path],
    frame: _Frame,
    findings: Findings,
    settings: MineSettings,
    on_stage: OnStage,
    lost_speed: LostSpeed,
) -> list[Ranking]:
    """Write the event table chapter by chapter, and return what is listed of each; adds up what the crank lost."""
    plan = plan_chapters(source.setup, sections)
    resolution = resolution_of(source)
    chapters: list[Ranking] = []
    n_events = 0
    on_stage("telling the cylinders apart")
    with findings.writing_table(EVENTS) as write:
        for events in tell_chapters(
            source.setup, sections, plan, frame.gaps, frame.end_s, rate_hz=source.recording.rate_hz
        ):
            write(events)
            n_events += events.num_rows
            give_back()
            on_stage("ranking" if len(plan) == 1 else f"ranking, part {len(chapters) + 1} of {len(plan)}")
            chapters.append(rank_chapter(events, source.setup, settings.rank, resolution).listed_only())
            lost_speed.add(events, chapters[-1].suspects["event_id"].to_numpy())
            del events
            give_back()
    if not n_events:
        raise RecordingError(
            "no ignition events were found on the leads",
            remedy="check which wires they were clipped to, and the roles in the setup",
            file=source.recording.path,
        )
    return chapters


def resolution_of(source: Source) -> Resolution:
    """Return what the recorder tells apart, from the recording and the leads' roles, with the setup's wishes."""
    steps: dict[str, float] = {}
    for channel in source.setup.channel:
        info = source.recording.channels[channel.column]
        if not info.dtype.startswith(("float", "double")):
            steps[channel.role] = max(steps.get(channel.role, 0.0), abs(info.scale))
    return Resolution(sample_us=1e6 / source.recording.rate_hz, step_v=steps, wished=least_wished(source.setup))


def _joined(
    source: Source, chapters: list[Ranking], events: EventFile, reviewed: Path | None, settings: MineSettings
) -> tuple[Ranking, list[str]]:
    """Return the ranking, with the reviewer's verdicts taken into account where wished, and what to say about it."""
    ranking = join_rankings(chapters, events, source.setup, settings.rank)
    if not settings.use_verdicts or reviewed is None:
        return ranking, []
    identity = source.recording.identity()
    verdicts = read_verdicts(reviewed, events=events, recording=identity)
    ids = np.sort(ranking.suspects["event_id"].to_numpy())
    scores = ranking.scores.filter(pc.is_in(ranking.scores["event_id"], value_set=pa.array(ids))).sort_by("event_id")
    rows, hours = ids - first_id(events), ranking.summary["hours"]
    suspects, note = lower_by_verdicts(ranking.suspects, events.take(rows), verdicts, scores, hours=hours)
    incidents = refresh_incidents(ranking.incidents, suspects)
    notes = [*([note] if note else []), *damaged_verdicts(reviewed, recording=identity)]
    return replace(ranking, suspects=suspects, incidents=incidents), notes


def _with_cut_outs(ranking: Ranking, silences: pa.Table, setup: Setup) -> Ranking:
    suspects, incidents = with_cut_outs(ranking.suspects, ranking.incidents, silences, setup)
    return replace(ranking, suspects=suspects, incidents=incidents)


def _write_report(findings: Findings, summary: dict[str, Any]) -> None:
    """Freeze the review page; a checkout whose page was not built mines all the same, and says what is missing."""
    if is_page_built():
        write_report(findings.folder, summary=summary)
    else:
        summary["warnings"].append("report.html was not written, the review page was not built (make web)")


def _frame(recording: Recording, sections: Sequence[Path]) -> _Frame:
    levels = join_extractions([read_levels(section) for section in sections])
    end_s = float(levels.clock(recording).to_seconds(max(recording.n_samples - 1, 0)))
    return _Frame(gaps=levels.gaps, end_s=end_s, quality=levels.quality)


def _summary(
    source: Source,
    frame: _Frame,
    events: EventFile,
    ranking: Ranking,
    settings: MineSettings,
) -> dict[str, Any]:
    return {
        "recording": {**describe_recording(source.recording), "duration_s": frame.end_s},
        "setup": describe_setup(source.setup),
        "settings": asdict(settings),
        "versions": versions(),
        "counts": {
            "events": count_events(events),
            "suspects": suspect_counts(ranking.suspects, ranking.incidents),
            "gaps": _count_gaps(frame.gaps),
        },
        "quality": frame.quality,
        "ranking": ranking.summary,
    }


def _count_gaps(gaps: pa.Table) -> dict[str, float]:
    """Return number and seconds of the stretches in which anything is missing: one of several leads counts once."""
    of_any = merge_gaps(gaps.set_column(0, GAPS.schema.field("lead"), pa.nulls(gaps.num_rows, pa.int16())))
    seconds = pc.sum(pc.subtract(of_any["stop_s"], of_any["start_s"])).as_py()
    return {"number": of_any.num_rows, "seconds": float(seconds or 0.0)}
