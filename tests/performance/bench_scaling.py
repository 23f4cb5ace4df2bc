"""Measure what a recorded hour costs: processor time, bytes read and peak memory against length and workers.

usage: python -m tests.performance.bench_scaling [--minutes 1,5,30,120,480] [--workers 1,2] [--recordings 1] [--steps]
    [--folder F] [--drawn D]

One demo drive as long as the longest is drawn first, in parts of five minutes, about a minute of work and 1.2 GB an
hour; every shorter recording is its first parts, so all are continuous and none repeats itself. With more than one of
``--recordings`` so many successive pieces of the drive lie in the folder that is mined. ``--drawn`` names a drive that
was kept from before. Prints a Markdown table; elapsed times mean something only when the machine has nothing else to
do, memory and core-seconds always. ``--steps`` runs the steps of each recording once more, the reading and the finish
each in a process of its own, and fits what `pipelines.overnight.budget` asks: base, and bytes an event of the finish.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple, Self

import numpy as np
import psutil
from rich.console import Console

PART_MINUTES = 5.0
BYTES_PER_MINUTE = 25e6
"""Of the demo drive on disk, findings and half-done parts included; for the check that the disk has room."""


@dataclass
class TreeWatch:
    """Samples memory, processor time and bytes read of this process's children while the block runs.

    Attributes
    ----------
    peak_bytes : int
        Largest sum over this process and its children.
    peak_child_bytes : int
        Largest single child.
    """

    peak_bytes: int = 0
    peak_child_bytes: int = 0
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
        while not self._stop.wait(0.05):
            children = [self._see(process) for process in own.children()]
            self.peak_bytes = max(self.peak_bytes, own.memory_info().rss + sum(children))
            self.peak_child_bytes = max(self.peak_child_bytes, *children, 0)

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


class StepCost(NamedTuple):
    """Core-seconds of a kind of step, peak of the process that ran it, and events of the recording."""

    cpu_s: float
    peak_bytes: int
    n_events: int


def draw_drive(base: Path, minutes: Sequence[float]) -> None:
    """Draw the longest recording in parts, and what is shorter than a part by itself."""
    whole = [m for m in minutes if m >= PART_MINUTES]
    odd = [m for m in whole if m % PART_MINUTES]
    if odd:
        raise SystemExit(f"{odd[0]:g} minutes are no whole number of parts of {PART_MINUTES:g} minutes")
    lengths = {m for m in minutes if m < PART_MINUTES} | ({max(whole)} if whole else set())
    needed, free = sum(lengths) * BYTES_PER_MINUTE, shutil.disk_usage(base).free
    if needed > free:
        raise SystemExit(
            f"{base} has {free / 1e9:.1f} GB free, {needed / 1e9:.1f} GB are needed; name another --folder"
        )
    for length in sorted(lengths):
        _apart(_draw, base / f"drawn_{length:g}", length)


def _apart(run, *arguments: object) -> None:
    """Run in a process of its own, so that its memory is its own."""
    process = get_context("spawn").Process(target=run, args=arguments)
    process.start()
    process.join()
    if process.exitcode:
        raise SystemExit(f"{run.__name__} ended with {process.exitcode}")


def _draw(folder: Path, minutes: float) -> None:
    from miner.synthetic.presets import demo_hour
    from miner.synthetic.writer import write_recording

    scenario = demo_hour(duration_s=60.0 * minutes)
    storage = scenario.storage.model_copy(update={"n_parts": max(1, round(minutes / PART_MINUTES))})
    write_recording(scenario.model_copy(update={"storage": storage}), folder)


def make_recordings(base: Path, minutes: float, n_recordings: int = 1) -> Path:
    """Put the first parts of the drive into folders of their own, as links; return the folder to mine."""
    long_enough = (p for p in base.glob("drawn_*") if _minutes(p) >= minutes * n_recordings)
    drawn = max(long_enough, key=lambda p: (_minutes(p) == minutes, p))
    folder = base / f"in_{minutes:g}"
    parts = sorted(drawn.glob("recording/*.parquet")) or [drawn / "recording.parquet"]
    n_parts = max(1, round(minutes / PART_MINUTES))
    for number in range(n_recordings):
        recording = folder / f"drive_{number + 1}.parts"
        recording.mkdir(parents=True)
        for part in parts[number * n_parts : (number + 1) * n_parts]:
            os.link(part, recording / part.name)
    shutil.copy(drawn / "setup.toml", folder)
    return folder


def _minutes(drawn: Path) -> float:
    return float(drawn.name.removeprefix("drawn_"))


def step_costs(folder: Path, out: Path) -> dict[str, StepCost]:
    """Run the steps of one recording, the reading and the finish each in a process of its own."""
    costs: dict[str, StepCost] = {}
    for kinds in (("profile", "section"), ("finish",)):
        note = out.with_suffix(f".{kinds[-1]}")
        with TreeWatch() as seen:
            _apart(_run_steps, folder, out, kinds, note)
        cpu_s = json.loads(note.read_text())
        costs |= {kind: StepCost(cpu_s[kind], seen.peak_child_bytes, _n_events(out)) for kind in kinds}
    return costs


def _n_events(out: Path) -> int:
    found = [json.loads(p.read_text())["counts"]["events"]["events"] for p in out.glob("*/summary.json")]
    return int(found[0]) if found else 0


def _run_steps(folder: Path, out: Path, kinds: tuple[str, ...], note: Path) -> None:
    from miner.mining.steps import MineSteps
    from pipelines.overnight.plan import make_plan
    from pipelines.overnight.tasks import run_task

    job = make_plan(folder, out, MineSteps()).jobs[0]
    tasks = [job.task("profile"), *(job.task("section", i) for i in range(job.look.n_sections)), job.task("finish")]
    costs = dict.fromkeys(kinds, 0.0)
    for task in (task for task in tasks if task.kind in kinds):
        outcome = run_task(task, MineSteps())
        if outcome.failure:
            raise RuntimeError(outcome.failure.problem)
        costs[task.kind] += outcome.cpu_s
    note.write_text(json.dumps(costs))


def measure(folder: Path, out: Path, n_workers: int) -> tuple[float, TreeWatch]:
    """Mine a folder and return the time it took and what was seen of the workers."""
    from miner.mining.steps import MineSteps
    from pipelines.overnight_command import run_overnight

    text = io.StringIO()
    began = time.perf_counter()
    with TreeWatch() as seen:
        if run_overnight(Console(file=text), folder, out, MineSteps(), workers=n_workers):
            raise SystemExit(text.getvalue())
    return time.perf_counter() - began, seen


def fit_finish(costs: Sequence[StepCost]) -> tuple[float, float]:
    """Return (base in bytes, bytes an event) of the finish: the least line that lies above all that was measured.

    The slope is that of the least squares line; the base is raised until no measured peak lies above.
    """
    events = np.array([cost.n_events for cost in costs], dtype=np.float64)
    peaks = np.array([cost.peak_bytes for cost in costs], dtype=np.float64)
    slope = max(float(np.polyfit(events, peaks, 1)[0]), 0.0) if len(costs) > 1 else 0.0
    return float(np.max(peaks - slope * events)), slope


def main() -> None:
    """Measure every asked combination and print one row each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", default="1,5,30,120,480")
    parser.add_argument("--workers", default="1,2", help="numbers, or nothing to measure the steps alone")
    parser.add_argument("--recordings", type=int, default=1, help="of each length at once, pieces of one drive")
    parser.add_argument("--drawn", type=Path, default=None, help="folder drawn_MINUTES kept from before")
    parser.add_argument("--folder", type=Path, default=None, help="where there is room for the recordings")
    parser.add_argument("--steps", action="store_true", help="also cost and memory of each kind of step")
    asked = parser.parse_args()
    minutes = sorted(map(float, asked.minutes.split(",")))
    workers = [int(n) for n in asked.workers.split(",") if n]
    base = Path(tempfile.mkdtemp(prefix="scaling-", dir=asked.folder))
    try:
        if asked.drawn is None:
            draw_drive(base, [m * asked.recordings for m in minutes])
        else:
            (base / asked.drawn.name).symlink_to(asked.drawn.resolve())
        if workers:
            print_runs(base, minutes, workers, asked.recordings)
        if asked.steps:
            print_steps(base, minutes)
    finally:
        shutil.rmtree(base)


