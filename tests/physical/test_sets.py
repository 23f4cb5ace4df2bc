"""The sets of the benchmark abroad: truth of the project's own, and this scorer beside the outside one."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from miner.synthetic.plan import plan_drive
from miner.synthetic.presets import varied
from tests.performance.abroad_sets import own_scenario, own_truth, trial_folder
from tests.performance.bench_abroad import FIRST, healthy_hours, mine, numbers_to_do, tool_state
from tests.physical.faults import draw_faults
from tests.physical.fleet import make
from tests.physical.machine import KINDS
from tests.physical.score import columns_of, score
from tests.physical.small import PLAIN


def test_own_truth_has_what_scoring_reads() -> None:
    plan = plan_drive(varied(7003, duration_s=120.0, rate_hz=1e5))
    events, faults = own_truth(plan)
    assert events.num_rows == plan.events.num_rows
    assert faults.num_rows == sum(row["shows_as"] is not None for row in plan.faults.to_pylist())
    assert faults.num_rows > 0
    assert set(faults["kind"].to_pylist()) <= set(KINDS)
    sigma = faults["size_sigma"].to_numpy()
    assert (np.isin(faults["label"].to_pylist(), ["must_find"]) == (sigma >= 8.0)).all()
    at = np.searchsorted(events["time_s"].to_numpy(), faults["time_s"].to_numpy() - 1e-9)
    assert events["planted"].to_numpy(zero_copy_only=False)[at].all()


def test_own_numbers_are_healthy_and_faulty() -> None:
    faulty = [bool(own_scenario(n).faults) for n in range(10)]
    assert faulty == [False, False, False, True, True] * 2
    assert all(s.n_samples * len(s.leads) <= 5e8 or s.rate_hz <= 1e5 for s in map(own_scenario, range(2, 5)))


def test_rows_are_continued() -> None:
    rows = [
        {"set": "own", "number": FIRST, "hours": 0.5, "healthy": True, "exit": 0},
        {"set": "own", "number": FIRST + 1, "error": "no room"},
        {"set": "third", "number": 2, "hours": 0.4, "healthy": True, "exit": 2},
    ]
    to_do = numbers_to_do(rows, "own")
    assert [next(to_do) for _ in range(3)] == [FIRST + 1, FIRST + 2, FIRST + 3]
    assert healthy_hours(rows, "own") == 0.5
    assert healthy_hours(rows, "third") == 0.0
    assert tool_state() == tool_state()


def test_a_tool_that_fails_says_so(tmp_path: Path) -> None:
    use = mine(tmp_path / "nothing.parquet", tmp_path / "setup.toml", tmp_path / "findings")
    assert use.exit_code != 0
    assert use.words


@pytest.fixture
def outside() -> Iterator[ModuleType]:
    folder = trial_folder()
    if folder is None:
        pytest.skip("the outside scorer is not there")
    pytest.importorskip("polars")
    spec = importlib.util.spec_from_file_location("outside_score", folder / "score.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    writes, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    spec.loader.exec_module(module)
    yield module
    sys.dont_write_bytecode = writes


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_outside_scorer_counts_the_same(tmp_path: Path, seed: int, outside: ModuleType) -> None:
    rng = np.random.default_rng(seed)
    options = {name: getattr(PLAIN, name) for name in ("leads", "seed", "layout", "begins", "volume_l")}
    faults = draw_faults(rng, PLAIN)
    make(0, tmp_path, **options, seconds=30.0, rate_hz=5e4, healthy=False, faults=faults, nulls=((20.0, 20.5),))
    truth = columns_of(tmp_path / "truth.parquet")
    events = columns_of(tmp_path / "truth_events.parquet")
    n_true, n_other = len(truth["time_s"]), 15
    assert n_true > 3
    found = rng.permutation(n_true)[: max(2 * n_true // 3, 1)]
    other = rng.permutation(len(events["time_s"]))[:n_other]
    time_s = np.concatenate([truth["time_s"][found] + 1e-4, events["time_s"][other]])
    cylinder = np.concatenate([truth["cylinder"][found], events["cylinder"][other]]).astype(np.int16)
    shuffled = rng.permutation(len(time_s))
    n = len(time_s)
    (tmp_path / "findings").mkdir()
    suspects = pa.table({
        "rank": np.arange(1, n + 1), "time_s": time_s[shuffled], "cylinder": cylinder[shuffled],
        "kind": ["weak_command"] * n, "score": -np.arange(n, dtype=float), "reason": [""] * n,
        "false_alarms_per_hour": np.geomspace(1e-4, 50.0, n),
    })  # fmt: skip
    pq.write_table(suspects, tmp_path / "findings" / "suspects.parquet")
    listed = pa.table({name: pa.array(events[name]) for name in ("time_s", "cylinder")})
    pq.write_table(listed, tmp_path / "findings" / "events.parquet")
    mine_says, theirs = (
        score(tmp_path, tmp_path / "findings"),
        outside.score(tmp_path, tmp_path / "findings")["suspects"],
    )
    assert theirs["false_alarms_listed"] == mine_says["counts"][2]
    precision = mine_says["average_precision"]
    assert theirs["average_precision"] == pytest.approx(precision, abs=1e-4)
    for label, key in (("must_find", "must_top_k"), ("stretch", "stretch_top_k")):
        top = [f["top"] for f in mine_says["planted"] if f["label"] == label]
        assert theirs[key] == (pytest.approx(np.mean(top), abs=1e-4) if top else None)
