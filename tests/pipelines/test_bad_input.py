"""Whatever is wrong with the input: exit code 2, one sentence with the place and the remedy, no half-written table."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipelines.command import app
from pipelines.show.console import guarded
from tests.pipelines.small import RATE_HZ, SETUP, leads, write


@pytest.fixture(scope="module")
def healthy() -> dict[str, np.ndarray]:
    return dict(leads(12.0))


def refuse(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    """Run ``mine`` and return the one sentence it ended with."""
    monkeypatch.setattr(sys, "argv", ["ignition-miner", "mine", *map(str, arguments)])
    assert guarded(app) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "Traceback" not in err
    assert ";" in err, "a remedy follows the problem"
    assert err.endswith(".\n")
    return err.strip()


def refuse_input(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], **given: object
) -> str:
    """Write an input, have it refused, and check that no findings are left."""
    recording, setup = write(tmp_path / "in", **given)  # type: ignore[arg-type]
    sentence = refuse(monkeypatch, capsys, recording, "--setup", setup, "--out", tmp_path / "out")
    left = list((tmp_path / "out").rglob("*")) if (tmp_path / "out").exists() else []
    assert not left, left
    return sentence


def test_missing_recording(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    _, setup = write(tmp_path / "in")
    sentence = refuse(monkeypatch, capsys, tmp_path / "no.parquet", "--setup", setup, "--out", tmp_path / "out")
    assert "no.parquet" in sentence


def test_missing_setup(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    recording, _ = write(tmp_path / "in")
    sentence = refuse(monkeypatch, capsys, recording, "--setup", tmp_path / "no.toml", "--out", tmp_path / "out")
    assert "no.toml: the setup file cannot be read" in sentence


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"lead_2"', '"laed_2"', ["column 'laed_2'", "did you mean 'lead_2'"]),
        ("[1, 3, 4, 2]", "[1, 3, 4]", ["engine", "must name each of the 4 cylinders once"]),
        ("[1, 3, 4, 2]", "[1, 3, 4, 4]", ["must name each of the 4 cylinders once"]),
        ("cylinder = 1", "cylinder = 7", ["names cylinder 7, the engine has 4"]),
        ('"feedback"', '"feedbak"', ["channel.2.role", "did you mean 'feedback'"]),
        ("firing_order", "fireing_order", ["engine.fir"]),
        ("[engine]", "[engine", ["not valid TOML"]),
        ("[1, 3, 4, 2]", "[1, 3, 4, 2]\nfiring_angles_deg = [0, 180]", ["2 firing angles for 4 cylinders"]),
    ],
)
def test_setup_that_does_not_fit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    healthy: dict[str, np.ndarray], old: str, new: str, said: list[str],
) -> None:  # fmt: skip
    assert old in SETUP
    sentence = refuse_input(tmp_path, monkeypatch, capsys, columns=healthy, setup=SETUP.replace(old, new))
    for words in said:
        assert words in sentence


def test_setup_without_leads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], healthy: dict[str, np.ndarray]
) -> None:
    """They are told apart by their signals; where there are none, that is said."""
    rng = np.random.default_rng(2)
    quiet = {name: (0.02 * rng.standard_normal(values.size)).astype(np.float32) for name, values in healthy.items()}
    sentence = refuse_input(tmp_path, monkeypatch, capsys, columns=quiet, setup=SETUP.split("[[channel]]")[0])
    assert "ignition-miner setup" in sentence


@pytest.mark.parametrize(
    ("level", "column"), [(0.0, "lead_1"), (5.0, "lead_1"), (5.0, "lead_2"), (0.3, "lead_2")],
)  # fmt: skip
def test_lead_that_never_switches(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    healthy: dict[str, np.ndarray], level: float, column: str,
) -> None:  # fmt: skip
    noise = 0.02 * np.random.default_rng(1).standard_normal(healthy[column].size)
    columns = {**healthy, column: (level + noise).astype(np.float32)}
    assert f"column '{column}'" in refuse_input(tmp_path, monkeypatch, capsys, columns=columns)


def test_rate_too_low(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    slow = {name: values[::200] for name, values in leads(60.0).items()}
    sentence = refuse_input(tmp_path, monkeypatch, capsys, columns=slow, rate_hz=RATE_HZ / 200)
    assert "column 'lead_" in sentence


def test_no_rate_to_be_had(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], healthy: dict[str, np.ndarray]
) -> None:
    recording, setup = write(tmp_path / "in", healthy)
    pq.write_table(pa.table(healthy), recording)
    assert "rate" in refuse(monkeypatch, capsys, recording, "--setup", setup, "--out", tmp_path / "out")


def test_column_of_text(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], healthy: dict[str, np.ndarray]
) -> None:
    columns = {**healthy, "lead_2": np.array(["5.0"] * healthy["lead_1"].size)}
    assert "column 'lead_2'" in refuse_input(tmp_path, monkeypatch, capsys, columns=columns)


@pytest.mark.parametrize("step_s", [-0.5, -1.0 / RATE_HZ])
def test_time_that_runs_backwards_or_repeats(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    healthy: dict[str, np.ndarray], step_s: float,
) -> None:  # fmt: skip
    time_s = np.arange(healthy["lead_1"].size) / RATE_HZ
    time_s[700_000:] += step_s
    sentence = refuse_input(tmp_path, monkeypatch, capsys, columns={"time_s": time_s, **healthy})
    assert "column 'time_s'" in sentence
    assert "row 700000" in sentence


@pytest.mark.parametrize("keep", [0, 3, 5_000, -9])
def test_truncated_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], keep: int
) -> None:
    recording, setup = write(tmp_path / "in", dict(leads(2.0)))
    recording.write_bytes(recording.read_bytes()[:keep])
    sentence = refuse(monkeypatch, capsys, recording, "--setup", setup, "--out", tmp_path / "out")
    assert str(recording) in sentence


def test_damaged_samples(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], healthy: dict[str, np.ndarray]
) -> None:
    recording, setup = write(tmp_path / "in", healthy)
    content = bytearray(recording.read_bytes())
    content[100_000:101_000] = bytes(1000)
    recording.write_bytes(content)
    out = tmp_path / "out"
    monkeypatch.setattr(
        sys, "argv", ["ignition-miner", "mine", str(recording), "--setup", str(setup), "--out", str(out)]
    )
    # values stored without a checksum may be damaged without a sign; what must not happen is a traceback
    assert guarded(app) in (0, 2)
    assert "Traceback" not in capsys.readouterr().err


def test_folder_that_cannot_be_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], healthy: dict[str, np.ndarray]
) -> None:
    recording, setup = write(tmp_path / "in", healthy)
    (tmp_path / "file").write_text("in the way")
    sentence = refuse(monkeypatch, capsys, recording, "--setup", setup, "--out", tmp_path / "file" / "out")
    assert "cannot be written" in sentence
    assert (tmp_path / "file").read_text() == "in the way"


def test_disk_that_fills_up_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], healthy: dict[str, np.ndarray]
) -> None:
    recording, setup = write(tmp_path / "in", healthy)
    synced, really = [0], os.fsync

    def full_in_the_end(descriptor: int) -> None:
        """Have room for the one section, the events and two more tables."""
        synced[0] += 1
        if synced[0] > 4:
            raise OSError(errno.ENOSPC, "No space left on device")
        really(descriptor)

    monkeypatch.setattr(os, "fsync", full_in_the_end)
    sentence = refuse(monkeypatch, capsys, recording, "--setup", setup, "--out", tmp_path / "out")
    assert "(the disk is full); make room" in sentence
    assert not (tmp_path / "out").exists(), "all findings or none"