def print_runs(base: Path, minutes: Sequence[float], workers: Sequence[int], n_recordings: int) -> None:
    """Print what whole runs took, by length and number of workers."""
    _say(
        "| recordings | min each | workers | elapsed s | core-s | core-s per h | x real time | read MB/min | peak MB |"
    )
    _say("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for length in minutes:
        folder = make_recordings(base, length, n_recordings)
        for n_workers in workers:
            out = base / f"out_{length:g}_{n_workers}"
            elapsed_s, seen = measure(folder, out, n_workers)
            hours = n_recordings * length / 60
            _say(
                f"| {n_recordings} | {length:g} | {n_workers} | {elapsed_s:.1f} | {seen.cpu_s:.1f} | "
                f"{seen.cpu_s / hours:.0f} | {hours * 3600 / elapsed_s:.0f} | "
                f"{seen.read_bytes / 1e6 / (60 * hours):.1f} | {seen.peak_bytes / 1e6:.0f} |"
            )
            shutil.rmtree(out)
        shutil.rmtree(folder)


def print_steps(base: Path, minutes: Sequence[float]) -> None:
    """Print cost and memory of each kind of step, by length, and what the budget should ask for."""
    _say("| recorded min | events | look core-s | sections core-s | finish core-s | reading MB | finish MB |")
    _say("| --- | --- | --- | --- | --- | --- | --- |")
    finishes, reading = [], 0
    for length in minutes:
        folder, out = make_recordings(base, length), base / "by_step"
        costs = step_costs(folder, out)
        look, section, finish = (costs[kind] for kind in ("profile", "section", "finish"))
        _say(
            f"| {length:g} | {finish.n_events} | {look.cpu_s:.1f} | {section.cpu_s:.1f} | {finish.cpu_s:.1f} | "
            f"{section.peak_bytes / 1e6:.0f} | {finish.peak_bytes / 1e6:.0f} |"
        )
        finishes.append(finish)
        reading = max(reading, section.peak_bytes)
        shutil.rmtree(out)
        shutil.rmtree(folder)
    base_bytes, event_bytes = fit_finish(finishes)
    _say(
        f"for pipelines/overnight/budget.py: reading at most {reading / 1e6:.0f} MB in all; finish at most "
        f"{base_bytes / 1e6:.0f} MB and {event_bytes:.0f} bytes an event"
    )


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
