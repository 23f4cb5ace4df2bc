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

from rich.console import Console
from rich.text import Text

from miner.errors import FindingsError
from miner.findings.store import Findings
from miner.schema import INCIDENTS, SUSPECTS
from miner.words import CAUTION, QUALITY_NAMES, RARE_PER_H, counted, kind_name, length, of_many
from pipelines.overnight.run import Result
from pipelines.overnight.tasks import Failure
from pipelines.show.listing import ordinary_rate, print_indented, print_suspects

__all__ = [
    "Failed",
    "Mined",
    "Overview",
    "Worst",
    "counts_words",
    "make_overview",
    "print_overview",
    "quality_words",
    "speed_words",
]

TOP_INCIDENTS, TOP_SUSPECTS, TOP_IN_TERMINAL = 3, 100, 15


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
    in_short: str
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
    event_id: int
    time_s: float
    started_at: str | None
    cylinder: int | None
    kind: str
    false_alarms_per_hour: float
    score: float
    reason: str
    findings: Path


@dataclass(frozen=True, kw_only=True)
class Overview:
    """Everything the morning shows: failures, recordings, the common list, and counts of rare suspects.

    ``worst`` leaves out what is ordinary, of ``n_listed`` suspects in all lists together; ``counts`` has one entry for
    each of vehicle, cylinder and kind: name and number, most first.
    """

    folder: Path
    failed: tuple[Failed, ...]
    mined: tuple[Mined, ...]
    worst: tuple[Worst, ...]
    n_listed: int
    counts: dict[str, tuple[tuple[str, int], ...]]

    @property
    def recorded_h(self) -> float:
        """Hours of recordings mined."""
        return sum(m.recorded_s for m in self.mined) / 3600.0

    def headline(self) -> str:
        """Return the whole night in one sentence."""
        n_with = sum(m.n_suspects > 0 for m in self.mined)
        parts = [
            f"{counted(len(self.mined), 'recording')} mined ({length(3600.0 * self.recorded_h)})",
            f"{n_with} with rare suspects",
        ]
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
    n_listed = 0
    for result in results:
        if result.findings is None:
            continue
        try:
            one, rows = _read(result, Findings(result.findings))
        except FindingsError as error:
            failed.append(Failed(name=result.name, problem=str(error).rstrip("."), remedy=error.remedy))
            continue
        mined.append(one)
        n_listed += len(rows)
        limit = ordinary_rate(result.recorded_s)
        suspects += [(result, row) for row in rows if row["false_alarms_per_hour"] <= limit]
    mined.sort(key=lambda m: (-m.n_suspects, m.name))
    return Overview(
        folder=folder,
        failed=tuple(failed),
        mined=tuple(mined),
        worst=_rank(suspects),
        n_listed=n_listed,
        counts=_count(suspects),
    )


def _failed(name: str, failure: Failure) -> Failed:
    return Failed(name=name, problem=failure.problem, remedy=failure.remedy)


def _read(result: Result, findings: Findings) -> tuple[Mined, list[dict[str, Any]]]:
    summary = findings.summary()
    incidents = findings.read_table(INCIDENTS).to_pylist()
    began = {"started_at": summary.get("recording", {}).get("started_at")}
    suspects = [row | began for row in findings.read_table(SUSPECTS).to_pylist()]
    rare = [row for row in suspects if row["false_alarms_per_hour"] < RARE_PER_H]
    n_events = int(summary["counts"]["events"]["events"])
    ids = {row["incident_id"] for row in rare}
    worst = [row for row in incidents if row["incident_id"] in ids]
    mined = Mined(
        name=result.name,
        vehicle=result.vehicle,
        in_short=_in_short(len(rare), len(ids), n_events, result.recorded_s),
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


def _in_short(n_rare: int, n_incidents: int, n_events: int, recorded_s: float) -> str:
    base = f"{counted(n_events, 'ignition event')} in {length(recorded_s)}"
    if not n_rare:
        return f"nothing rare among {base}"
    return f"{n_rare:,} rare among {base}, in {counted(n_incidents, 'incident')}"


def quality_words(summary: dict[str, Any]) -> str:
    """Return in words what makes a recording less trustworthy, ``good`` if nothing does."""
    counts = summary["counts"]
    qualities = counts["events"]["by_quality"].items()
    words = [f"{counted(n, 'event')} {QUALITY_NAMES.get(name, name)}" for name, n in qualities]
    gaps = counts["gaps"]
    if gaps["number"] and "check" not in summary:  # what is worth telling of gaps is among the warnings of the check
        words.append(
            f"{counted(gaps['number'], 'gap')} of {length(gaps['seconds'])}{' together' * (gaps['number'] > 1)}"
        )
    return ", ".join([*words, *summary.get("warnings", [])]) or "good"


def speed_words(result: Result) -> str:
    """Return the speed as a multiple of real time on one core."""
    if not result.elapsed_s:
        return ""
    times = result.recorded_s / result.elapsed_s
    return f"{times:,.0f} x real time on one core" if times >= 1.0 else f"mined in {length(result.elapsed_s)}"


_OF_SUSPECT = ("event_id", "time_s", "cylinder", "kind", "false_alarms_per_hour", "score", "reason")


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
            started_at=row["started_at"],
            **{key: row[key] for key in _OF_SUSPECT},
        )
        for rank, (result, row) in enumerate(ordered[:TOP_SUSPECTS], start=1)
    )


def _count(suspects: Sequence[tuple[Result, dict[str, Any]]]) -> dict[str, tuple[tuple[str, int], ...]]:
    rare = [(result, row) for result, row in suspects if row["false_alarms_per_hour"] < RARE_PER_H]
    named = {
        "vehicle": [result.vehicle or "not named" for result, _ in rare],
        "cylinder": ["unknown" if row["cylinder"] is None else str(row["cylinder"]) for _, row in rare],
        "kind": [kind_name(row["kind"]) for _, row in rare],
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
    for one in overview.mined:
        console.print(Text(f"{one.name}: {one.in_short}"))
        told = {"worst": one.worst[0].rstrip(".") if one.worst else "", "quality": one.quality, "": one.speed}
        text = "; ".join(f"{name}: {words}" if name else words for name, words in told.items() if words)
        print_indented(console, text, 4)
    rare = [one for one in overview.worst if one.false_alarms_per_hour < RARE_PER_H]
    if rare:
        shown = rare[:TOP_IN_TERMINAL]
        title = f"Worst of all recordings{of_many(len(shown), len(rare))}"
        console.print(
            Text(f"\n{title}: rank, time, cylinder, kind, false alarms an hour, recording; reason", style="bold")
        )
        print_suspects(console, [vars(one) for one in shown])
    for what, named in overview.counts.items():
        if named:
            console.print(Text(f"rare suspects by {what}: {counts_words(what, named)}"))
    console.print(Text(CAUTION))


def counts_words(what: str, named: Sequence[tuple[str, int]]) -> str:
    """Return counts in words.

    Examples
    --------
    >>> counts_words("cylinder", [("2", 3), ("unknown", 1)])
    'cylinder 2: 3; cylinder unknown: 1'
    """
    before = "cylinder " if what == "cylinder" else ""
    return "; ".join(f"{before}{name}: {n:,}" for name, n in named)
