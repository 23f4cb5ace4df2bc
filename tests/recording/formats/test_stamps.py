"""Text whose time is written as date and time of day, held against what other libraries read."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.compute as pc
import pytest

from miner.errors import RecordingError
from miner.recording.formats.text import reader as text
from miner.recording.formats.text.stamps import stamp_of
from miner.recording.reader import open_recording
from miner.recording.windows import read_window
from tests.recording.formats.written import imported, read_back

BEGAN = datetime(2026, 12, 1, 9, 59, 59, 999_900)  # noqa: DTZ001 - the zone is part of each test
STEP_US = 10


def instants(n: int, *, first: int = 0, blank: str = "T", zone: str = "Z", decimal: str = ".") -> list[str]:
    at = [BEGAN + timedelta(microseconds=STEP_US * (first + i)) for i in range(n)]
    return [f"{t:%Y-%m-%d}{blank}{t:%H:%M:%S}{decimal}{t.microsecond:06d}{zone}" for t in at]


def table(stamps: list[str], delimiter: str = ",", header: str = "time,lead\n") -> str:
    return header.replace(",", delimiter) + "".join(f"{t}{delimiter}{i % 7 / 4}\n" for i, t in enumerate(stamps))


def write(tmp_path: Path, content: str, name: str = "a.csv") -> Path:
    path = tmp_path / name
    path.write_text(content, encoding="utf-8", newline="")
    return path


GOOD = {
    "T and Z": table(instants(50)),
    "a blank": table(instants(50, blank=" ", zone="")),
    "a blank and semicolons": table(instants(50, blank=" "), ";"),
    "an offset": table(instants(50, zone="+02:00")),
    "tabs": table(instants(50), "\t"),
    "decimal commas": table(instants(50, decimal=","), ";").replace(".", ","),
    "quoted": table([f'"{t}"' for t in instants(50, blank=" ")]),
    "another name": table(instants(50), header="measured at,lead\n"),
    "without a header": table(instants(50), header=""),
    "preamble": "Recorder X\nexported,2026-12-02\n\n" + table(instants(50)),
    "nanoseconds": table([t.replace("Z", "000Z") for t in instants(50)]),
}


@pytest.mark.parametrize("kind", GOOD)
def test_every_way_to_write_it(kind: str, tmp_path: Path) -> None:
    done = imported(write(tmp_path, GOOD[kind]))
    assert (done.n_samples, done.rate_hz, done.has_time) == (50, 1e5, False)
    (lead,) = read_back(done).values()
    np.testing.assert_allclose(lead, [(i % 7) / 4 for i in range(50)], rtol=0, atol=1e-6)
    began = "2026-12-01T07:59:59.9999Z" if kind == "an offset" else "2026-12-01T09:59:59.9999Z"
    assert open_recording(done.path).started_at == (began[:-1] if kind == "a blank" else began)


@pytest.mark.parametrize("zone", ["", "Z", "+05:30", "-0800", "+01"])
@pytest.mark.parametrize("fraction", ["", ".5", ".123456789", ".000010"])
def test_instants_are_those_that_pyarrow_reads(zone: str, fraction: str) -> None:
    for day in ("1970-01-01T00:00:00", "1969-12-31 23:59:59", "2024-02-29 12:34:56", "2026-12-01T10:00:00"):
        written = day + fraction + zone
        stamp = stamp_of(written)
        assert stamp is not None
        other = pa.array([written]).cast(pa.timestamp("ns", tz="UTC" if zone else None))[0]
        assert (stamp.ns, stamp.type) == (other.value, other.type)
        assert pa.scalar(stamp.text).cast(other.type) == other


@pytest.mark.parametrize("wrong", ["2026-12-01", "10:00:00.1", "2026-13-01T00:00:00Z", "2026-02-30 00:00:00", "1.5"])
def test_what_is_no_instant(wrong: str) -> None:
    assert stamp_of(wrong) is None


def test_uneven_instants_are_those_that_polars_reads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text, "_BLOCK_BYTES", 1000)
    rng = np.random.default_rng(7)
    ns = np.cumsum(rng.integers(3_000, 30_000, 400))
    written = [str(np.datetime64("2026-12-31T23:59:59.999", "ns") + int(k)) + "Z" for k in ns]
    file = write(tmp_path, table(written))
    done = imported(file)
    assert done.has_time
    parsed = pl.read_csv(file)["time"].str.to_datetime(time_unit="ns", time_zone="UTC").dt.timestamp("ns").to_numpy()
    recording = open_recording(done.path)
    window = read_window(recording, ["lead"], 0.0, 1e9, max_samples=1 << 20)
    np.testing.assert_allclose(window.time_s, (parsed - parsed[0]) / 1e9, rtol=0, atol=1e-10)
    assert recording.started_at is not None
    assert pc.cast(pa.scalar(recording.started_at), pa.timestamp("ns", tz="UTC")).value == parsed[0]


def test_hours_later_an_instant_still_has_its_sample(tmp_path: Path) -> None:
    later = instants(50, first=40 * 60 * 100_000)  # 40 minutes at 100 kS/s
    done = imported(write(tmp_path, table(instants(50) + later)))
    assert done.has_time  # too long a jump to be filled
    window = read_window(open_recording(done.path), ["lead"], 0.0, 1e9, max_samples=1 << 20)
    np.testing.assert_allclose(window.time_s[50:], 2400.0 + np.arange(50) / 1e5, rtol=0, atol=1e-9)


def test_a_jump_is_a_gap(tmp_path: Path) -> None:
    done = imported(write(tmp_path, table(instants(20) + instants(10, first=25))))
    (lead,) = read_back(done).values()
    assert np.flatnonzero(np.isnan(lead)).tolist() == [20, 21, 22, 23, 24]


def test_files_in_a_row_keep_the_time_between_them(tmp_path: Path) -> None:
    first = write(tmp_path, table(instants(20)))
    second = write(tmp_path, table(instants(20, first=23)), "b.csv")
    (lead,) = read_back(imported(first, second)).values()
    assert np.flatnonzero(np.isnan(lead)).tolist() == [20, 21, 22]
    with pytest.raises(RecordingError, match=r"a\.csv: begins before 'b\.csv'; name the files in the order"):
        imported(second, first)


def test_a_rate_given_passes_the_instants_over(tmp_path: Path) -> None:
    same = [instants(1)[0]] * 50  # a clock too coarse for the samples
    with pytest.raises(RecordingError, match=r"line 3: the time repeats .*--rate-hz"):
        imported(write(tmp_path, table([*same[:20], *instants(2, first=1)])))
    done = imported(write(tmp_path, table(same)), rate_hz=1e5)
    assert (done.n_samples, done.has_time) == (50, False)
    assert open_recording(done.path).started_at == "2026-12-01T09:59:59.9999Z"


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("yesterday,1", r"line 22, column 'time': 'yesterday' is not an instant like 2026-12-01T09:59:59\.9999Z;"),
        ("2026-12-01T10:00:00.5,1", r"line 22, column 'time': '2026-12-01T10:00:00\.5' is not an instant like"),
        ("5,1", r"line 22, column 'time': '5' is not an instant like"),
        (",1", r"line 22, column 'time': the time is missing"),
        ("2026-12-01T09:00:00Z,1", r"line 22: the time runs backwards"),
    ],
)  # fmt: skip
def test_what_is_no_instant_is_refused_with_its_place(row: str, message: str, tmp_path: Path) -> None:
    file = write(tmp_path, table(instants(20)) + row + "\n" + table(instants(5, first=21), header=""))
    with pytest.raises(RecordingError, match=message):
        imported(file)


def test_keep_going_makes_a_gap_of_it(tmp_path: Path) -> None:
    file = write(tmp_path, table(instants(20)) + "oops,1\n" + table(instants(5, first=21), header=""))
    done = imported(file, keep_going=True)
    (lead,) = read_back(done).values()
    assert np.flatnonzero(np.isnan(lead)).tolist() == [20]
    assert "line 22, column 'time'" in done.remarks[0]


def test_edges_with_instants_become_samples(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    at = np.cumsum(rng.integers(200, 3000, 60)) * 1000
    written = [str(np.datetime64("2026-12-01T10:00:00", "ns") + int(k)) + "Z" for k in at]
    content = "time,lead\n" + "".join(f"{t},{i % 2}\n" for i, t in enumerate(written))
    numbers = "time_s,lead\n" + "".join(f"{(k - at[0]) / 1e9:.9f},{i % 2}\n" for i, k in enumerate(at))
    done = imported(write(tmp_path, content))
    (tmp_path / "numbers").mkdir()
    same = imported(write(tmp_path / "numbers", numbers))
    np.testing.assert_array_equal(read_back(done)["lead"], read_back(same)["lead"])
    assert open_recording(done.path).started_at == pa.scalar(written[0]).as_py().rstrip("Z").rstrip("0") + "Z"
