"""The steps of mining one recording: pure functions, paths and settings in, files out.

::

    open_source -> profile -> sections -> write_findings (chapters -> join -> explain)

`mine_recording` runs them in one process with all cores. `MineSteps` gives the same steps one by one, with a file
between each, so that they can be ended and taken up again, or run on other machines; the findings are the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from miner.engine.setup import Setup, SetupLead, load_setup, parse_setup
from miner.findings.lock import exclusive
from miner.findings.provenance import describe_setup, versions
from miner.findings.store import TIMING, Findings
from miner.mining.chapters import count_section_events
from miner.mining.finish import MineSettings, Source, write_findings
from miner.mining.look import Extent, OnSamples, OnStage, section_name, tell_nobody
from miner.mining.places import refuse_places
from miner.mining.section_file import read_profiles, write_extraction, write_profiles
from miner.recording.progress import OnProgress, Progress
from miner.recording.reader import open_recording, require_columns
from miner.schema import PULSE_ROLES
from miner.signal.extract import extract_pulses, iter_extractions
from miner.signal.leads import LeadSpec
from miner.signal.looks.profile import profile_leads
from miner.signal.sections import plan_sections

__all__ = [
    "MineResult",
    "MineSettings",
    "MineSteps",
    "Source",
    "lead_specs",
    "mine_recording",
    "open_source",
]


@dataclass(frozen=True, kw_only=True)
class MineResult:
    """Where the findings lie and what they say in short."""

    folder: Path
    summary: dict[str, Any]
    elapsed_s: float


def mine_recording(
    recording_path: str | Path,
    setup: str | Path | Setup,
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
    setup : path or Setup
        Engine and leads, as TOML or read already.
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
        With one sentence that says what does not fit and what to do; findings of an earlier run in ``out`` are then
        untouched. Nothing is written where an input lies, or anything else that is no finding of ours.
    """
    began = time.perf_counter()
    settings = settings or MineSettings()
    source = open_source(recording_path, setup, rate_hz=settings.rate_hz)
    findings = Findings(out)
    inputs = [source.recording.path, *(part.path for part in source.recording.parts)]
    refuse_places(findings.folder, inputs if isinstance(setup, Setup) else [*inputs, Path(setup)])
    with exclusive(findings.folder), findings.scratch() as scratch:
        profiles = profile_leads(source.recording, source.leads)
        parts = iter_extractions(source.recording, source.leads, profiles, on_progress=on_progress)
        sections = []
        for index, extraction in enumerate(parts):
            sections.append(scratch.folder / section_name(index))
            write_extraction(sections[-1], extraction)
        extracted_s = time.perf_counter() - began
        new = Findings(scratch.folder / "findings")
        summary = write_findings(source, sections, profiles, new, settings, reviewed=findings.folder, on_stage=on_stage)
        elapsed_s = time.perf_counter() - began
        speed = summary["recording"]["duration_s"] / elapsed_s
        new.write_json(TIMING, {"read_s": extracted_s, "total_s": elapsed_s, "times_real_time": speed})
        findings.publish(new.folder)
    return MineResult(folder=findings.folder, summary=summary, elapsed_s=elapsed_s)


def open_source(recording_path: str | Path, setup: str | Path | Setup, *, rate_hz: float | None = None) -> Source:
    """Open recording and setup and check that they fit each other.

    Raises
    ------
    RecordingError
        If the recording cannot be opened or lacks a column of the setup.
    SetupError
        If the setup does not describe an engine with leads to mine.
    """
    described = setup if isinstance(setup, Setup) else load_setup(setup)
    described.require_leads("setup" if isinstance(setup, Setup) else setup)
    recording = open_recording(recording_path, rate_hz=rate_hz or described.sample_rate_hz)
    require_columns(recording, [channel.column for channel in described.channel])
    return Source(recording=recording, setup=described, leads=lead_specs(described))


def lead_specs(setup: Setup) -> tuple[LeadSpec, ...]:
    """Return what the signal stage needs to know of each lead of a setup."""
    return tuple(
        LeadSpec(
            index=index, column=channel.column, role=channel.role, active=channel.active,
            per_turn=_pulses_a_turn(setup, channel) if channel.role in PULSE_ROLES else None,
            turn_deg=setup.engine.cycle_deg if channel.role == "cam" else 360.0,
        )
        for index, channel in enumerate(setup.channel)
    )  # fmt: skip


def _pulses_a_turn(setup: Setup, channel: SetupLead) -> float:
    """Return how often the coils that a lead speaks for fire in one turn of the crank."""
    pattern = setup.engine.pattern
    slots = {pattern.slot_of(cylinder) for cylinder in channel.served(setup.engine)}
    return len(slots) * 360.0 / pattern.cycle_deg


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

    def look(self, recording: Path, setup: Path) -> Extent:
        """Open recording and setup and say what there is to do."""
        source = open_source(recording, setup, rate_hz=self.settings.rate_hz)
        described = json.dumps(describe_setup(source.setup), sort_keys=True)
        identity = hashlib.blake2b(f"{source.recording.identity()}\0{described}".encode(), digest_size=16)
        return Extent(
            identity=identity.hexdigest(),
            section_samples=tuple(part.stop - part.start for part in plan_sections(source.recording)),
            rate_hz=source.recording.rate_hz,
            n_leads=len(source.leads),
            vehicle=source.setup.vehicle,
            setup=described,
        )

    def profile(self, recording: Path, setup: str, out: Path) -> None:
        """Take the first look at every lead."""
        source = self._open(recording, setup)
        write_profiles(out, profile_leads(source.recording, source.leads))

    def section(self, recording: Path, setup: str, index: int, profile: Path, out: Path, on_samples: OnSamples) -> None:
        """Extract one section to a file; ``on_samples`` is told how many of its own samples have been read."""
        source = self._open(recording, setup)
        section = plan_sections(source.recording)[index]

        def tell(done: Progress) -> None:
            on_samples(min(max(done.samples_done - section.start, 0), section.stop - section.start))

        profiles = read_profiles(profile)
        extraction = extract_pulses(source.recording, source.leads, profiles, sections=[section], on_progress=tell)
        write_extraction(out, extraction)

    def count_events(self, setup: str, sections: Sequence[Path]) -> int:
        """Return how many events the finished sections hold, or a little more, without reading them.

        Each event has a pulse on a command lead or on a feedback lead; repeated sparks are counted as well.
        """
        described = _read_again(setup)
        return sum(count_section_events(described, section) for section in sections)

    def finish(
        self,
        recording: Path,
        setup: str,
        sections: Sequence[Path],
        profile: Path,
        out: Path,
    ) -> None:
        """Join the sections and write the findings."""
        source = self._open(recording, setup)
        write_findings(source, sections, read_profiles(profile), Findings(out), self.settings)

    def _open(self, recording: Path, setup: str) -> Source:
        return open_source(recording, _read_again(setup), rate_hz=self.settings.rate_hz)


def _read_again(setup: str) -> Setup:
    """Return the setup that `MineSteps.look` read."""
    return parse_setup(json.loads(setup))
