"""What a run tells in the terminal: the ranked list, the incidents, where the files lie, and what to do next."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from miner.errors import FindingsError
from miner.findings.store import Findings
from miner.schema import INCIDENTS, SILENCES, SUSPECTS
from miner.suspects.diagnosis import CODES_NOTE
from miner.words import (
    CAUTION,
    RARE_PER_H,
    RATE_ASSUMED,
    clock,
    counted,
    cylinder_name,
    kind_name,
    length,
    of_many,
    rate_number,
    time_of_day,
    too_small_to_matter,
)

__all__ = ["ordinary_rate", "print_findings", "print_indented", "print_suspects", "short_recording"]

TOP_SUSPECTS = 15
LEAST_SUSPECTS = 5
"""Suspects that are shown however ordinary they are: whoever mined a recording sees what is strangest in it."""

ORDINARY = 10.0
"""An event that a healthy engine would show so often in this very recording, or in an hour of a longer one, only
fills the list."""

TOP_INCIDENTS = 5
SHOWN_CODES = 3
SILENCE_TROUBLE = ("cut_out", "clip_off")
"""What is no driver's stop, overrun, limiter or pause."""

FILES = (
    ("events.parquet", "event table"),
    ("suspects.parquet", "ranked list"),
    ("incidents.parquet", "incidents"),
    ("silences.parquet", "when the ignition fell silent"),
    ("report.html", "report, opens in a browser"),
    ("summary.json", "summary"),
)


def print_suspects(console: Console, rows: Sequence[dict[str, Any]], *, started_at: str | None = None) -> None:
    """Print suspects (as in `miner.schema.SUSPECTS`): a line that can be compared down the list, the reason beneath.

    Where the recording has its start, the time of day stands beside the time from the start. Rows of several
    recordings have a ``name`` and their own ``started_at``.
    """
    cells = [_cells(row, row.get("started_at", started_at)) for row in rows]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    for row, line in zip(rows, cells, strict=True):
        rank, *rest = (cell.ljust(width) for cell, width in zip(line, widths, strict=True))
        told = "  ".join([rank.strip().rjust(widths[0]), *rest]).rstrip()
        console.print(Text(told, style="bold"))
        print_indented(console, row["reason"], widths[0] + 2)
    if any(row["kind"] in RATE_ASSUMED for row in rows):
        console.print(Text(f"* {RATE_ASSUMED['extra_pulse']}"))


def print_indented(console: Console, text: str, by: int) -> None:
    """Print a text whose every line begins so many characters from the left."""
    for line in Text(text).wrap(console, max(console.width - by, 20)):
        line.rstrip()
        console.print(Text(" " * by) + line, soft_wrap=True)


def _cells(row: dict[str, Any], started_at: str | None) -> list[str]:
    day = time_of_day(started_at, row["time_s"])
    assumed = "*" if row["kind"] in RATE_ASSUMED else ""
    return [
        str(row["rank"]),
        clock(row["time_s"]) + (f" ({day})" if day else ""),
        cylinder_name(row["cylinder"]),
        kind_name(row["kind"]),
        f"{rate_number(row['false_alarms_per_hour'])}/h{assumed}",
        *([row["name"]] if "name" in row else []),
    ]


def print_findings(console: Console, findings: Findings, *, top: int = TOP_SUSPECTS) -> None:
    """Print list, incidents, warnings, places of the files, what to do next, and the standing caution."""
    summary = findings.summary()
    suspects = findings.read_table(SUSPECTS).to_pylist()
    incidents = findings.read_table(INCIDENTS).to_pylist()
    recording = summary["recording"]
    _print_headline(console, summary, suspects)
    shown = _worth_showing(suspects, recording["duration_s"], top)
    if shown:
        _title(console, f"Suspects, worst first{of_many(len(shown), len(suspects))}")
        console.print(Text("rank, time, cylinder, kind, false alarms an hour on a healthy engine; reason"))
        print_suspects(console, shown, started_at=recording.get("started_at"))
    _print_too_small(console, summary)
    _print_incidents(console, incidents)
    _print_silences(console, findings)
    explained = summary.get("explained", {})
    for title, key in (("Always different, so not in the list", "standing"), ("When it happens", "conditions")):
        _print_sentences(console, title, explained.get(key, []))
    for warning in summary.get("warnings", []):
        console.print(Text(f"Note: {warning}"))
    _print_places(console, findings)
    _print_next(console, findings)
    console.print(Text(CAUTION))


def _title(console: Console, text: str) -> None:
    console.print(Text(f"\n{text}", style="bold"))


def _print_headline(console: Console, summary: dict[str, Any], suspects: Sequence[dict[str, Any]]) -> None:
    """Say how much was recorded and how much of it is rare; every number of a sentence counts the same events."""
    recording = summary["recording"]
    started_at = recording.get("started_at")
    begun = time_of_day(started_at, 0.0)
    since = f" from {str(started_at)[:10]} {begun}" if begun else ""
    n_events = summary["counts"]["events"]["events"]
    rare = [row for row in suspects if row["false_alarms_per_hour"] < RARE_PER_H]
    n_incidents = len({row["incident_id"] for row in rare})
    if rare:
        belong = f"{'it belongs' if len(rare) == 1 else 'they belong'} to {counted(n_incidents, 'incident')}"
        found = f"{len(rare):,} of them a healthy engine would show less than once an hour; {belong}."
    else:
        found = "None of them is rarer than once an hour on a healthy engine."
    text = f"{counted(n_events, 'ignition event')} in {length(recording['duration_s'])}{since}. {found}"
    console.print(Text(text, style="bold"))
    note = short_recording(recording["duration_s"])
    if note:
        console.print(Text(note))


