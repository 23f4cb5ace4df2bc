"""Measure what a recorded hour costs: processor time, bytes read and peak memory against length and workers.

usage: python -m tests.performance.bench_scaling [--minutes 1,5,30,120,480] [--workers 1,2] [--folder F]

Recordings are made on the fly: five minutes are drawn by `miner.synthetic` and follow each other as parts of one
recording, as often as the length asks for. Prints a Markdown table; run it when the machine has nothing else to do.
"""

from __future__ import annotations

import argparse
import io
import os
import shutil
import sys
import tempfile
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Self

import psutil
from rich.console import Console

PART_MINUTES = 5.0


@dataclass
class TreeWatch:
    """Samples memory, processor time and bytes read of this process's children while the block runs."""

    peak_bytes: int = 0
    _cpu: dict[int, float] = field(default_factory=dict)
    _read: dict[int, int] = field(default_factory=dict)
    _stop: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> Self:
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        own = psutil.Process()
        while not self._stop.wait(0.1):
            self.peak_bytes = max(self.peak_bytes, own.memory_info().rss + sum(self._see(p) for p in own.children()))

    def _see(self, process: psutil.Process) -> int:
        with suppress(psutil.Error):
            times = process.cpu_times()
            self._cpu[process.pid] = times.user + times.system
            if hasattr(process, "io_counters"):
                self._read[process.pid] = process.io_counters().read_chars
            return int(process.memory_info().rss)
        return 0

    @property
    def cpu_s(self) -> float:
        """Processor seconds of all workers."""
        return sum(self._cpu.values())

    @property
    def read_bytes(self) -> int:
        """Bytes that all workers asked the system for."""
        return sum(self._read.values())


def make_recording(base: Path, minutes: float) -> Path:
    """Draw a stretch of the demo drive and put it in a row as often as needed; return the folder to mine.

    The parts are one file under many names, so that a day takes no more disk than five minutes.
    """
    drawn_minutes = min(PART_MINUTES, minutes)
    drawn = base / f"drawn_{drawn_minutes:g}"
    if not drawn.is_dir():
        drawing = get_context("spawn").Process(target=_draw, args=(drawn, drawn_minutes))
        drawing.start()  # in a process of its own: what it needed must not count as ours
        drawing.join()
    folder = base / f"in_{minutes:g}"
    recording = folder / "drive.parts"
    recording.mkdir(parents=True)
    shutil.copy(drawn / "setup.toml", folder)
    for number in range(round(minutes / drawn_minutes)):
        os.link(drawn / "recording.parquet", recording / f"part_{number:04d}.parquet")
    return folder


def _draw(folder: Path, minutes: float) -> None:
    from miner.synthetic.presets import demo_hour
    from miner.synthetic.writer import write_recording

    write_recording(demo_hour(duration_s=60.0 * minutes), folder)


def step_costs(folder: Path, out: Path) -> dict[str, float]:
    """Run the steps of one recording in this process and return the core-seconds of each kind."""
    from pipelines.plan import make_plan
    from pipelines.steps import MineSteps
    from pipelines.tasks import run_task

    job = make_plan(folder, out, MineSteps()).jobs[0]
    sections = [job.task("section", i) for i in range(job.look.n_sections)]
    costs = {"profile": 0.0, "section": 0.0, "finish": 0.0}
    for task in (job.task("profile"), *sections, job.task("finish")):
        outcome = run_task(task, MineSteps())
        if outcome.failure:
            raise RuntimeError(outcome.failure.problem)
        costs[task.kind] += outcome.cpu_s
    return costs


def measure(folder: Path, out: Path, n_workers: int) -> tuple[float, TreeWatch]:
    """Mine a folder and return the time it took and what was seen of the workers."""
    from pipelines.overnight_command import run_overnight
    from pipelines.steps import MineSteps

    began = time.perf_counter()
    with TreeWatch() as seen:
        run_overnight(Console(file=io.StringIO()), folder, out, MineSteps(), workers=n_workers)
    return time.perf_counter() - began, seen


def main() -> None:
    """Measure every asked combination and print one row each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", default="1,5,30,120,480")
    parser.add_argument("--workers", default="1,2")
    parser.add_argument("--folder", type=Path, default=None)
    parser.add_argument("--steps", action="store_true", help="also the cost of each kind of step")
    asked = parser.parse_args()
    base = Path(tempfile.mkdtemp(prefix="scaling-", dir=asked.folder))
    say = sys.stdout.write
    say("| recorded min | workers | elapsed s | core-s | core-s per h | x real time | read MB/min | peak MB |\n")
    say("| --- | --- | --- | --- | --- | --- | --- | --- |\n")
    try:
        for minutes in map(float, asked.minutes.split(",")):
            folder = make_recording(base, minutes)
            for n_workers in map(int, asked.workers.split(",")):
                out = base / f"out_{minutes:g}_{n_workers}"
                elapsed_s, seen = measure(folder, out, n_workers)
                hours = minutes / 60
                say(
                    f"| {minutes:g} | {n_workers} | {elapsed_s:.1f} | {seen.cpu_s:.1f} | {seen.cpu_s / hours:.0f} | "
                    f"{hours * 3600 / elapsed_s:.0f} | {seen.read_bytes / 1e6 / minutes:.1f} | "
                    f"{seen.peak_bytes / 1e6:.0f} |\n"
                )
                sys.stdout.flush()
                shutil.rmtree(out)
            costs = step_costs(folder, base / "by_step") if asked.steps else {}
            if costs:
                say(f"by step, core-s: {', '.join(f'{kind} {cost:.1f}' for kind, cost in costs.items())}\n")
            shutil.rmtree(folder)
    finally:
        shutil.rmtree(base)


if __name__ == "__main__":
    main()
