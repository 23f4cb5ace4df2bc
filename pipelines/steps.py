"""The steps of mining one recording: pure functions, paths and settings in, files out.

::

    open_source -> profile -> sections -> join -> find_events -> write_findings

`mine_recording` runs them in one process with all cores. `MineSteps` gives the same steps one by one, with a file
between each, so that they can be ended and taken up again, or run on other machines; the findings are the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner.engine.cycles import track_cycles
from miner.engine.setup import Setup, load_setup
from miner.errors import RecordingError
from miner.events.table import build_events
from miner.findings.provenance import count_events, count_suspects, describe_recording, describe_setup, versions
from miner.findings.store import SUMMARY, Findings
from miner.recording.progress import OnProgress, Progress
from miner.recording.reader import Recording, open_recording, require_columns
from miner.review.keep import clock_table
from miner.review.page import is_page_built
from miner.review.report import REPORT_FILE, write_report
from miner.review.source import TimeMap
from miner.review.verdicts import read_verdicts
from miner.review.windows import build_windows
from miner.schema import (
    CONDITIONS,
    EVENTS,
    INCIDENTS,
    MISFIRE_WINDOWS,
    PULSE_ROLES,
    SENSITIVITY,
    STANDING,
    SUSPECTS,
)  # fmt: skip
from miner.signal.extract import extract_pulses
from miner.signal.extraction import Extraction, join_extractions
from miner.signal.leads import LeadProfile, LeadSpec
from miner.signal.profile import profile_leads
from miner.signal.sections import plan_sections
from miner.suspicion.explain import explain_findings
from miner.suspicion.ranking import Ranking, RankSettings, rank_events
from miner.suspicion.verdicts import lower_by_verdicts, refresh_incidents
from miner.suspicion.waveform_sample import sample_waveform
from pipelines.memory import give_back
from pipelines.section_file import count_pulses, read_extraction, read_profiles, write_extraction, write_profiles
from pipelines.tasks import Look, OnSamples, OnStage, tell_nobody

__all__ = [
    "MineResult",
    "MineSettings",
    "MineSteps",
    "Source",
    "find_events",
    "lead_specs",
    "mine_recording",
    "open_source",
    "write_findings",
]

TIMING = "timing.json"
"""How long it took; apart from the summary, which depends on the input only."""


@dataclass(frozen=True, kw_only=True)
class MineSettings:
    """What the user may choose; everything else follows from recording and setup.

    Attributes
    ----------
    rate_hz : float, optional
        Samples per second, where neither the recording nor the setup says.
    use_verdicts : bool, default=False
        Lower what looks like events that a person judged normal in the findings folder.
    rank : RankSettings
        Seed and lengths of the list.
    """

    rate_hz: float | None = None
    use_verdicts: bool = False
    rank: RankSettings = field(default_factory=RankSettings)


@dataclass(frozen=True, kw_only=True)
class Source:
    """A recording and the setup that describes it, checked against each other."""

    recording: Recording
    setup: Setup
    leads: tuple[LeadSpec, ...]


@dataclass(frozen=True, kw_only=True)
class MineResult:
    """Where the findings lie and what they say in short."""

    folder: Path
    summary: dict[str, Any]
    elapsed_s: float


def mine_recording(
    recording_path: str | Path,
    setup_path: str | Path,
    out: str | Path,
    *,
    settings: MineSettings | None = None,
    on_progress: OnProgress | None = None,
    on_stage: OnStage = tell_nobody,
) -> MineResult:
    """Mine one recording into a folder of findings.

    Parameters
    ----------
    recording_path : path
        Parquet file, or folder of parts.
    setup_path : path
        Engine and leads (TOML).
    out : path
        Folder for the findings; verdicts that lie there already are kept.
    settings : MineSettings, optional
    on_progress : callable, optional
        Told now and then how far the reading is.
    on_stage : callable, optional
        Told the name of each stage that follows the reading.

    Returns
    -------
    MineResult

    Raises
    ------
    MinerError
        With one sentence that says what does not fit and what to do; findings of an earlier run in ``out`` are
        untouched unless the disk fails while they are being replaced.
    """
    began = time.perf_counter()
    settings = settings or MineSettings()
    source = open_source(recording_path, setup_path, rate_hz=settings.rate_hz)
    findings = Findings(out)
    findings.require_writable()
    profiles = profile_leads(source.recording, source.leads)
    extraction = extract_pulses(source.recording, source.leads, profiles, on_progress=on_progress)
    extracted_s = time.perf_counter() - began
    summary = write_findings(source, extraction, profiles, findings, settings, on_stage=on_stage)
    elapsed_s = time.perf_counter() - began
    duration_s = summary["recording"]["duration_s"]
    findings.write_json(
        TIMING, {"read_s": extracted_s, "total_s": elapsed_s, "times_real_time": duration_s / elapsed_s}
    )
    return MineResult(folder=findings.folder, summary=summary, elapsed_s=elapsed_s)


def open_source(recording_path: str | Path, setup_path: str | Path, *, rate_hz: float | None = None) -> Source:
    """Open recording and setup and check that they fit each other.

    Raises
    ------
    RecordingError
        If the recording cannot be opened or lacks a column of the setup.
    SetupError
        If the setup does not describe an engine with leads to mine.
    """
    setup = load_setup(setup_path)
    setup.require_leads(setup_path)
    recording = open_recording(recording_path, rate_hz=rate_hz or setup.sample_rate_hz)
    require_columns(recording, [channel.column for channel in setup.channel])
    return Source(recording=recording, setup=setup, leads=lead_specs(setup))


def lead_specs(setup: Setup) -> tuple[LeadSpec, ...]:
    """Return what the signal stage needs to know of each lead of a setup."""
    return tuple(
        LeadSpec(index=index, column=channel.column, role=channel.role, active=channel.active)
        for index, channel in enumerate(setup.channel)
    )


def write_findings(
    source: Source,
    extraction: Extraction,
    profiles: Mapping[int, LeadProfile],
    findings: Findings,
    settings: MineSettings,
    *,
    on_stage: OnStage = tell_nobody,
) -> dict[str, Any]:
    """Find, rank and explain the events, and write every file of the findings, ``summary.json`` last.

    Returns
    -------
    dict
        The summary.
    """
    end_s = _end_s(source.recording, extraction)
    give_back()
    on_stage("telling the cylinders apart")
    events = find_events(source, extraction, end_s=end_s)
    on_stage("ranking")
    ranking, notes = _rank(source, events, findings, settings)
    on_stage("explaining, and planting faults to see what would have been found")
    explained = explain_findings(events, ranking.suspects, ranking.incidents, source.setup, seed=settings.rank.seed)
    give_back()
    explained["summary"]["sensitivity"]["waveform_sample"] = sample_waveform(
        source.recording, source.setup, source.leads, profiles, events, explained[SENSITIVITY.name]
    )
    summary = _summary(source, extraction, events, ranking, settings, end_s)
    summary |= {"explained": explained["summary"], "warnings": notes}
    give_back()
    on_stage("writing tables and windows")
    findings.reopen()
    findings.write_table(EVENTS, events)
    findings.write_table(SUSPECTS, ranking.suspects)
    findings.write_table(INCIDENTS, ranking.incidents)
    for declared in (STANDING, CONDITIONS, MISFIRE_WINDOWS, SENSITIVITY):
        findings.write_table(declared, explained[declared.name])
    build_windows(
        findings.folder,
        source.recording,
        source.setup,
        extraction,
        events,
        ranking.suspects,
        scores=ranking.scores,
    )
    del events, ranking, explained  # the report reads back what it needs
    give_back()
    on_stage("writing the report")
    _write_report(findings, summary)
    findings.write_json(SUMMARY, summary)
    return summary


def _rank(source: Source, events: pa.Table, findings: Findings, settings: MineSettings) -> tuple[Ranking, list[str]]:
    """Return the ranking, with the reviewer's verdicts taken into account where wished, and what to say about it."""
    ranking = rank_events(events, source.setup, settings=settings.rank)
    if not settings.use_verdicts:
        return ranking, []
    verdicts = read_verdicts(findings.folder, events=events, recording=source.recording.identity())
    suspects, note = lower_by_verdicts(ranking.suspects, events, verdicts, ranking.scores)
    incidents = refresh_incidents(ranking.incidents, suspects)
    return replace(ranking, suspects=suspects, incidents=incidents), [note] if note else []


