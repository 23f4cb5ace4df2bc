"""The ready recordings are what their scenarios make, and small."""

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from miner.engine.setup import load_setup
from miner.synthetic.scenario import Scenario
from miner.synthetic.writer import write_recording

HOME = Path(__file__).parents[2] / "demo_recordings"
FOLDERS = sorted(path.parent for path in HOME.glob("*/scenario.toml"))


def _samples(recording: Path) -> pa.Table:
    parts = sorted(recording.iterdir()) if recording.is_dir() else [recording]
    return pa.concat_tables([pq.read_table(part) for part in parts])


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_a_ready_recording_is_what_its_scenario_makes(folder: Path, tmp_path: Path) -> None:
    again = write_recording(Scenario.from_toml(folder / "scenario.toml"), tmp_path)
    kept, made = _samples(folder / again.recording.name), _samples(again.recording)
    assert kept.schema.equals(made.schema, check_metadata=True)
    for name in kept.column_names:
        was, now = (t[name].to_numpy().astype(np.float64) for t in (kept, made))
        step = 1e-5 if pa.types.is_floating(kept[name].type) else 1.0
        np.testing.assert_allclose(was, now, atol=step)  # another machine may round the last bit the other way
    assert load_setup(folder / "setup.toml") == again.plan.scenario.setup
    truth = pq.read_table(folder / "truth_events.parquet")
    np.testing.assert_allclose(truth["time_s"].to_numpy(), again.plan.events["time_s"].to_numpy(), atol=1e-9)
    assert pq.read_table(folder / "truth_faults.parquet")["kind"].equals(again.plan.faults["kind"])


def test_there_are_some_and_they_are_small() -> None:
    assert len(FOLDERS) >= 4
    sizes = [path.stat().st_size for path in HOME.rglob("*") if path.is_file()]
    assert sum(sizes) < 5e6
    assert max(sizes) < 4.5e5