def short_recording(duration_s: float) -> str:
    """Say in plain words what so little recording can prove; empty from an hour on.

    Examples
    --------
    >>> short_recording(7200.0), short_recording(3599.99)
    ('', '')
    >>> short_recording(16.0)
    'In 16 s chance alone shows once what it shows 225 times an hour: a rate like that proves nothing. \
Judge by how large a difference is, and record longer if you can.'
    """
    if not 0 < round(duration_s) < 3600:
        return ""
    return (
        f"In {length(duration_s)} chance alone shows once what it shows {rate_number(3600.0 / duration_s)} times an "
        "hour: a rate like that proves nothing. Judge by how large a difference is, and record longer if you can."
    )


def ordinary_rate(recorded_s: float) -> float:
    """Return the rate an hour from which on an event is ordinary in a recording of this length.

    Examples
    --------
    >>> ordinary_rate(7200.0), ordinary_rate(36.0)
    (10.0, 1000.0)
    """
    return ORDINARY / min(max(recorded_s / 3600.0, 1e-9), 1.0)


def _worth_showing(suspects: Sequence[dict[str, Any]], recorded_s: float, top: int) -> list[dict[str, Any]]:
    """Return the first of the list up to those that are ordinary; the strangest always."""
    limit = ordinary_rate(recorded_s)
    n = sum(row["false_alarms_per_hour"] <= limit for row in suspects)
    return list(suspects[: min(max(n, LEAST_SUSPECTS), top)])


def _print_too_small(console: Console, summary: dict[str, Any]) -> None:
    text = too_small_to_matter(summary.get("ranking", {}).get("n_too_small_to_matter", 0))
    if text:
        console.print(Text(text))


def _print_incidents(console: Console, incidents: Sequence[dict[str, Any]]) -> None:
    """Print the incidents; the caveat that goes with every list of codes is said once, at the end."""
    rows = incidents[:TOP_INCIDENTS]
    if not rows:
        return
    _title(console, f"Incidents, worst first{of_many(len(rows), len(incidents))}")
    for row in rows:
        test = row["next_test"].removesuffix(f"{CODES_NOTE}.").rstrip()
        console.print(Text(f"{row['incident_id']}. {row['sentence']}"))
        told = {"points to": row["circuit"], "next test": test, "codes": _first(row["codes"])}
        for name, text in told.items():
            if text:
                print_indented(console, f"{name}: {text}", 3)
    if any(row["codes"] for row in rows):
        console.print(Text(f"{CODES_NOTE}."))


def _print_silences(console: Console, findings: Findings) -> None:
    """Print the silences that somebody has to look after, and how many others there were."""
    if not findings.path_of(SILENCES).is_file():  # findings of an earlier version
        return
    rows = findings.read_table(SILENCES).to_pylist()
    trouble = [row for row in rows if row["looks_like"] in SILENCE_TROUBLE]
    others = Counter(row["looks_like"] for row in rows if row["looks_like"] not in SILENCE_TROUBLE)
    if rows:
        shown = trouble[:TOP_INCIDENTS]
        _title(console, f"When the ignition fell silent{of_many(len(shown), len(trouble))}")
        for row in shown:
            print_indented(console, f"{clock(row['start_s'])}  {row['sentence']}", 2)
        if others:
            told = ", ".join(counted(n, kind_name(kind)) for kind, n in sorted(others.items()))
            print_indented(console, f"{'also ' if trouble else ''}{told}", 2)


def _first(codes: Sequence[str]) -> str:
    """Return the first few codes; those of every coil of the engine are for the incidents table."""
    more = len(codes) - SHOWN_CODES
    return ", ".join(codes[:SHOWN_CODES]) + (f" and {more} more" if more > 0 else "")


def _print_sentences(console: Console, title: str, sentences: Sequence[str]) -> None:
    if sentences:
        _title(console, f"{title}{of_many(min(len(sentences), TOP_INCIDENTS), len(sentences))}")
    for sentence in sentences[:TOP_INCIDENTS]:
        print_indented(console, sentence, 2)


def _print_places(console: Console, findings: Findings) -> None:
    _title(console, "Files")
    there = [(findings.folder / name, meaning) for name, meaning in FILES if (findings.folder / name).exists()]
    _print_whole(console, (f"{meaning}: {path}" for path, meaning in there))
    try:
        timing = findings.read_json("timing.json")
    except FindingsError:  # findings copied without it are still findings
        return
    console.print(Text(f"mined in {length(timing['total_s'])}, {_times(timing['times_real_time'])}"))


def _times(times_real_time: float) -> str:
    return "slower than real time" if times_real_time < 1.0 else f"{times_real_time:,.0f} x real time"


def _print_next(console: Console, findings: Findings) -> None:
    folder = shlex.quote(str(findings.folder))
    named = findings.folder.name not in {"", ".."}
    table = shlex.quote(f"{findings.folder}.xlsx" if named else str(findings.folder / "findings.xlsx"))
    _title(console, "What to do next")
    steps = {
        f"ignition-miner review {folder}": "look at every suspect on all leads, and judge it",
        f"ignition-miner sensitivity {folder}": "how large a fault would have been found",
        f"ignition-miner export {folder} --to {table}": "a workbook for the customer file",
    }
    _print_whole(console, (f"  {command}\n      {meaning}" for command, meaning in steps.items()))


def _print_whole(console: Console, lines: Iterable[str]) -> None:
    """Print lines that are to be copied: a terminal that is too narrow breaks them, we do not."""
    for line in lines:
        console.print(Text(line), soft_wrap=True)
