"""Recordings on disk."""

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from miner.engine.setup import load_setup
from miner.recording.progress import Progress
from miner.synthetic.draw import LeadPen
from miner.synthetic.presets import demo_hour, varied
from miner.synthetic.scenario import Scenario
from miner.synthetic.writer import write_recording
from tests.synthetic.small import COMMAND, FEEDBACK, SUPPLY, scenario


def _short(**changes: object) -> Scenario:
    return scenario(**{"duration_s": 4.0, "drive": {"roads": ["idle"], "starts_cold": False}, **changes})


def test_a_recording_carries_rate_scale_and_start(tmp_path: Path) -> None:
    out = write_recording(_short(storage={"started_at": "2024-05-01T08:00:00Z"}), tmp_path)
    file = pq.ParquetFile(out.recording)
    assert file.metadata.num_rows == 400_000
    assert file.schema_arrow.metadata == {b"sample_rate_hz": b"100000.0", b"started_at": b"2024-05-01T08:00:00Z"}
    field = file.schema_arrow.field("lead_1")
    volts = file.read()["lead_1"].to_numpy() * float(field.metadata[b"scale"]) + float(field.metadata[b"offset"])
    assert np.percentile(volts, 1) == pytest.approx(0.0, abs=0.1)
    assert np.percentile(volts, 99.9) == pytest.approx(5.0, abs=0.1)
    assert load_setup(out.setup) == out.plan.scenario.setup


def test_row_groups_and_parts_change_no_sample(tmp_path: Path) -> None:
    whole = write_recording(_short(storage={"row_group_samples": 0}), tmp_path / "whole")
    cut = write_recording(_short(storage={"row_group_samples": 30_001, "n_parts": 3}), tmp_path / "cut")
    assert pq.ParquetFile(whole.recording).metadata.num_row_groups == 1
    parts = sorted(cut.recording.iterdir())
    assert [p.name for p in parts] == ["part_0000.parquet", "part_0001.parquet", "part_0002.parquet"]
    for name in ("lead_1", "lead_2", "lead_3"):
        joined = np.concatenate([pq.read_table(p)[name].to_numpy() for p in parts])
        np.testing.assert_array_equal(joined, pq.read_table(whole.recording)[name].to_numpy())


def test_the_same_scenario_gives_the_same_bytes(tmp_path: Path) -> None:
    one, two = (write_recording(_short(), tmp_path / name) for name in ("a", "b"))
    for name in ("recording.parquet", "setup.toml", "truth_events.parquet", "truth_faults.parquet", "scenario.toml"):
        assert (one.folder / name).read_bytes() == (two.folder / name).read_bytes()


@pytest.mark.parametrize("made", [demo_hour(duration_s=60.0), varied(5), varied(6)], ids=lambda s: s.name)
def test_a_scenario_reads_back_from_its_toml(made: Scenario, tmp_path: Path) -> None:
    from miner.synthetic.toml import toml_text

    path = tmp_path / "scenario.toml"
    path.write_text(toml_text(made.model_dump(mode="json")), encoding="utf-8")
    assert Scenario.from_toml(path) == made


def test_gaps_of_each_kind(tmp_path: Path) -> None:
    gaps = [
        {"start_s": 1.0, "duration_s": 0.001, "columns": ["lead_1"]},
        {"start_s": 2.0, "duration_s": 0.002, "kind": "nan", "columns": ["lead_2"]},
        {"start_s": 3.0, "duration_s": 0.5, "kind": "missing"},
    ]
    leads = [COMMAND, {**FEEDBACK, "dtype": "float32"}, SUPPLY]
    out = write_recording(_short(leads=leads, gaps=gaps, storage={"time_column": True}), tmp_path)
    table = pq.read_table(out.recording)
    assert table.num_rows == 350_000
    assert table["lead_1"].null_count == 100
    assert np.flatnonzero(table["lead_1"].is_null().to_numpy())[0] == 100_000
    blank = np.flatnonzero(np.isnan(table["lead_2"].to_numpy()))
    assert (blank[0], blank[-1]) == (200_000, 200_199)
    steps = np.diff(table["time_s"].to_numpy())
    assert np.flatnonzero(steps > 1.5e-5).tolist() == [299_999]
    assert steps.max() == pytest.approx(0.50001, abs=1e-6)


def test_time_stamps_jitter_without_swapping(tmp_path: Path) -> None:
    storage = {"time_column": True, "clock_jitter": 0.2, "time_origin_s": 50.0, "row_group_samples": 77_777}
    out = write_recording(_short(storage=storage), tmp_path)
    time_s = pq.read_table(out.recording)["time_s"].to_numpy()
    assert time_s[0] == 50.0
    assert (np.diff(time_s) > 0.5e-5).all()
    assert np.diff(time_s).std() > 0.5e-6


def test_counts_and_volts_are_refused_where_they_do_not_fit() -> None:
    with pytest.raises(ValueError, match="cannot be NaN"):
        _short(gaps=[{"start_s": 1.0, "duration_s": 1.0, "kind": "nan"}])
    with pytest.raises(ValueError, match="time column"):
        _short(gaps=[{"start_s": 1.0, "duration_s": 1.0, "kind": "missing"}])
    with pytest.raises(ValueError, match="names cylinder 9"):
        _short(leads=[{**COMMAND, "cylinder": 9}])


def test_progress_counts_up_to_the_end(tmp_path: Path) -> None:
    seen: list[Progress] = []
    write_recording(_short(storage={"row_group_samples": 100_000}), tmp_path, on_progress=seen.append)
    assert [p.samples_done for p in seen] == [100_000, 200_000, 300_000, 400_000]
    assert seen[-1].samples_total == 400_000
    assert seen[-1].recorded_s == 4.0
    assert [p.n_events for p in seen] == sorted(p.n_events for p in seen)


@pytest.mark.parametrize("encoding", ["plain", "dictionary", "delta"])
def test_every_encoding_keeps_the_counts(encoding: str, tmp_path: Path) -> None:
    leads = [{**COMMAND, "dtype": "int8"}, {**FEEDBACK, "dtype": "uint16"}, {**SUPPLY, "dtype": "float32"}]
    out = write_recording(_short(leads=leads, storage={"encoding": encoding, "compression": "zstd"}), tmp_path)
    table = pq.read_table(out.recording)
    for index, lead in enumerate(out.plan.scenario.leads):
        np.testing.assert_array_equal(table[lead.column].to_numpy(), LeadPen(out.plan, index).raw(0, 400_000))
