"""What each part of the judge is worth: the list with one part left out, on sets written apart from each other.

Usage: ``python -m tests.performance.bench_ablation [--recordings 6] [--cache FOLDER]``. Events are made once and kept
in the cache; judging is repeated. Writes ``docs/ablation.md``.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from miner.engine.setup import load_setup
from miner.expected import distance, least, noise, place, references, usual
from miner.expected.least import Resolution
from miner.mining.chapters import plan_chapters, tell_chapters
from miner.mining.finish import resolution_of
from miner.mining.section_file import read_levels, write_extraction
from miner.mining.steps import open_source
from miner.rarity import counts, judge, pauses, tails
from miner.signal.extract import iter_extractions
from miner.signal.extraction import join_extractions
from miner.signal.looks.profile import profile_leads
from miner.suspects.ranking import rank_events
from tests.performance.abroad_sets import make_own, make_third, make_trial, trial_folder
from tests.physical.score import score

REPO = Path(__file__).parents[2]
FIRST = 300
"""Number of the first recording: none of those the judge was looked at with."""


HEAD = (
    "| left out | hours | at 0.01 | at 0.1 | at 1 | at 10 | gross, 8 sigma in top K | 4 to 8 sigma in top K | AP |",
    "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
)


def nothing(x: np.ndarray, *_: object) -> tuple[np.ndarray, np.ndarray]:
    return np.zeros(x.size), np.zeros(x.size)


PARTS: dict[str, list[tuple[object, str, object]]] = {
    "nothing": [],
    "trees for tables": [(usual, "_trees_help", lambda *_: False)],
    "tables of the neighbours": [(references, "_lags", nothing)],
    "tables that step elsewhere": [(references, "_stepped_elsewhere", nothing)],
    "on-times told by answers": [(distance, "_with_inferred", lambda events, measure, values: values)],
    "movement of the other cylinders": [(references, "_moved_with_others", nothing)],
    "what all other cylinders show": [(references, "_shown_by_all", nothing)],
    "what a lone cylinder shows often": [(references, "_shown_often", nothing)],
    "rounding to samples": [(least, "ROUNDING", 0.0)],
    "few events on each side": [(references, "_moved_itself", nothing)],
    "doubt about references": [(references, "CHANCE", 0.0)],
    "one-sided places": [(place, "_stepped", lambda d, _: d)],
    "slowing of the crank": [(place, "_of_the_crank", lambda d, _: d)],
    "echo of a displaced event": [(place, "ECHO", 0.0)],
    "95 % point of the noise": [(noise, "MOST_RAISED", 1.0)],
    "noisy stretches": [(distance, "local_noise", lambda z: np.ones(z.size))],
    "least differences": [(judge, "least_share", lambda d: np.sign(np.nan_to_num(d.residual)).astype(np.float32))],
    "samples, steps and ticks": [(least, "SAMPLES", 0.0), (least, "STEPS", 0.0), (least, "EDGE_SAMPLES", 0.0)],
    "what every cylinder shows": [(tails, "SHOWN_BY_EACH", 10**9)],
    "mixtures": [(judge, "MIXED_SHARE", np.inf)],
    "limiters": [(pauses, "REPEATS", 10**9)],
    "gross differences": [(judge, "GROSS_SIGMA", np.inf)],
    "habits of all cylinders": [(counts, "HABIT_SHARE", 2.0), (counts, "LONE_HABIT_SHARE", 2.0)],
}
"""Each part, and what stands in for it."""


@contextmanager
def without(part: str) -> Iterator[None]:
    patches = [mock.patch.object(module, name, stand_in) for module, name, stand_in in PARTS[part]]
    for patch in patches:
        patch.start()
    try:
        yield
    finally:
        for patch in patches:
            patch.stop()


def make_events(make: Callable[[int, Path], Any], number: int, folder: Path) -> None:
    """Leave events, setup, truth and resolution of a recording in a folder."""
    made = make(number, folder)
    source = open_source(made.recording, folder / "setup.toml")
    profiles = profile_leads(source.recording, source.leads)
    sections = []
    for index, extraction in enumerate(iter_extractions(source.recording, source.leads, profiles)):
        sections.append(folder / f"section_{index:03d}")
        write_extraction(sections[-1], extraction)
    gaps = join_extractions([read_levels(section) for section in sections]).gaps
    end_s = source.recording.n_samples / source.recording.rate_hz
    plan = plan_chapters(source.setup, sections)
    rate_hz = source.recording.rate_hz
    parts = list(tell_chapters(source.setup, sections, plan, gaps, end_s, rate_hz=rate_hz))
    resolution = resolution_of(source)
    told = {"sample_us": resolution.sample_us, "step_v": dict(resolution.step_v)}
    (folder / "resolution.json").write_text(json.dumps(told), encoding="utf-8")
    pq.write_table(pa.concat_tables(parts), folder / "events.parquet")
    if made.recording.is_dir():
        shutil.rmtree(made.recording)
    else:
        made.recording.unlink()


def judged(folder: Path) -> dict[str, Any]:
    """Rank the events of a folder and score the list."""
    told = json.loads((folder / "resolution.json").read_text(encoding="utf-8"))
    events = pq.read_table(folder / "events.parquet")
    with tempfile.TemporaryDirectory() as name:
        ranked = rank_events(events, load_setup(folder / "setup.toml"), resolution=Resolution(**told))
        pq.write_table(ranked.suspects, Path(name) / "suspects.parquet")
        pq.write_table(events, Path(name) / "events.parquet")
        return score(folder, Path(name))


def figures(scored: list[dict[str, Any]]) -> list[str]:
    hours = sum(one["hours"] for one in scored)
    counted = np.sum([one["counts"] for one in scored], axis=0)
    planted = [fault for one in scored for fault in one["planted"]]
    shares = []
    for label in ("must_find", "stretch"):
        top = [fault["top"] for fault in planted if fault["label"] == label]
        shares.append(f"{np.mean(top):.3f}" if top else "-")
    precision = [one["average_precision"] for one in scored if one["average_precision"] is not None]
    ap = f"{np.mean(precision):.3f}" if precision else "-"
    return [f"{hours:.1f}", *(str(int(n)) for n in counted), *shares, ap]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--recordings", type=int, default=6)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "bench_ablation")
    asked = parser.parse_args()
    sets = {"own": make_own, "third": make_third} | ({"trial": make_trial} if trial_folder() else {})
    lines = ["# What each part of the judge is worth", "", __doc__.split("Usage")[0].strip(), ""]
    lines.append(
        f"{asked.recordings} recordings of each set, from number {FIRST} on. Made by `python -m "
        "tests.performance.bench_ablation`. False alarms are counted in all of them, faulty ones too."
    )
    for name, make in sets.items():
        folders = []
        for number in range(FIRST, FIRST + asked.recordings):
            folder = asked.cache / name / str(number)
            if not (folder / "events.parquet").exists():
                shutil.rmtree(folder, ignore_errors=True)
                folder.mkdir(parents=True)
                make_events(make, number, folder)
            folders.append(folder)
        lines += ["", f"## {name}", "", *HEAD]
        for part in PARTS:
            with without(part):
                row = figures([judged(folder) for folder in folders])
            lines.append(f"| {part} | " + " | ".join(row) + " |")
            sys.stdout.write(f"{name}: {lines[-1]}\n")
            sys.stdout.flush()
        (REPO / "docs" / "ablation.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
