"""What the judge costs: fitting, scoring, what would have been found, and the waveform's proof of it.

``python -m tests.performance.bench_judge`` makes the demo's drive at ten minutes and at an hour, mines its events, and
prints and writes ``docs/benchmarks_judge.md``: core-seconds, seconds and peak memory of a process of its own that does
nothing else, and core-seconds beside the bare decoding of the same recording in the same process.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import pyarrow.parquet as pq

T = TypeVar("T")
LENGTHS_S = {"ten minutes": 600.0, "an hour": 3600.0}
APART = "scoring alone"
"""Of another recording by the same judge: fitting has scored its own, so that no run pays for it again."""

GOALS = "Goals: at most 10 core-seconds for a recorded hour, 3 seconds for ten minutes, under 600 MB."
DOCS = Path(__file__).parents[2] / "docs" / "benchmarks_judge.md"


def make(folder: Path, duration_s: float) -> None:
    """Write recording, setup and event table."""
    from miner.mining.steps import open_source
    from miner.signal.extract import extract_pulses
    from miner.signal.looks.profile import profile_leads
    from miner.synthetic.presets import demo_hour
    from miner.synthetic.writer import write_recording
    from tests.mined import find_events

    written = write_recording(demo_hour(duration_s=duration_s), folder)
    source = open_source(written.recording, written.setup)
    rate_hz = source.recording.rate_hz
    extraction = extract_pulses(source.recording, source.leads, profile_leads(source.recording, source.leads))
    events = find_events(source.setup, extraction, end_s=duration_s, rate_hz=rate_hz)
    pq.write_table(events, folder / "events.parquet", write_page_checksum=True)


class Clock:
    """Seconds and core-seconds of each part."""

    def __init__(self) -> None:
        self.parts: dict[str, tuple[float, float]] = {}

    def time(self, name: str, work: Callable[[], T]) -> T:
        wall, cpu = time.perf_counter(), time.process_time()
        out = work()
        self.parts[name] = (time.perf_counter() - wall, time.process_time() - cpu)
        return out


def measure(folder: Path) -> dict[str, Any]:
    """Return the figures of one recording."""
    from miner.mining.finish import resolution_of
    from miner.mining.steps import open_source
    from miner.questions.sensitivity import measure_sensitivity
    from miner.questions.waveform_sample import sample_waveform
    from miner.rarity.judge import fit_judge
    from miner.signal.looks.profile import profile_leads

    recording = folder / "recording.parquet"
    source = open_source(recording, folder / "setup.toml")
    profiles = profile_leads(source.recording, source.leads)
    events = pq.read_table(folder / "events.parquet", page_checksum_verification=True)
    clock = Clock()
    judge, _ = clock.time("fitting", lambda: fit_judge(events, source.setup, resolution_of(source)))
    found = clock.time("sensitivity", lambda: measure_sensitivity(events, source.setup, judge=judge))
    clock.time(
        "waveform",
        lambda: sample_waveform(source.recording, source.setup, source.leads, profiles, events, found.table),
    )
    peak = peak_mb()
    clock.time(APART, lambda: judge.score(events))
    file = pq.ParquetFile(recording, pre_buffer=False)
    clock.time("decoding", lambda: [len(batch) for batch in file.iter_batches(1 << 19)])
    return {"parts": clock.parts, "n_events": events.num_rows, "peak_mb": peak}


def peak_mb() -> float:
    """Return the most memory this process ever held."""
    import psutil

    memory = psutil.Process().memory_info()
    windows = getattr(memory, "peak_wset", None)
    if windows:
        return float(windows) / 1e6
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6


def run(folder: Path) -> dict[str, Any]:
    """Measure in a process of its own."""
    command = [sys.executable, "-m", "tests.performance.bench_judge", str(folder)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return dict(json.loads(done.stdout.splitlines()[-1]))


def table_of(figures: dict[str, dict[str, Any]]) -> str:
    """Return the figures as a table in Markdown."""
    lines = ["| part | " + " | ".join(f"{name}: s | core-s | of decoding" for name in figures) + " |"]
    lines.append("| --- |" + " --- | --- | --- |" * len(figures))
    names = [name for name in next(iter(figures.values()))["parts"] if name != "decoding"]
    for part in [*names, "all of it"]:
        cells = []
        for one in figures.values():
            parts = one["parts"]
            added = [name for name in names if name != APART] if part == "all of it" else [part]
            wall, cpu = (sum(parts[name][k] for name in added) for k in (0, 1))
            cells += [f"{wall:.1f}", f"{cpu:.1f}", f"{cpu / parts['decoding'][1]:.2f}"]
        lines.append(f"| {part} | " + " | ".join(cells) + " |")
    told = [f"{name}: {one['n_events']:,} events, peak {one['peak_mb']:.0f} MB" for name, one in figures.items()]
    return "\n".join([*lines, "", "; ".join(told) + "."])


def main() -> None:
    """Measure both lengths and write the page, or measure one folder."""
    if len(sys.argv) > 1:
        print(json.dumps(measure(Path(sys.argv[1]))))  # noqa: T201
        return
    figures = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, duration_s in LENGTHS_S.items():
            place = Path(folder) / name.replace(" ", "_")
            make(place, duration_s)
            if not figures:
                run(place)  # compiles what is compiled
            figures[name] = run(place)
    load = f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    about = (__doc__ or "").split("\n\n", 1)[0]
    page = f"# {about}\n\n`python -m tests.performance.bench_judge`, on {load}.\n\n{table_of(figures)}\n\n{GOALS}\n"
    DOCS.write_text(page, encoding="utf-8", newline="\n")
    print(page)  # noqa: T201


if __name__ == "__main__":
    main()
