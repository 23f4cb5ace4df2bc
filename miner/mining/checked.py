"""The check of a recording that is being mined, from the sections that are there already."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from miner.engine.checks.passed import passed_by
from miner.engine.checks.recording import CheckFinding, check_recording
from miner.engine.setup import Setup
from miner.mining.section_file import read_levels, read_pulses
from miner.recording.reader import Recording
from miner.signal.leads import LeadSpec

__all__ = ["check_mined", "told_check"]


def check_mined(
    recording: Recording, setup: Setup, leads: Sequence[LeadSpec], sections: Sequence[Path]
) -> list[CheckFinding]:
    """Check a recording whose sections have been extracted; see `miner.engine.checks.recording.check_recording`."""
    parts = ((read_pulses(section).select(["lead", "start_s"]), read_levels(section).gaps) for section in sections)
    passed = passed_by(parts, leads, recording)
    return check_recording(recording, setup, passed=passed)


def told_check(findings: Sequence[CheckFinding]) -> dict[str, Any]:
    """Return the part of the summary: all findings, and the sentences of those that weigh as warnings."""
    return {
        "check": [asdict(finding) for finding in findings],
        "warnings": [finding.sentence for finding in findings if finding.weighs],
    }
