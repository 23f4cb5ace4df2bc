"""Memory: sizes, workers that fit, tasks that wait, and the whole process tree measured under its budget."""

from __future__ import annotations

import io
import re
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Self

import numpy as np
import psutil
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from rich.console import Console

from miner.errors import RunError
from miner.mining.look import Extent
from miner.mining.section_file import read_extraction
from miner.mining.steps import MineSteps, open_source
from pipelines.overnight import budget
from pipelines.overnight.budget import (
    BASE_BYTES,
    GIB,
    MIB,
    STARTER_BYTES,
    count_workers,
    machine_bytes,
    need_bytes,
    parse_size,
)
from pipelines.overnight.journal import Journal
from pipelines.overnight.plan import make_plan
from pipelines.overnight.pool import LocalPool
from pipelines.overnight.run import run_plan
from pipelines.overnight_command import run_overnight
from tests.mined import find_events
from tests.pipelines import small
from tests.pipelines.fakes import FakeSteps, SilentView, write_fake_tree

LOOK = Extent(identity="x", section_samples=(1000,), rate_hz=100.0, n_leads=4)


@pytest.mark.parametrize(
    ("text", "size"),
    [("4GB", 4 << 30), ("4 gib", 4 << 30), ("800m", 800 << 20), ("1.5G", 3 << 29), ("1024", 1024), ("2 TB", 2 << 40)],
)
def test_sizes(text, size):
    assert parse_size(text) == size


@pytest.mark.parametrize("text", ["", "much", "-1GB", "4 apples", "GB"])
def test_no_sizes(text):
    with pytest.raises(RunError, match=r"--memory-budget.*is no size; write it like '4GB'"):
        parse_size(text)


def test_the_machine_or_its_container(tmp_path, monkeypatch):
    limit = tmp_path / "memory.max"
    monkeypatch.setattr(budget, "_CGROUP", limit)
    whole = machine_bytes()
    assert whole == psutil.virtual_memory().total
    limit.write_text("max\n")
    assert machine_bytes() == whole
    limit.write_text("1000000\n")
    assert machine_bytes() == 1_000_000
    assert budget.default_budget() == 500_000


def test_workers_follow_the_budget():
    need = need_bytes("section", LOOK)
    one = STARTER_BYTES + BASE_BYTES + need
    assert count_workers(one, need, 8) == 1
    assert count_workers(one + BASE_BYTES + need - 1, need, 8) == 1
    assert count_workers(one + BASE_BYTES + need, need, 8) == 2
    assert count_workers(100 * one, need, 8) == 8
    with pytest.raises(RunError, match=f"give at least {-(-one // MIB)} MB"):
        count_workers(one - 1, need, 8)


def test_need_grows_with_leads_and_finish_with_length():
    long = Extent(identity="x", section_samples=(10**9,), rate_hz=100.0, n_leads=4)
    more = Extent(identity="x", section_samples=(1000,), rate_hz=100.0, n_leads=8)
    assert need_bytes("section", long) == need_bytes("section", LOOK) < need_bytes("section", more)
    assert need_bytes("finish", long) > need_bytes("finish", LOOK)


def test_a_task_that_does_not_fit_waits_and_is_started_alone(tmp_path):
    steps = FakeSteps(pause_s=0.2)
    plan = make_plan(write_fake_tree(tmp_path / "in", 2), tmp_path / "out", steps)
    first, second = (job.task("profile") for job in plan.jobs)
    pool = LocalPool(2, steps, budget_bytes=2 * BASE_BYTES + first.need_bytes + second.need_bytes - 1)
    try:
        assert pool.has_room(first)
        pool.start(first)
        assert pool.has_room()
        assert not pool.has_room(second)
        while not pool.wait(10.0, lambda *_: None):
            pass
        assert pool.has_room(second)
    finally:
        pool.close()


class Tree:
    """Samples the memory of this process's children, and of itself above what it held before."""

    def __enter__(self) -> Self:
        others = psutil.Process().children(recursive=True)  # a browser of the tests before, say
        self._others = {child.pid for child in others}
        self.peak, self._stop = 0, threading.Event()
        self._before = psutil.Process().memory_info().rss
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        own = psutil.Process()
        while not self._stop.is_set():
            total = max(0, own.memory_info().rss - self._before)
            for child in own.children(recursive=True):
                if child.pid in self._others:
                    continue
                with suppress(psutil.Error):
                    total += child.memory_info().rss
            self.peak = max(self.peak, total)
            time.sleep(0.02)


def write_single_group(path: Path, minutes: float) -> None:
    """Write a recording as one row group, larger in memory than a worker may hold; the small drive again and again."""
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = {name: np.round(values * 1000).astype(np.int16) for name, values in small.leads(60.0).items()}
    fields = [pa.field(name, pa.int16(), metadata={"scale": "0.001"}) for name in columns]
    schema = pa.schema(fields, metadata={"sample_rate_hz": str(small.RATE_HZ)})
    table = pa.table({n: np.tile(v, int(minutes)) for n, v in columns.items()}, schema=schema)
    pq.write_table(table, path, row_group_size=len(table), compression="zstd")


