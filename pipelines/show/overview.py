"""The morning's overview: what every recording showed, and the worst of all of them together.

`make_overview` gathers it from the findings folders; it is shown in the terminal (`print_overview`), as a page
(`pipelines.show.overview_page`) and as a workbook (`pipelines.show.overview_book`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from miner.errors import FindingsError
from miner.findings.store import Findings
from miner.schema import INCIDENTS, SUSPECTS
from pipelines.overnight.run import Result
from pipelines.overnight.tasks import Failure
from pipelines.show.console import CAUTION
from pipelines.show.listing import clock_time, rate_text

__all__ = ["Failed", "Mined", "Overview", "Worst", "make_overview", "print_overview", "quality_words", "speed_words"]

RARE_PER_H = 1.0
"""Suspects that a healthy engine shows less than once an hour are counted; more frequent ones are only listed."""

TOP_INCIDENTS, TOP_SUSPECTS, TOP_IN_TERMINAL = 3, 500, 15


@dataclass(frozen=True, kw_only=True)
class Failed:
    """A recording that was not mined, with reason and remedy."""

    name: str
    problem: str
    remedy: str


@dataclass(frozen=True, kw_only=True)
class Mined:
    """One recording in one line, and its worst incidents as sentences."""

    name: str
    vehicle: str
    verdict: str
    n_suspects: int
    n_incidents: int
    n_events: int
    recorded_s: float
    quality: str
    speed: str
    worst: tuple[str, ...]
    findings: Path
    anew: bool
    also: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Worst:
    """One suspect in the list over all recordings."""

    rank: int
    name: str
    vehicle: str
    time_s: float
    cylinder: int | None
    kind: str
    false_alarms_per_hour: float
    score: float
    reason: str
    findings: Path


@dataclass(frozen=True, kw_only=True)
class Overview:
    """Everything the morning shows: failures, recordings, the common list, and counts of rare suspects.

    ``counts`` has one entry for each of vehicle, cylinder and kind: name and number, most first.
    """

    folder: Path
    failed: tuple[Failed, ...]
    mined: tuple[Mined, ...]
    worst: tuple[Worst, ...]
    counts: dict[str, tuple[tuple[str, int], ...]]

    @property
    def recorded_h(self) -> float:
        """Hours of recordings mined."""
        return sum(m.recorded_s for m in self.mined) / 3600.0

    def headline(self) -> str:
        """Return the whole night in one sentence."""
        n_with = sum(m.n_suspects > 0 for m in self.mined)
        parts = [f"{len(self.mined)} recordings mined ({self.recorded_h:.2f} hours)", f"{n_with} with rare suspects"]
        return ", ".join([*parts, f"{len(self.failed)} failed" if self.failed else "none failed"]) + "."


def make_overview(folder: Path, results: Sequence[Result]) -> Overview:
    """Gather the findings of all recordings.

    Parameters
    ----------
    folder : path
        The folder that was searched, for the heading.
    results : sequence of Result
        How every recording ended.
    """
    failed = [_failed(r.name, r.failure) for r in results if r.failure]
    mined: list[Mined] = []
    suspects: list[tuple[Result, dict[str, Any]]] = []
    for result in results:
        if result.findings is None:
            continue
        try:
            one, rows = _read(result, Findings(result.findings))
        except FindingsError as error:
            failed.append(Failed(name=result.name, problem=str(error).rstrip("."), remedy=error.remedy))
            continue
        mined.append(one)
        suspects += [(result, row) for row in rows]
    mined.sort(key=lambda m: (-m.n_suspects, m.name))
    return Overview(
        folder=folder,
        failed=tuple(failed),
        mined=tuple(mined),
        worst=_rank(suspects),
        counts=_count(suspects),
    )


def _failed(name: str, failure: Failure) -> Failed:
    return Failed(name=name, problem=failure.problem, remedy=failure.remedy)


def _read(result: Result, findings: Findings) -> tuple[Mined, list[dict[str, Any]]]:
    summary = findings.summary()
    incidents = findings.read_table(INCIDENTS).to_pylist()
    suspects = findings.read_table(SUSPECTS).to_pylist()
    rare = [row for row in suspects if row["false_alarms_per_hour"] < RARE_PER_H]
    n_events = int(summary["counts"]["events"]["events"])
    ids = {row["incident_id"] for row in rare}
    worst = [row for row in incidents if row["incident_id"] in ids]
    mined = Mined(
        name=result.name,
        vehicle=result.vehicle,
        verdict=_verdict(len(rare), len(ids), n_events, result.recorded_s),
        n_suspects=len(rare),
        n_incidents=len(ids),
        n_events=n_events,
        recorded_s=result.recorded_s,
        quality=quality_words(summary),
        speed=speed_words(result),
        worst=tuple(row["sentence"] for row in worst[:TOP_INCIDENTS]),
        findings=result.findings or findings.folder,
        anew=result.anew,
        also=result.also,
    )
    return mined, suspects


def _verdict(n_rare: int, n_incidents: int, n_events: int, recorded_s: float) -> str:
    base = f"{n_events:,} ignition events in {recorded_s / 60:.1f} minutes"
    if not n_rare:
        return f"nothing rare among {base}"
    incidents = "1 incident" if n_incidents == 1 else f"{n_incidents} incidents"
    return f"{n_rare} rare among {base}, in {incidents}"


def quality_words(summary: dict[str, Any]) -> str:
    """Return in words what makes a recording less trustworthy, ``good`` if nothing does."""
    counts = summary["counts"]
    words = [f"{n:,} events {name.replace('_', ' ')}" for name, n in counts["events"]["by_quality"].items()]
    gaps = counts["gaps"]
    words += [f"{gaps['number']:,} gaps, {gaps['seconds']:.1f} s" for _ in range(bool(gaps["number"]))]
    return ", ".join([*words, *summary.get("warnings", [])]) or "good"


def speed_words(result: Result) -> str:
    """Return the speed as a multiple of real time on one core."""
    if not result.elapsed_s:
        return ""
    return f"{result.recorded_s / result.elapsed_s:,.0f} x real time on one core"


def _rank(suspects: Sequence[tuple[Result, dict[str, Any]]]) -> tuple[Worst, ...]:
    """Order the suspects of all recordings: by how rarely a healthy engine shows them, then by score."""
    ordered = sorted(
        suspects,
        key=lambda pair: (pair[1]["false_alarms_per_hour"], -pair[1]["score"], pair[0].name, pair[1]["rank"]),
    )
    return tuple(
        Worst(
            rank=rank,
            name=result.name,
            vehicle=result.vehicle,
            findings=result.findings or Path(),
            **{key: row[key] for key in ("time_s", "cylinder", "kind", "false_alarms_per_hour", "score", "reason")},
        )
        for rank, (result, row) in enumerate(ordered[:TOP_SUSPECTS], start=1)
    )


def _count(suspects: Sequence[tuple[Result, dict[str, Any]]]) -> dict[str, tuple[tuple[str, int], ...]]:
    rare = [(result, row) for result, row in suspects if row["false_alarms_per_hour"] < RARE_PER_H]
    named = {
        "vehicle": [result.vehicle or "not named" for result, _ in rare],
        "cylinder": ["unknown" if row["cylinder"] is None else str(row["cylinder"]) for _, row in rare],
        "kind": [row["kind"] for _, row in rare],
    }
    return {
        what: tuple(sorted(Counter(values).items(), key=lambda item: (-item[1], item[0])))
        for what, values in named.items()
    }


def print_overview(console: Console, overview: Overview) -> None:
    """Show the overview in a terminal, failures first."""
    console.print(Text(overview.headline(), style="bold"))
    for failure in overview.failed:
        console.print(Text(f"failed: {failure.name}: {failure.problem}"))
        console.print(Text(f"        what to do: {failure.remedy}"))
    if overview.mined:
        console.print(_recordings_table(overview.mined))
    rare = [one for one in overview.worst if one.false_alarms_per_hour < RARE_PER_H]
    if rare:
        console.print(Text("Worst of all recordings", style="bold"))
        console.print(_worst_table(rare[:TOP_IN_TERMINAL]))
    for what, counted in overview.counts.items():
        if counted:
            console.print(Text(f"rare suspects by {what}: " + ", ".join(f"{name} {n}" for name, n in counted)))
    console.print(Text(CAUTION))


def _recordings_table(mined: Sequence[Mined]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for name in ("recording", "verdict", "worst incident", "quality", "speed"):
        table.add_column(name, overflow="fold")
    for one in mined:
        worst = one.worst[0] if one.worst else ""
        table.add_row(*map(Text, (one.name, one.verdict, worst, one.quality, one.speed)))
    return table


def _worst_table(worst: Sequence[Worst]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for name in ("rank", "recording", "time", "cyl", "kind", "per hour", "reason"):
        table.add_column(name, overflow="fold")
    for one in worst:
        cylinder = "?" if one.cylinder is None else str(one.cylinder)
        rate = rate_text(one.false_alarms_per_hour)
        cells = (str(one.rank), one.name, clock_time(one.time_s), cylinder, one.kind, rate, one.reason)
        table.add_row(*map(Text, cells))
    return table
