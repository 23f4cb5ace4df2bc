"""What a run tells in the terminal: the ranked list, the incidents, and where the files lie."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich import box
from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from miner.errors import FindingsError
from miner.findings.store import Findings
from miner.schema import INCIDENTS, SUSPECTS
from miner.suspects.diagnosis import CODES_NOTE
from pipelines.show.console import CAUTION

__all__ = ["clock_time", "print_findings", "rate_text", "suspects_table"]

TOP_SUSPECTS = 15
ORDINARY_RATE = 10.0
"""False alarms per hour above which an event is ordinary and only fills the list."""

TOP_INCIDENTS = 5
SHOWN_CODES = 3
FILES = (
    ("events.parquet", "event table"),
    ("suspects.parquet", "ranked list"),
    ("incidents.parquet", "incidents"),
    ("report.html", "report, opens in a browser"),
    ("summary.json", "summary"),
)


def clock_time(time_s: float) -> str:
    """Return a place in the recording as hours, minutes and seconds.

    Examples
    --------
    >>> clock_time(3725.25)
    '1:02:05.250'
    """
    thousandths = round(time_s * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    return f"{minutes // 60}:{minutes % 60:02d}:{rest // 1000:02d}.{rest % 1000:03d}"


def rate_text(rate: float) -> str:
    """Return a false-alarm rate with as many digits as it deserves.

    Examples
    --------
    >>> rate_text(0.0004), rate_text(0.123), rate_text(12.3)
    ('< 0.001', '0.12', '12')
    """
    if rate < 0.001:
        return "< 0.001"
    return f"{rate:.2g}" if rate < 10 else f"{rate:.0f}"


def suspects_table(rows: Sequence[dict[str, Any]]) -> Table:
    """Return the ranked list as a table; ``rows`` as in `miner.schema.SUSPECTS`."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for name, side in (("rank", "right"), ("time", "right"), ("cyl", "right"), ("kind", "left"), ("per hour", "right")):
        table.add_column(name, justify="right" if side == "right" else "left", no_wrap=True)
    table.add_column("reason", overflow="fold")
    for row in rows:
        table.add_row(*_cells(row))
    return table


def _cells(row: dict[str, Any]) -> list[Text]:
    cylinder = "?" if row["cylinder"] is None else str(row["cylinder"])
    cells = [
        str(row["rank"]),
        clock_time(row["time_s"]),
        cylinder,
        row["kind"],
        rate_text(row["false_alarms_per_hour"]),
    ]
    return [Text(cell) for cell in [*cells, row["reason"]]]


def _incidents(rows: Sequence[dict[str, Any]]) -> RenderableType:
    """Return the incidents; the caveat that goes with every list of codes is said once, at the end."""
    parts = [Text("Incidents, worst first", style="bold")]
    for row in rows:
        parts.append(Text(f"  {row['incident_id']}. {row['sentence']}"))
        parts += [Text(f"     points to: {row['circuit']}")] if row["circuit"] else []
        test = row["next_test"].removesuffix(f"{CODES_NOTE}.").rstrip()
        parts += [Text(f"     next test: {test}")] if test else []
        parts += [Text(f"     codes: {_first(row['codes'])}")] if row["codes"] else []
    if any(row["codes"] for row in rows):
        parts.append(Text(f"  {CODES_NOTE}."))
    return Group(*parts)


def _first(codes: Sequence[str]) -> str:
    """Return the first few codes; those of every coil of the engine are for the incidents table."""
    more = len(codes) - SHOWN_CODES
    return ", ".join(codes[:SHOWN_CODES]) + (f" and {more} more" if more > 0 else "")


def _sentences(title: str, sentences: Sequence[str]) -> RenderableType:
    shown = [Text(f"  {sentence}\n") for sentence in sentences[:TOP_INCIDENTS]]
    return Text.assemble((f"{title}\n", "bold"), *shown) if shown else Text("")


def print_findings(console: Console, findings: Findings, *, top: int = TOP_SUSPECTS) -> None:
    """Print list, incidents, warnings, places of the files and the standing caution."""
    summary = findings.summary()
    suspects = [
        row for row in findings.read_table(SUSPECTS).to_pylist() if row["false_alarms_per_hour"] <= ORDINARY_RATE
    ]
    incidents = findings.read_table(INCIDENTS).slice(0, TOP_INCIDENTS).to_pylist()
    console.print(Text(_verdict(summary), style="bold"))
    if suspects:
        console.print(suspects_table(suspects[:top]))
    if len(suspects) > top:
        console.print(Text(f"... and {len(suspects) - top} more in the ranked list"))
    if incidents:
        console.print(_incidents(incidents))
    explained = summary.get("explained", {})
    for title, key in (("Always different, so not in the list", "standing"), ("When it happens", "conditions")):
        console.print(_sentences(title, explained.get(key, [])), end="")
    for warning in summary.get("warnings", []):
        console.print(Text(f"Note: {warning}"))
    console.print(_places(findings))
    console.print(Text(CAUTION))


def _verdict(summary: dict[str, Any]) -> str:
    counts = summary["counts"]
    found = counts["suspects"]["under_one_false_alarm_per_hour"]
    return (
        f"{counts['events']['events']:,} ignition events in {summary['recording']['duration_s'] / 60:.1f} minutes; "
        f"{found} of them a healthy engine would show less than once an hour, "
        f"in {counts['suspects']['incidents']} incidents."
    )


def _places(findings: Findings) -> RenderableType:
    lines = [
        Text(f"{meaning}: {findings.folder / name}") for name, meaning in FILES if (findings.folder / name).exists()
    ]
    try:
        timing = findings.read_json("timing.json")
    except FindingsError:  # findings copied without it are still findings
        return Group(*lines)
    return Group(*lines, Text(f"mined in {timing['total_s']:.1f} s, {timing['times_real_time']:.0f} x real time"))
