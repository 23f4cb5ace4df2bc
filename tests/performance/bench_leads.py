"""Leads told apart on drawn recordings: ``python -m tests.performance.bench_leads [COUNT] [FIRST]``.

Every other recording states its number of cylinders. Each wrong lead is printed with its reason.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

from miner.engine.leads.roles import LeadsFound, tell_leads_apart
from miner.engine.leads.setup_text import SURE
from miner.recording.reader import open_recording
from tests.engine.drawn_leads import Drawn, draw


def say(words: str) -> None:
    print(words, flush=True)  # noqa: T201


def compare_leads(number: int, truth: Drawn, found: LeadsFound, counts: Counter[str]) -> None:
    """Count what became of every lead, and say which are wrong."""
    for lead in found.leads:
        role, sure = truth.roles[lead.column], lead.confidence >= SURE
        outcome = "cannot tell" if lead.role is None else "right" if lead.role == role else "wrong"
        counts[f"leads {outcome}"] += 1
        counts["leads surely right"] += sure and outcome == "right"
        counts["leads surely wrong"] += sure and outcome == "wrong"
        if outcome != "right":
            mark = "SURE " if sure else ""
            say(
                f"{number}: {lead.column} is {role}, {mark}{outcome} {lead.role} ({lead.confidence:.2f}): {lead.reason}"
            )


def compare_engine(number: int, truth: Drawn, found: LeadsFound, counts: Counter[str]) -> None:
    """Count whether number of cylinders, layout and places are those of the truth."""
    engine = found.engine
    if engine is None:
        counts["engines cannot tell"] += 1
        return
    same = engine.cylinders == truth.cylinders and (engine.layout == "paired") == truth.paired
    outcome = "right" if same else "wrong"
    counts[f"engines {outcome}"] += 1
    counts[f"engines surely {outcome}"] += engine.confidence >= SURE
    if not same:
        was = f"{truth.cylinders} cylinders{' paired' if truth.paired else ''}"
        say(f"{number}: {was}, told {engine.cylinders} {engine.layout} ({engine.confidence:.2f}): {engine.reason}")
    n_slots = truth.cylinders // 2 if truth.paired else truth.cylinders
    placed = [(x.column, x.cylinder) for x in found.leads if x.cylinder is not None and x.column in truth.slots]
    for column, place in placed:
        first, first_place = placed[0]
        off = (truth.slots[column] - truth.slots[first] - place + first_place) % n_slots
        counts[f"places {'wrong' if off else 'right'}"] += 1
        if off:
            say(f"{number}: {column} at place {place}, {off} off")


def main(count: int = 200, first: int = 0) -> None:
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for number in range(first, first + count):
            truth = draw(Path(folder), number)
            found = tell_leads_apart(open_recording(truth.path), cylinders=truth.cylinders if number % 2 else None)
            truth.path.unlink()
            compare_leads(number, truth, found, counts)
            compare_engine(number, truth, found, counts)
    for outcome, n in sorted(counts.items()):
        say(f"{outcome:24s} {n}")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