def _write_report(findings: Findings, summary: dict[str, Any]) -> None:
    """Freeze the review page; a checkout whose page was not built mines all the same, and says what is missing."""
    if is_page_built():
        write_report(findings.folder, summary=summary)
    else:
        findings.remove(REPORT_FILE)
        summary["warnings"].append("report.html was not written, the review page was not built (make web)")


def find_events(source: Source, extraction: Extraction, *, end_s: float) -> pa.Table:
    """Return the event table of what was measured.

    Raises
    ------
    RecordingError
        If the leads carry pulses but no ignition event can be made of them.
    """
    tracking = track_cycles(extraction.pulses, extraction.gaps, source.setup, end_s=end_s)
    events = build_events(extraction.pulses, extraction.gaps, tracking, source.setup, rate_hz=source.recording.rate_hz)
    if not events.num_rows:
        raise RecordingError(
            "no ignition events were found on the leads",
            remedy="check which wires they were clipped to, and the roles in the setup",
            file=source.recording.path,
        )
    return events


def _end_s(recording: Recording, extraction: Extraction) -> float:
    """Return the time of the last sample, time gaps included."""
    clock = clock_table(extraction) if recording.has_time else None
    last = np.array([max(recording.n_samples - 1, 0)])
    return float(TimeMap(recording.rate_hz, extraction.gaps, clock).times_of(last)[0])


