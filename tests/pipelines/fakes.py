"""Steps and an executor that are quick and obvious, for tests of plan, journal, crashes and executors.

A fake recording is a Parquet file with integer columns; a section is 100 rows; "mining" sums them and keeps the
rows over 900. The findings have the files of the real ones.
"""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from miner.errors import RecordingError, SignalError
from pipelines.pool import OnTaskSamples
from pipelines.tasks import Look, OnSamples, Outcome, Steps, Task, part_files, run_task

SECTION = 100


def write_fake(path: Path, seed: int, rows: int = 350) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    values = np.random.default_rng(seed).integers(0, 1000, rows)
    pq.write_table(pa.table({"lead_1": values}), path)
    return path


def write_fake_tree(folder: Path, n: int = 3) -> Path:
    for seed in range(n):
        write_fake(folder / f"car_{seed}" / f"trip_{'abcdefgh'[seed]}.parquet", seed, rows=150 + 100 * seed)
    (folder / "setup.toml").write_text("[engine]\n")
    return folder


def _values(recording: Path) -> np.ndarray:
    try:
        tables = [pq.read_table(p) for p in part_files(recording)]
    except (OSError, ValueError) as error:
        raise RecordingError("is no recording", remedy="record it again", file=recording) from error
    return pa.concat_tables(tables)["lead_1"].to_numpy()


@dataclass(frozen=True)
class FakeSteps:
    """``pause_s`` before each step; a recording called ``*kill*`` kills its worker, ``*silent*`` carries nothing."""

    pause_s: float = 0.0
    settings: str = "v1"
    bulk: int = 0

    def key(self) -> str:
        return self.settings

    def look(self, recording: Path, setup: Path) -> Look:
        values = _values(recording)
        return Look(
            identity=str((values.tobytes().hex(), setup.read_text())),
            section_samples=tuple(min(SECTION, len(values) - i) for i in range(0, len(values), SECTION)),
            rate_hz=100.0,
            n_leads=1,
        )

    def profile(self, recording: Path, setup: Path, out: Path) -> None:
        time.sleep(self.pause_s)
        if "silent" in recording.name:
            raise SignalError("no pulses on a lead", remedy="check the clip", column="lead_1", file=recording)
        out.write_text(json.dumps({"largest": int(_values(recording).max())}))

    def section(
        self, recording: Path, setup: Path, index: int, profile: Path, out: Path, on_samples: OnSamples
    ) -> None:
        time.sleep(self.pause_s)
        if "kill" in recording.name:
            os.kill(os.getpid(), signal.SIGKILL)
        largest = json.loads(profile.read_text())["largest"]
        values = _values(recording)[index * SECTION : (index + 1) * SECTION]
        on_samples(len(values))
        out.write_text(json.dumps([int(v) for v in values if v > 0.9 * largest]) + " " * self.bulk)

    def finish(self, recording: Path, setup: Path, sections: Sequence[Path], profile: Path, out: Path) -> None:
        time.sleep(self.pause_s)
        found = [value for part in sections for value in json.loads(part.read_text())]
        pq.write_table(pa.table({"value": found}), out / "events.parquet")
        (out / "summary.json").write_text(json.dumps({"n": len(found)}) + " " * self.bulk)


class InlineExecutor:
    """Runs every task in this very process, one after the other."""

    def __init__(self, steps: Steps) -> None:
        self._steps = steps
        self._waiting: list[Task] = []

    def free(self) -> int:
        return 2 - len(self._waiting)

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

    def begin(self, samples) -> None:
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