def compile_first(folder: Path, console: Console) -> None:
    """Mine one recording of each type of samples: a compiler takes memory that no budget is about, once."""
    write_single_group(folder / "in" / "counts.parquet", 1)
    small.write(folder / "in" / "floats", small.leads(15.0, seed=3))
    (folder / "in" / "setup.toml").write_text(small.SETUP)
    run_overnight(console, folder / "in", folder / "out", MineSteps(), workers=1)


@pytest.mark.slow
def test_the_whole_process_tree_stays_in_its_budget(tmp_path):
    folder = tmp_path / "in"
    write_single_group(folder / "long.parquet", 11)  # 66 million samples of 2 leads: 264 MB in one row group
    assert pq.ParquetFile(folder / "long.parquet").num_row_groups == 1, "pyarrow writes 64 Mi rows at most into one"
    for name in "ab":
        small.write(folder / name, small.leads(15.0, absent=(100,), seed=ord(name)))
        (folder / name / "car.toml").unlink()
    (folder / "setup.toml").write_text(small.SETUP)
    asked = STARTER_BYTES + 2 * (BASE_BYTES + need_bytes("section", LOOK))
    console = Console(file=io.StringIO(), width=200)
    compile_first(tmp_path / "first", console)
    with Tree() as tree:
        run_overnight(console, folder, tmp_path / "out", MineSteps(), memory_budget=str(asked), workers=2)
    text = console.file.getvalue()
    assert "3 recordings mined" in text, text
    assert 2 * 100 * MIB < tree.peak < asked, f"{tree.peak / MIB:.0f} of {asked / MIB:.0f} MB"


def overnight(folder, out, steps, budget):
    out.mkdir(exist_ok=True)
    with Journal(out / "overnight.sqlite") as journal:
        pool = LocalPool(2, steps, budget_bytes=budget - STARTER_BYTES)
        return run_plan(make_plan(folder, out, steps), journal, pool, SilentView())


def test_a_finish_beyond_the_budget_is_refused_and_goes_on_with_a_larger_one(tmp_path):
    """A day of events, say: the sections are mined, the finish alone would not keep the budget."""
    folder, out = write_fake_tree(tmp_path / "in", 2), tmp_path / "out"
    steps = FakeSteps(n_events=2_000_000)
    need = STARTER_BYTES + BASE_BYTES + need_bytes("finish", LOOK, n_events=2_000_000)
    results = overnight(folder, out, steps, need - 1)
    assert [r.failure.kind for r in results] == ["memory", "memory"]
    named = float(re.search(r"--memory-budget ([\d.]+)GB; it goes on where it stopped", results[0].failure.remedy)[1])
    assert need <= named * GIB < need + 0.1 * GIB
    sections = {p: p.stat().st_mtime_ns for p in (out / ".work").rglob("section-*")}
    assert len(sections) == 2 + 3
    results = overnight(folder, out, Untouched(n_events=2_000_000), parse_size(f"{named}GB"))
    assert [r.failure for r in results] == [None, None]
    assert len(list(out.glob("*/summary.json"))) == 2


class Untouched(FakeSteps):
    """Refuses to mine a section again."""

    def section(self, *arguments, **options) -> None:
        raise AssertionError("was done already")


def test_finishes_that_do_not_fit_together_run_one_after_the_other(tmp_path):
    """Each alone keeps the budget, both together would not: never two at once."""
    folder, out = write_fake_tree(tmp_path / "in", 3), tmp_path / "out"
    steps = Diary(n_events=2_000_000, place=str(tmp_path))
    need = STARTER_BYTES + BASE_BYTES + need_bytes("finish", LOOK, n_events=2_000_000)
    results = overnight(folder, out, steps, int(1.5 * need))
    assert [r.failure for r in results] == [None] * 3
    spans = sorted(tuple(map(float, p.read_text().split())) for p in tmp_path.glob("*.span"))
    assert len(spans) == 3
    assert all(end <= begin for (_, end), (begin, _) in pairwise(spans))


@dataclass(frozen=True)
class Diary(FakeSteps):
    """Notes when each finish began and ended."""

    place: str = ""

    def finish(self, recording: Path, setup: Path, sections, profile: Path, out: Path) -> None:
        began = time.time()
        time.sleep(0.3)
        super().finish(recording, setup, sections, profile, out)
        (Path(self.place) / f"{recording.stem}.span").write_text(f"{began} {time.time()}")


def test_events_are_counted_from_the_sections_without_reading_them(tmp_path):
    """One command lead and the shared feedback: every event has its feedback pulse."""
    recording, setup = small.write(tmp_path, small.leads(12.0, absent=(100,)))
    steps, profile, section = MineSteps(), tmp_path / "profile", tmp_path / "section-000000"
    described = steps.look(recording, setup).setup
    steps.profile(recording, described, profile)
    steps.section(recording, described, 0, profile, section, lambda _: None)
    n_events = steps.count_events(described, [section])
    source = open_source(recording, setup)
    events = find_events(source.setup, read_extraction(section), end_s=12.0, rate_hz=source.recording.rate_hz)
    assert n_events == events.num_rows - 1  # the absent one has no pulse
    assert steps.count_events(described, [section, section]) == 2 * n_events