def _summary(
    source: Source,
    extraction: Extraction,
    events: pa.Table,
    ranking: Ranking,
    settings: MineSettings,
    end_s: float,
) -> dict[str, Any]:
    return {
        "recording": {**describe_recording(source.recording), "duration_s": end_s},
        "setup": describe_setup(source.setup),
        "settings": asdict(settings),
        "versions": versions(),
        "counts": {
            "events": count_events(events),
            "suspects": count_suspects(ranking.suspects, ranking.incidents),
            "gaps": {"number": extraction.gaps.num_rows, "seconds": _gap_seconds(extraction.gaps)},
        },
        "quality": extraction.quality,
        "ranking": ranking.summary,
    }


def _gap_seconds(gaps: pa.Table) -> float:
    return float(pc.sum(pc.subtract(gaps["stop_s"], gaps["start_s"])).as_py() or 0.0)


@dataclass(frozen=True, kw_only=True)
class MineSteps:
    """The same steps one by one, with a file between each; an instance can be sent to another process.

    Attributes
    ----------
    settings : MineSettings
        As for `mine_recording`.
    """

    settings: MineSettings = field(default_factory=MineSettings)

    def key(self) -> str:
        """Return what, besides recording and setup, decides the result: versions and settings."""
        return json.dumps([versions(), asdict(self.settings)], sort_keys=True)

    def look(self, recording: Path, setup: Path) -> Look:
        """Open recording and setup and say what there is to do."""
        source = self._open(recording, setup)
        described = json.dumps(describe_setup(source.setup), sort_keys=True)
        identity = hashlib.blake2b(f"{source.recording.identity()}\0{described}".encode(), digest_size=16)
        return Look(
            identity=identity.hexdigest(),
            section_samples=tuple(part.stop - part.start for part in plan_sections(source.recording)),
            rate_hz=source.recording.rate_hz,
            n_leads=len(source.leads),
            vehicle=source.setup.vehicle,
        )

    def profile(self, recording: Path, setup: Path, out: Path) -> None:
        """Take the first look at every lead."""
        source = self._open(recording, setup)
        write_profiles(out, profile_leads(source.recording, source.leads))

    def section(
        self, recording: Path, setup: Path, index: int, profile: Path, out: Path, on_samples: OnSamples
    ) -> None:
        """Extract one section to a file; ``on_samples`` is told how many of its own samples have been read."""
        source = self._open(recording, setup)
        section = plan_sections(source.recording)[index]

        def tell(done: Progress) -> None:
            on_samples(min(max(done.samples_done - section.start, 0), section.stop - section.start))

        profiles = read_profiles(profile)
        extraction = extract_pulses(source.recording, source.leads, profiles, sections=[section], on_progress=tell)
        write_extraction(out, extraction)

    def count_events(self, setup: Path, sections: Sequence[Path]) -> int:
        """Return how many events the finished sections hold, or a little more, without reading them.

        Each event has a pulse on a command lead or on a feedback lead; repeated sparks are counted as well.
        """
        described = load_setup(setup)
        counts = Counter[int]()
        for section in sections:
            counts.update(count_pulses(section))
        return max(sum(counts[index] for index, _ in described.leads(role)) for role in PULSE_ROLES)

    def finish(
        self,
        recording: Path,
        setup: Path,
        sections: Sequence[Path],
        profile: Path,
        out: Path,
    ) -> None:
        """Join the sections and write the findings."""
        source = self._open(recording, setup)
        extraction = join_extractions([read_extraction(section) for section in sections])
        write_findings(source, extraction, read_profiles(profile), Findings(out), self.settings)

    def _open(self, recording: Path, setup: Path) -> Source:
        return open_source(recording, setup, rate_hz=self.settings.rate_hz)
