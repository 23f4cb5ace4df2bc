"""The page of `bench_abroad`: one section a set, every figure from the rows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from scipy.stats import chi2

from tests.physical.score import RATES

Row = dict[str, Any]
TITLES = {
    "trial": "An outside simulator, random engines and recorders",
    "third": "Time-stepped physics (tests/physical)",
    "own": "The project's own (miner/synthetic)",
}
WORST_FACTOR = 10.0
"""No single recording may have more than so many times its due."""
HEAD = """\
# The list on engines nobody here made

Three simulators written apart from each other; every recording is mined by the command line as a user would and its
list compared with the truth (`tests/physical/score.py` says how). Made by
`python -m tests.performance.bench_abroad`; nothing is tuned to a set.

*Listed* counts events of healthy recordings at no more than r false alarms an hour; rows in stretches where a clip was
off or nothing was recorded are counted apart. Sizes are in healthy spreads of the measure around its neighbours in
time, sampling and noise included; absent and further pulses are gross. K is the number of planted faults.
"""
AT_ONE = RATES.index(1.0)


def garwood(mean: float) -> tuple[float, float]:
    """Return the 95 % interval of a Poisson count by Garwood's formula (Biometrika 28, 1936), also between integers."""
    low = chi2.ppf(0.025, 2.0 * mean) / 2.0 if mean > 0.0 else 0.0
    return float(low), float(chi2.ppf(0.975, 2.0 * mean + 2.0) / 2.0)


def page_text(rows: Sequence[Row]) -> str:
    """Return the page in Markdown."""
    parts = [HEAD]
    for which, title in TITLES.items():
        mine = [r for r in rows if r["set"] == which]
        if mine:
            parts.append(section(title, mine))
    return "\n".join(parts)


def section(title: str, rows: Sequence[Row]) -> str:
    """Return the tables of one set."""
    mined = [r for r in rows if r.get("exit") == 0 and "error" not in r]
    failed = [r for r in rows if r not in mined]
    scored = [r for r in rows if "planted" in r]
    healthy = [r for r in mined if r["healthy"]]
    hours = sum(r["hours"] for r in healthy)
    numbers = [r["number"] for r in rows]
    head = (
        f"## {title}\n\n{len(rows)} recordings, {sum(r.get('hours', 0.0) for r in rows):.2f} hours, of them "
        f"{len(healthy)} healthy with {hours:.2f} hours; numbers {min(numbers)} to {max(numbers)}.\n"
    )
    tables = (failures(failed), calibration(healthy, hours), detection(scored, mined), kinds(scored), cost(mined))
    return "\n".join((head, *tables))


def failures(failed: Sequence[Row]) -> str:
    if not failed:
        return "Every recording gave a list.\n"
    said = "\n".join(
        f"- number {r['number']} ({r.get('layout')}; {r.get('leads')}): {r.get('error') or r.get('words')!r}"
        for r in failed
    )
    return f"{len(failed)} gave none, their faults count as missed, their hours do not count:\n\n{said}\n"


def calibration(healthy: Sequence[Row], hours: float) -> str:
    """Return what healthy recordings list, against what is due."""
    lines = ["| listed at r an hour | due | counted | Garwood 95 % | in it | worst recording: counted, its due |",
             "| --- | --- | --- | --- | --- | --- |"]  # fmt: skip
    for k, rate in enumerate(RATES):
        due, counted = rate * hours, sum(r["counts"][k] for r in healthy)
        low, high = garwood(due)
        fits = "-" if not healthy else "yes" if low <= counted <= high else "no"
        worst = max(healthy, key=lambda r: r["counts"][k] / r["hours"], default=None)
        told = "-" if worst is None else f"number {worst['number']}: {worst['counts'][k]}, {rate * worst['hours']:.2g}"
        lines.append(f"| {rate:g} | {due:.2f} | {counted} | {low:.1f} to {high:.1f} | {fits} | {told} |")
    over = sum(r["counts"][AT_ONE] > WORST_FACTOR * r["hours"] for r in healthy)
    none = sum(r["counts"][AT_ONE] == 0 for r in healthy)
    apart = sum(r["apart"] for r in healthy)
    lines.append(f"\nAt one an hour {over} of {len(healthy)} healthy recordings list more than ten times their due and "
                 f"{none} list nothing; {apart} further rows lie in stretches without signal.\n")  # fmt: skip
    return "\n".join(lines)


def share(faults: Sequence[Row], found: Callable[[Row], bool]) -> str:
    if not faults:
        return "-"
    n = sum(found(f) for f in faults)
    return f"{n / len(faults):.3f} ({n} of {len(faults)})"


def in_top(fault: Row) -> bool:
    return bool(fault["top"])


def listed(fault: Row) -> bool:
    return fault["rate"] is not None and fault["rate"] <= 1.0


def kind_right(fault: Row) -> bool:
    """Say whether the kind is right; without a lead on the wire an absent command shows as an absent answer."""
    return fault["said"] == fault["kind"] or {fault["said"], fault["kind"]} <= {"absent_command", "absent_feedback"}


def detection(scored: Sequence[Row], mined: Sequence[Row]) -> str:
    """Return what of the planted faults is found."""
    planted = [f for r in scored for f in r["planted"]]
    lines = ["| planted | in the top K | listed at one an hour |", "| --- | --- | --- |"]
    for label, name in (("must_find", "gross, 8 sigma and more"), ("stretch", "4 to 8 sigma"), ("beyond", "less")):
        of = [f for f in planted if f["label"] == label]
        lines.append(f"| {name} | {share(of, in_top)} | {share(of, listed)} |")
    precise = [r.get("average_precision") for r in scored if any(f["label"] != "beyond" for f in r["planted"])]
    known = [0.0 if p is None else p for p in precise]
    mean = f"{np.mean(known):.3f}" if known else "-"
    faulty = [r for r in mined if not r["healthy"]]
    beside = sum(r["counts"][AT_ONE] for r in faulty)
    hours = sum(r["hours"] for r in faulty)
    right = [f for f in planted if f["said"] is not None]
    named = share(right, kind_right)
    lines.append(
        f"\nMean average precision {mean} over {len(known)} faulty recordings; {beside} false alarms at one an hour in "
        f"their {hours:.2f} hours. Kind right: {named}.\n"
    )
    return "\n".join(lines)


def kinds(scored: Sequence[Row]) -> str:
    """Return the same by kind of fault."""
    planted = [f for r in scored for f in r["planted"]]
    head = "| kind | 8 sigma and more, in the top K | listed at one an hour | 4 to 8 sigma, in the top K |"
    lines = [head, "| --- | --- | --- | --- |"]
    for kind in sorted({f["kind"] for f in planted}):
        must, stretch = (
            [f for f in planted if f["kind"] == kind and f["label"] == x] for x in ("must_find", "stretch")
        )
        lines.append(f"| {kind} | {share(must, in_top)} | {share(must, listed)} | {share(stretch, in_top)} |")
    return "\n".join(lines) + "\n"


def cost(mined: Sequence[Row]) -> str:
    if not mined:
        return ""
    names = ("events", "found", "made_up", "wrong_cylinder", "seconds", "cpu_s", "hours")
    total = {name: sum(r[name] for r in mined) for name in names}
    return (
        f"Events: {total['found']} of {total['events']} found, {total['made_up']} made up, {total['wrong_cylinder']} "
        f"with the wrong cylinder. Mining took {total['seconds']:.0f} s ({total['cpu_s']:.0f} core-seconds) for "
        f"{total['hours']:.2f} h, peak {max(r['peak_mb'] for r in mined):.0f} MB.\n"
    )
