"""Does the list hold on engines nobody here made? Recordings of three simulators, mined as a user would, scored.

usage: python -m tests.performance.bench_abroad --hours 10 [--set trial|third|own] [--jobs 2] [--rows FILE]

Each set goes on from number 700 until so many healthy hours are mined; faulty recordings come on the way. One
row a recording is appended to the rows' file, so that a run can be interrupted and continued; rows of another state of
the tool's source are left alone and not counted. Writes docs/benchmarks_abroad.md. The outside set needs
``../shared/trial`` (or the environment variable IGNITION_SHARED, a folder with ``trial``) and is left out where that is
missing.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psutil

from tests.performance.abroad_page import page_text
from tests.performance.abroad_sets import REPO, SETS, trial_folder
from tests.physical.score import columns_of, score

FIRST = 700
"""Number of the first recording: none of those the tool was looked at with."""

LONGEST_S = 3600.0
"""Of mining one recording; then it counts as failed."""
Row = dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class Use:
    """What mining one recording took."""

    seconds: float
    cpu_s: float
    peak_mb: float
    exit_code: int
    words: str


def tool_state() -> str:
    """Return a digest of the tool's source: rows of another state are not comparable."""
    digest = hashlib.sha256()
    for part in ("miner", "pipelines"):
        for path in sorted((REPO / part).rglob("*.py")):
            digest.update(path.relative_to(REPO).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:16]


def mine(recording: Path, setup: Path, out: Path) -> Use:
    """Run the command line as a user would, and watch processor time and memory of it and its children."""
    command = [sys.executable, "-c", "from pipelines.command import main; main()", "mine", str(recording)]
    log, begun, peak, cpu = out.with_name("log"), time.perf_counter(), 0.0, 0.0
    with log.open("wb") as words:
        running = subprocess.Popen(
            [*command, "--setup", str(setup), "--out", str(out)], stdout=words, stderr=words, cwd=REPO
        )
        seen = psutil.Process(running.pid)
        while running.poll() is None:
            try:
                family = [seen, *seen.children(recursive=True)]
                peak = max(peak, sum(p.memory_info().rss for p in family) / 1e6)
                used = seen.cpu_times()
                cpu = used.user + used.system + used.children_user + used.children_system
            except psutil.Error:
                pass
            if time.perf_counter() - begun > LONGEST_S:
                running.kill()
            time.sleep(0.05)
    said = log.read_text(encoding="utf-8", errors="replace").strip()[-300:] if running.returncode else ""
    took = time.perf_counter() - begun
    return Use(seconds=took, cpu_s=cpu, peak_mb=peak, exit_code=int(running.returncode), words=said)


def one_row(which: str, number: int, tool: str, scratch: str) -> Row:
    """Make, mine and score one recording; what goes wrong is part of the row."""
    folder = Path(scratch) / f"{which}_{number}"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    row: Row = {"set": which, "number": number, "tool": tool}
    try:
        made = SETS[which](number, folder)
        row |= {"layout": made.layout, "leads": made.leads}
        use = mine(made.recording, folder / "setup.toml", folder / "findings")
        row |= {"seconds": round(use.seconds, 1), "cpu_s": round(use.cpu_s, 1), "peak_mb": round(use.peak_mb)}
        row |= {"exit": use.exit_code, "words": use.words}
        row |= score(folder, folder / "findings") if use.exit_code == 0 else unmined(folder)
    except Exception as problem:
        row["error"] = f"{type(problem).__name__}: {problem}"[:300]
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return row


def unmined(folder: Path) -> Row:
    """Return what a recording without a list counts as: every planted fault missed."""
    faults = columns_of(folder / "truth.parquet")
    told = json.loads((folder / "scenario.json").read_text(encoding="utf-8"))
    missed = [
        {"kind": str(kind), "label": str(label), "sigma": float(sigma), "top": False, "rate": None, "said": None}
        for kind, label, sigma in zip(faults["kind"], faults["label"], faults["size_sigma"], strict=True)
    ]
    return {"hours": float(told["seconds"]) / 3600.0, "healthy": not missed, "planted": missed}


def read_rows(path: Path) -> list[Row]:
    if not path.exists():
        return []
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]


def healthy_hours(rows: list[Row], which: str) -> float:
    return sum(r["hours"] for r in rows if r["set"] == which and r.get("healthy") and r.get("exit") == 0)


def numbers_to_do(rows: list[Row], which: str) -> Iterator[int]:
    done = {r["number"] for r in rows if r["set"] == which and "error" not in r}
    number = FIRST
    while True:
        if number not in done:
            yield number
        number += 1


def run_set(which: str, hours: float, jobs: int, rows: list[Row], path: Path, tool: str, most: int) -> None:
    """Go on with one set until so many healthy hours are mined; ``rows`` grows and every row is written at once."""
    scratch = tempfile.mkdtemp(prefix="abroad_")
    numbers, waiting, begun = numbers_to_do(rows, which), set[Future[Row]](), 0
    try:
        with ProcessPoolExecutor(jobs, mp_context=multiprocessing.get_context("spawn")) as pool:
            while True:
                while len(waiting) < jobs and healthy_hours(rows, which) < hours and begun < most:
                    waiting.add(pool.submit(one_row, which, next(numbers), tool, scratch))
                    begun += 1
                if not waiting:
                    break
                ready, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for future in ready:
                    row = future.result()
                    rows.append(row)
                    with path.open("a", encoding="utf-8") as out:
                        out.write(json.dumps(row, separators=(",", ":")) + "\n")
                    told = row.get("error") or row.get("words") or row.get("counts")
                    sys.stdout.write(f"{which} {row['number']} {row.get('seconds')} s {row.get('peak_mb')} MB {told}\n")
                    sys.stdout.flush()
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=10.0, help="healthy hours of each set")
    parser.add_argument("--set", choices=tuple(SETS), help="this set only")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--most", type=int, default=10_000, help="recordings of each set in this run, at most")
    parser.add_argument("--rows", type=Path, default=Path(tempfile.gettempdir()) / "bench_abroad.jsonl")
    parser.add_argument("--page", type=Path, default=REPO / "docs" / "benchmarks_abroad.md")
    asked = parser.parse_args()
    tool = tool_state()
    rows = [r for r in read_rows(asked.rows) if r["tool"] == tool]
    for which in [asked.set] if asked.set else SETS:
        if which == "trial" and trial_folder() is None:
            sys.stdout.write("trial: the outside simulator is not there, left out\n")
            continue
        run_set(which, asked.hours, asked.jobs, rows, asked.rows, tool, asked.most)
    asked.page.write_text(page_text(rows), encoding="utf-8")
    sys.stdout.write(f"{asked.page}\n")


if __name__ == "__main__":
    main()
