"""Text with one row a sample and lead."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from miner.errors import RecordingError
from miner.recording.formats.text import reader as text
from miner.recording.reader import open_recording
from tests.recording.formats.written import imported, read_back

N = 60


def lines(n: int = N, leads: tuple[str, ...] = ("coil A", "answer"), delimiter: str = ",") -> list[str]:
    return [f"{i / 1e5:.5f}{delimiter}{lead}{delimiter}{(i * 3 + k) % 7 / 4}" for i in range(n)
            for k, lead in enumerate(leads)]  # fmt: skip


def write(tmp_path: Path, rows: list[str], header: str = "time_s,channel,value") -> Path:
    path = tmp_path / "a.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("block_bytes", [100, 1 << 23])
def test_columns_are_those_that_polars_pivots(
    block_bytes: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(text, "_BLOCK_BYTES", block_bytes)
    file = write(tmp_path, lines())
    done = imported(file)
    assert (done.n_samples, done.rate_hz, done.has_time) == (N, 1e5, False)
    wide = pl.read_csv(file).pivot("channel", index="time_s", values="value")
    back = read_back(done)
    assert set(back) == {"coil A", "answer"}
    for name, values in back.items():
        np.testing.assert_array_equal(values, wide[name].to_numpy().astype(np.float32))


def test_other_orders_stamps_and_units(tmp_path: Path) -> None:
    rows = [f"{lead};{i % 7 * 250};2026-12-01 10:00:00.{i * 10:06d}Z" for i in range(N) for lead in ("a", "b")]
    done = imported(write(tmp_path, rows, "name;value (mV);when"))
    assert (done.n_samples, done.rate_hz) == (N, 1e5)
    np.testing.assert_allclose(read_back(done)["a"], [i % 7 / 4 for i in range(N)], atol=1e-6)
    assert open_recording(done.path).started_at == "2026-12-01T10:00:00Z"


BAD: dict[str, tuple[Callable[[list[str]], list[str]], str]] = {
    "missing": (lambda r: r[:20] + r[21:], r"line 22: the lead 'coil A' has no value at the instant that begins here"),
    "twice": (lambda r: [*r[:21], r[20], *r[21:]], r"line 22: the lead 'coil A' has 2 values at the instant"),
    "lead after lead": (lambda r: r[::2] + r[1::2], r"line \d+: the lead 'answer'|line 62: the time .*sort the rows"),
    "a new lead": (lambda r: [*r, "0.00060,third,1"], r"the lead '(third|answer)'"),
    "no name": (lambda r: [*r[:20], "0.00010,,1", *r[21:]], r"line 22: the name of the lead is missing"),
    "no number": (lambda r: [*r[:20], "0.00010,coil A,x", *r[21:]], r"line 22, column 'value': 'x' is not a number"),
}


@pytest.mark.parametrize("block_bytes", [100, 1 << 23])
@pytest.mark.parametrize("kind", BAD)
def test_what_does_not_fit_is_refused_with_its_line(
    kind: str, block_bytes: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spoil, message = BAD[kind]
    monkeypatch.setattr(text, "_HEAD_BYTES", 300)
    monkeypatch.setattr(text, "_BLOCK_BYTES", block_bytes)
    with pytest.raises(RecordingError, match=message):
        imported(write(tmp_path, spoil(lines())))


def test_keep_going_makes_gaps(tmp_path: Path) -> None:
    rows = lines()
    done = imported(write(tmp_path, rows[:20] + rows[21:]), keep_going=True)
    assert np.flatnonzero(np.isnan(read_back(done)["coil A"])).tolist() == [10]


def test_memory_does_not_grow_with_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text, "_BLOCK_BYTES", 10_000)
    peaks = []
    for n in (10_000, 50_000):
        file = write(tmp_path, lines(n))
        tracemalloc.start()
        imported(file)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 2 * peaks[0]
