"""Steps and an executor that are quick and obvious, for tests of plan, journal, crashes and executors.

A fake recording is a JSON list of numbers under a Parquet name, so that a process that works on it starts at once;
a section is 100 of them, and "mining" keeps those over nine tenths of the largest. The findings have the names of the
real ones.
"""

from __future__ import annotations

import json
import os
import random
import signal
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from miner.errors import RecordingError, SignalError
from miner.mining.look import Extent, OnSamples
from miner.recording.folder import part_files
from pipelines.overnight.pool import OnTaskSamples
from pipelines.overnight.tasks import Outcome, Steps, Task, run_task

SECTION = 100


def write_fake(path: Path, seed: int, rows: int = 350) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    draw = random.Random(seed)
    path.write_text(json.dumps([draw.randrange(1000) for _ in range(rows)]))
    return path


def write_fake_tree(folder: Path, n: int = 3) -> Path:
    for seed in range(n):
        write_fake(folder / f"car_{seed}" / f"trip_{'abcdefgh'[seed]}.parquet", seed, rows=150 + 100 * seed)
    (folder / "setup.toml").write_text("[engine]\n")
    return folder


def _values(recording: Path) -> list[int]:
    try:
        return [value for part in part_files(recording) for value in json.loads(part.read_text())]
    except (OSError, ValueError) as error:
        raise RecordingError("is no recording", remedy="record it again", file=recording) from error


@dataclass(frozen=True)
class FakeSteps:
    """``pause_s`` before each step; a recording called ``*kill*`` kills its worker, ``*silent*`` carries nothing."""

    pause_s: float = 0.0
    settings: str = "v1"
    bulk: int = 0
    n_events: int = 0

    def key(self) -> str:
        return self.settings

    def look(self, recording: Path, setup: Path) -> Extent:
        values = _values(recording)
        return Extent(
            identity=json.dumps([values, setup.read_text()]),
            section_samples=tuple(min(SECTION, len(values) - i) for i in range(0, len(values), SECTION)),
            rate_hz=100.0,
            n_leads=1,
        )

    def profile(self, recording: Path, setup: str, out: Path) -> None:
        time.sleep(self.pause_s)
        if "silent" in recording.name:
            raise SignalError("no pulses on a lead", remedy="check the clip", column="lead_1", file=recording)
        out.write_text(json.dumps({"largest": max(_values(recording))}))

    def section(self, recording: Path, setup: str, index: int, profile: Path, out: Path, on_samples: OnSamples) -> None:
        time.sleep(self.pause_s)
        if "kill" in recording.name:
            os.kill(os.getpid(), signal.SIGKILL)
        largest = json.loads(profile.read_text())["largest"]
        values = _values(recording)[index * SECTION : (index + 1) * SECTION]
        on_samples(len(values))
        out.write_text(json.dumps([v for v in values if v > 0.9 * largest]) + " " * self.bulk)

    def count_events(self, setup: str, sections: Sequence[Path]) -> int:
        return self.n_events

    def finish(self, recording: Path, setup: str, sections: Sequence[Path], profile: Path, out: Path) -> None:
        time.sleep(self.pause_s)
        found = [value for part in sections for value in json.loads(part.read_text())]
        (out / "events.parquet").write_text(json.dumps(found))
        (out / "summary.json").write_text(json.dumps({"n": len(found)}) + " " * self.bulk)


class InlineExecutor:
    """Runs every task in this very process, one after the other."""

    def __init__(self, steps: Steps) -> None:
        self._steps = steps
        self._waiting: list[Task] = []

    def has_room(self, task: Task | None = None) -> bool:
        return len(self._waiting) < 2

    def fits(self, task: Task) -> bool:
        return True

    def start(self, task: Task) -> None:
        self._waiting.append(task)

    def wait(self, timeout_s: float, on_samples: OnTaskSamples) -> list[Outcome]:
        task = self._waiting.pop(0)
        return [run_task(task, self._steps, lambda n: on_samples(task, n))]

    def close(self) -> None:
        self._waiting.clear()


class SilentView:
    """Keeps what it is told."""

    def __init__(self) -> None:
        self.samples: dict[str, int] = {}
        self.heard: list[tuple[str, int]] = []
        self.ended: list[str] = []

    def begin(self, samples, done) -> None:
        self.samples = dict(samples)

    def advance(self, name: str, samples_done: int) -> None:
        self.heard.append((name, samples_done))

    def end(self, result) -> None:
        self.ended.append(result.name)


def tables_of(out: Path) -> dict[str, bytes]:
    """Return the bytes of every finished file below an output folder, without journal, lock and half-done parts."""
    return {
        p.relative_to(out).as_posix(): p.read_bytes()
        for p in sorted(out.rglob("*"))
        if p.is_file() and p.name.split(".")[0] != "overnight" and ".work" not in p.parts and p.name != "timing.json"
    }
