"""Recordings that are wrong on purpose: one sentence each; what another program left beside the samples is no harm."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from miner.errors import MAX_SENTENCE, RecordingError
from miner.findings.store import Findings
from miner.mining.steps import mine_recording
from miner.recording.reader import open_recording
from miner.schema import SUSPECTS
from pipelines.command import main
from tests.pipelines.small import SETUP, leads, write
from tests.recording.made import write_recording

SAMPLES = np.zeros(1000, np.int16)


def refused(path: Path, *words: str) -> None:
    with pytest.raises(RecordingError) as error:
        open_recording(path)
    assert len(str(error.value)) <= MAX_SENTENCE
    assert str(error.value).isprintable()
    assert all(word in str(error.value) for word in words), str(error.value)


@pytest.mark.parametrize(
    "rate", ["0", "-1", "nan", "inf", "1e308", "1e-308", "5e-324", "0.0625", "0.06", "1e-3", "9.9", "1e11", "1" * 4000]
)
def test_rates_that_no_recording_has(tmp_path: Path, rate: str) -> None:
    refused(write_recording(tmp_path / "a.parquet", {"x": SAMPLES}, rate_hz=rate), "a.parquet")


@pytest.mark.parametrize("step_s", [5e-324, 1e-300, 1e-11, 0.2, 16.1, 1e300])
def test_steps_that_no_recording_has(tmp_path: Path, step_s: float) -> None:
    with np.errstate(over="ignore"):
        times = np.arange(1000) * step_s
    refused(write_recording(tmp_path / "a.parquet", {"time_s": times, "x": SAMPLES}, rate_hz=None), "time_s")


@pytest.mark.parametrize("key", ["scale", "offset"])
@pytest.mark.parametrize("value", ["nan", "inf", "1e308", "-1e308", "x", "1" * 4000, "1e10"])
def test_scales_that_no_clip_has(tmp_path: Path, key: str, value: str) -> None:
    path = write_recording(tmp_path / "a.parquet", {"x": SAMPLES}, scales={"x": {key: value}})
    refused(path, "column 'x'", key)


@pytest.mark.parametrize("scale", ["0", "-0.0", "5e-324", "1e-308"])
def test_scales_next_to_nothing(tmp_path: Path, scale: str) -> None:
    path = write_recording(tmp_path / "a.parquet", {"x": SAMPLES}, scales={"x": {"scale": scale}})
    refused(path, "the scale is", "write the volts per count")


def test_metadata_of_other_programs(tmp_path: Path) -> None:
    odd = {b"\xff\xfe": b"\x80", b"": b"", b"k" * 5000: b"v" * 5000}
    field = pa.field("x", pa.int16(), metadata={**odd, b"scale": b"0.5"})
    table = pa.table([pa.array(SAMPLES)], schema=pa.schema([field], metadata={**odd, b"sample_rate_hz": b"1000"}))
    pq.write_table(table, tmp_path / "a.parquet")
    recording = open_recording(tmp_path / "a.parquet")
    assert recording.channels["x"].scale == 0.5
    assert len(recording.identity()) == 64


def test_names_of_any_length(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Names as long as a file system takes are mined and exported; a column's name may be longer still."""
    column = "\x1b[31m lead" * 500
    columns = dict(leads(14.0, absent=(150,)))
    columns[column] = columns.pop("lead_2")
    setup = SETUP.replace('column = "lead_2"', "column = " + f'"{column}"'.replace("\x1b", "\\u001b"))
    recording, described = write(tmp_path, columns, setup=setup)
    longest = recording.rename(tmp_path / ("d" * 247 + ".parquet"))
    out = tmp_path / ("o" * 255)

    said: list[str] = []

    def run(*arguments: object) -> int:
        monkeypatch.setattr(sys, "argv", ["ignition-miner", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capfd.readouterr()
        said.append(err)
        assert "\x1b" not in out + err
        return int(ended.value.code or 0)

    assert run("mine", longest, "--setup", described, "--out", out) == 0, said
    assert Findings(out).read_table(SUSPECTS).num_rows
    for ending in (".csv", ".xlsx", ".parquet"):
        assert run("export", out, "--to", tmp_path / ("e" * (255 - len(ending)) + ending)) == 0
    assert run("export", out, "--to", tmp_path / ("e" * 256 + ".csv")) == 2
    assert run("mine", longest, "--setup", described, "--out", tmp_path / ("o" * 256)) == 2


def test_one_gap_of_several_leads_counts_once(tmp_path: Path) -> None:
    columns = dict(leads(14.0))
    for values in columns.values():
        values[500_000:520_000] = np.nan
    columns["lead_1"][900_000:910_000] = np.nan
    recording, setup = write(tmp_path, columns)
    counts = mine_recording(recording, setup, tmp_path / "out").summary["counts"]
    assert counts["gaps"]["number"] == 2
    assert counts["gaps"]["seconds"] == pytest.approx(0.3, abs=0.01)
