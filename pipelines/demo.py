"""The demo: a made-up drive with planted faults, mined, and what was planted beside what was found."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from miner.errors import FindingsError
from miner.findings.export import export_findings
from miner.findings.store import Findings, write_failure
from miner.mining.steps import mine_recording
from miner.schema import SUSPECTS
from miner.synthetic.presets import demo_hour
from miner.synthetic.scenario import Scenario
from miner.synthetic.toml import toml_text
from miner.synthetic.writer import write_recording
from miner.words import clock, kind_name, rate_number
from pipelines.show.listing import print_findings
from pipelines.show.progress_view import ProgressView

__all__ = ["match_planted", "run_demo"]

SAME_EVENT_S = 0.005
"""A planted and a listed event of one cylinder are the same within this: no cylinder fires twice in 5 ms."""


def run_demo(console: Console, out: Path, *, duration_s: float = 900.0) -> None:
    """Make, mine and show.

    Parameters
    ----------
    console : rich.console.Console
        Where to show it.
    out : path
        Folder for the recording with its truth, ``findings`` below it, and the workbook.
    duration_s : float, default=900
        Length of the recording.
    """
    scenario = demo_hour(duration_s=duration_s)
    _make(console, scenario, out)
    findings = Findings(out / "findings")
    with ProgressView(console, "mining") as view:
        mine_recording(
            out / "recording.parquet",
            out / "setup.toml",
            findings.folder,
            on_progress=view.update,
            on_stage=view.stage,
        )
    print_findings(console, findings)
    _print_planted(console, out, findings)
    workbook = export_findings(findings.folder, out / "findings.xlsx", overwrite=True)
    console.print(Text(f"workbook: {workbook}"))


def _make(console: Console, scenario: Scenario, out: Path) -> None:
    """Write the recording, unless an earlier demo left the very same one; its scenario is written last."""
    left = out / "scenario.toml"
    if left.is_file() and left.read_text(encoding="utf-8") == toml_text(scenario.model_dump(mode="json")):
        console.print(Text(f"demo recording of before: {out / 'recording.parquet'}"))
        return
    _refuse_strangers(out)
    Findings(out).require_writable()
    try:
        left.unlink(missing_ok=True)
        with ProgressView(console, "making the demo recording", staged=False) as view:
            write_recording(scenario, out, on_progress=view.update)
    except OSError as error:
        raise write_failure(out / "recording.parquet", error) from error
    console.print(Text(f"demo recording: {out / 'recording.parquet'} ({scenario.name}; no real vehicle or person)"))


def _refuse_strangers(out: Path) -> None:
    """Refuse to make the demo where files of its names lie that no earlier demo left."""
    names = ("recording.parquet", "setup.toml", "scenario.toml", "truth_events.parquet", "truth_faults.parquet")
    there = [out / name for name in (*names, "findings.xlsx") if (out / name).exists()]
    try:
        truth = set(pq.read_schema(out / "truth_faults.parquet").names)
    except (OSError, ValueError):
        truth = set()
    if there and not {"kind", "shows_as"} <= truth:
        raise FindingsError(
            "this file is not of an earlier demo and would be replaced", remedy="choose another --out", file=there[0]
        )


def match_planted(faults: Sequence[dict[str, Any]], suspects: Sequence[dict[str, Any]]) -> list[dict[str, Any] | None]:
    """Return for each planted fault the listed event that it is, or None.

    Parameters
    ----------
    faults : sequence of dict
        Rows of the truth: ``time_s``, ``cylinder``.
    suspects : sequence of dict
        Rows of the ranked list.
    """
    return [min(_near(fault, suspects), key=lambda suspect: suspect["rank"], default=None) for fault in faults]


def _near(fault: dict[str, Any], suspects: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    return [
        suspect
        for suspect in suspects
        if abs(suspect["time_s"] - fault["time_s"]) <= SAME_EVENT_S and suspect["cylinder"] in (fault["cylinder"], None)
    ]


def _print_planted(console: Console, out: Path, findings: Findings) -> None:
    truth: pa.Table = pq.read_table(out / "truth_faults.parquet", partitioning=None, page_checksum_verification=True)
    faults = [fault for fault in truth.to_pylist() if fault["shows_as"] is not None]
    suspects = findings.read_table(SUSPECTS).to_pylist()
    found = match_planted(faults, suspects)
    console.print(Text("What was planted, and what became of it", style="bold"))
    console.print(_planted_table(faults, found))
    console.print(Text(_score(faults, found, suspects)))


def _score(
    faults: Sequence[dict[str, Any]], found: Sequence[dict[str, Any] | None], suspects: Sequence[dict[str, Any]]
) -> str:
    ranks = {suspect["rank"] for suspect in found if suspect is not None}
    healthy = next((suspect["rank"] for suspect in suspects if suspect["rank"] not in ranks), None)
    place = "no healthy event is listed" if healthy is None else f"the first healthy event has rank {healthy}"
    return f"{len(ranks)} of {len(faults)} planted faults that the leads can show are in the list; {place}."


def _size(size: float, unit: str) -> str:
    """Return how large a fault was planted; nothing where the kind says it all."""
    if unit == "share":
        return f"{100 * size:g} %" if size else ""
    return f"{size:g} {'pulse' if unit == 'pulses' and size == 1 else unit}"


def _planted_table(faults: Sequence[dict[str, Any]], found: Sequence[dict[str, Any] | None]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for name in ("time", "cyl", "planted", "size", "found as", "rank", "per hour"):
        table.add_column(name, justify="left" if name in ("planted", "found as") else "right", no_wrap=True)
    for fault, suspect in zip(faults, found, strict=True):
        cells = [
            clock(fault["time_s"]),
            str(fault["cylinder"]),
            kind_name(fault["kind"]),
            _size(fault["size"], fault["unit"]),
        ]
        cells += (
            ["not in the list", "", ""]
            if suspect is None
            else [kind_name(suspect["kind"]), str(suspect["rank"]), rate_number(suspect["false_alarms_per_hour"])]
        )
        table.add_row(*(Text(cell) for cell in cells))
    return table
