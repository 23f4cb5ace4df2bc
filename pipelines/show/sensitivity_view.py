"""What would have been found in a recording, as one table for the terminal."""

from __future__ import annotations

from typing import Any

import pyarrow as pa
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from miner.engine.setup import Setup, parse_setup
from miner.errors import MinerError
from miner.findings.event_file import EventFile
from miner.findings.store import SUMMARY, Findings
from miner.mining.steps import lead_specs
from miner.questions.sensitivity import FULL, measure_sensitivity
from miner.questions.waveform_sample import sample_waveform
from miner.recording.reader import open_recording
from miner.schema import KINDS
from miner.signal.looks.profile import profile_leads
from miner.words import counted, cylinder_name, kind_name, rate_number, size_text

__all__ = ["print_sensitivity"]

THOROUGH_STRETCHES = 8
"""Stretches of the waveform that faults are planted into when there is time."""


def print_sensitivity(console: Console, findings: Findings, *, thorough: bool = False) -> None:
    """Print the smallest fault of each kind that would have been found, and what a clean list still allows.

    Parameters
    ----------
    console : rich.console.Console
    findings : Findings
        Of a finished run.
    thorough : bool, default=False
        Plant anew, and more, instead of showing what mining measured.
    """
    summary = findings.summary()
    measured = summary["explained"]["sensitivity"]
    smallest = measured.get("smallest_found", [])
    proof = measured.get("waveform_sample", {}).get("sentence", "")
    if thorough:
        setup = parse_setup(summary["setup"], file=findings.folder / SUMMARY)
        events = EventFile(findings)
        found: Any = measure_sensitivity(events, setup, settings=FULL)
        smallest = found.summary["smallest_found"]
        proof = _prove(summary["recording"], setup, events, found.table)
    console.print(
        Text("Smallest single fault found in 9 of 10 cases at no more than one false alarm an hour", style="bold")
    )
    console.print(_table(smallest))
    console.print(Text("-: larger than was tried, or too little recorded to tell; empty: these leads cannot show it"))
    if proof:
        console.print(Text(proof))
    console.print(Text(_limits(measured["fault_rate_limits"])))


def _prove(described: dict[str, Any], setup: Setup, events: EventFile, sizes: pa.Table) -> str:
    """Plant into the waveform of the recording, if it is still where it was; return a sentence."""
    try:
        recording = open_recording(described["path"], rate_hz=described["rate_hz"])
    except MinerError as error:
        return f"Nothing was planted into the waveform itself: {error.problem} ({described['path']})."
    if recording.identity() != described["identity"]:
        return f"Nothing was planted into the waveform itself: another recording lies at {described['path']} now."
    leads = lead_specs(setup)
    profiles = profile_leads(recording, leads)
    sample = sample_waveform(recording, setup, leads, profiles, events, sizes, n_stretches=THOROUGH_STRETCHES)
    return str(sample["sentence"])


def _table(smallest: list[dict[str, Any]]) -> Table:
    slots = sorted({row["slot"] for row in smallest})
    names = {row["slot"]: row["cylinder"] for row in smallest}
    cells = {(row["kind"], row["slot"]): size_text(row["size"], row["unit"]) for row in smallest}
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("kind", no_wrap=True)
    for slot in slots:
        cylinder = names[slot]
        table.add_column(
            f"place {slot + 1}" if cylinder is None else cylinder_name(cylinder), justify="right", no_wrap=True
        )
    for kind in KINDS:
        if any((kind, slot) in cells for slot in slots):
            table.add_row(kind_name(kind), *(Text(cells.get((kind, slot), "")) for slot in slots))
    return table


def _limits(limits: dict[str, Any]) -> str:
    are = "is a suspect" if limits["n_suspects"] == 1 else "are suspects"
    found = f"{limits['n_suspects']:,} of {counted(limits['n_events'], 'event')} {are} at that rate"
    sure = f"with {limits['confidence']:.0%} confidence the engine has at most"
    per_hour, per_1000 = rate_number(limits["per_hour"]), rate_number(limits["per_1000_events"])
    return f"{found}: {sure} {per_hour} such events an hour, or {per_1000} in 1,000 events."
