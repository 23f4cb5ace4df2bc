"""Odd text files of real recorders, and what is refused of them."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.errors import RecordingError
from miner.recording.formats.text import reader as text
from miner.recording.reader import open_recording
from tests.recording.formats.written import imported, read_back


def write(tmp_path: Path, content: str, name: str = "a.csv") -> Path:
    path = tmp_path / name
    path.write_text(content, encoding="utf-8", newline="")
    return path


def rows(n: int = 50, *, factor: float = 1.0, delimiter: str = ",", rate_hz: float = 1e5) -> str:
    return "".join(f"{i / rate_hz * factor:.9g}{delimiter}{(i % 7) / 4}\n" for i in range(n))


EXPECTED = np.array([(i % 7) / 4 for i in range(50)])

GOOD = {
    "plain": "time_s,lead\n" + rows(),
    "without a header": rows(),
    "semicolons": "time_s;lead\n" + rows(delimiter=";"),
    "decimal commas": "time_s;lead\n" + rows(delimiter=";").replace(".", ","),
    "quoted decimal commas": "time_s,lead\n"
    + "".join(
        f'"{i / 1e5:.5f}","{(i % 7) / 4}"\n'.replace(".", ",").replace('","', '","', 1) for i in range(50)
    ).replace('",0"', '"'),
    "tabs": "time_s\tlead\n" + rows(delimiter="\t"),
    "blanks": "time_s lead\n" + rows(delimiter="   "),
    "preamble": "Recorder X\nserial;12\n\nnote: a, b, c, d\ntime_s,lead\n" + rows(),
    "units row": "time,lead\n(ms),(V)\n" + rows(factor=1e3),
    "units in brackets": "Time [us],lead (V)\n" + rows(factor=1e6),
    "milliseconds by name": "time_ms,lead\n" + rows(factor=1e3),
    "nanoseconds by name": "time_ns,lead\n" + rows(factor=1e9),
    "windows line ends": ("time_s,lead\n" + rows()).replace("\n", "\r\n"),
    "old line ends": ("time_s,lead\n" + rows()).replace("\n", "\r"),
    "byte order mark": "\ufefftime_s,lead\n" + rows(),
    "no newline at the end": ("time_s,lead\n" + rows()).rstrip("\n"),
    "blank lines": "time_s,lead\n" + rows().replace("\n", "\n\n"),
    "quotes": "".join(
        ",".join(f'"{x}"' for x in line.split(",")) + "\n" for line in ("time_s,lead\n" + rows()).splitlines()
    ),
    "comment sign before the names": "# time_s,lead\n" + rows(),
    "latin letters": "Zeit (\u00b5s),lead\n" + rows(factor=1e6),
}


@pytest.mark.parametrize("kind", GOOD)
def test_real_life_text(kind: str, tmp_path: Path) -> None:
    done = imported(write(tmp_path, GOOD[kind]))
    assert (done.n_samples, done.rate_hz, done.has_time) == (50, 1e5, False)
    (lead,) = read_back(done).values()
    np.testing.assert_allclose(lead, EXPECTED, rtol=0, atol=1e-6)


def test_number_of_the_sample_needs_a_rate(tmp_path: Path) -> None:
    content = "sample,lead\n" + "".join(f"{i},{(i % 7) / 4}\n" for i in range(50))
    with pytest.raises(RecordingError, match="counts samples; give --rate-hz"):
        imported(write(tmp_path, content))
    assert imported(write(tmp_path, content), rate_hz=2e5).n_samples == 50


def test_missing_numbers_of_samples_become_a_gap(tmp_path: Path) -> None:
    content = "sample,lead\n" + "".join(f"{i},{i % 3}\n" for i in range(50) if not 20 <= i < 25)
    done = imported(write(tmp_path, content), rate_hz=1e5)
    (lead,) = read_back(done).values()
    assert np.flatnonzero(np.isnan(lead)).tolist() == [20, 21, 22, 23, 24]


def test_without_time_the_rate_is_given(tmp_path: Path) -> None:
    content = "a,b\n" + "".join(f"{i % 5},{i % 3}\n" for i in range(50))
    with pytest.raises(RecordingError, match="says nothing of its sample rate; give --rate-hz"):
        imported(write(tmp_path, content))
    done = imported(write(tmp_path, content), rate_hz=1e6)
    assert (done.leads, done.n_samples, done.rate_hz) == (("a", "b"), 50, 1e6)


def test_rate_in_the_preamble(tmp_path: Path) -> None:
    content = "Sample rate: 200 kHz\nlead\n" + "".join(f"{i % 5}.5\n" for i in range(50))
    assert imported(write(tmp_path, content)).rate_hz == 2e5


def test_several_files_in_a_row(tmp_path: Path) -> None:
    lines = rows(90).splitlines(keepends=True)
    first = write(tmp_path, "time_s,lead\n" + "".join(lines[:40]), "1.csv")
    going_on = write(tmp_path, "time_s,lead\n" + "".join(lines[40:]), "2.csv")
    begun_anew = write(tmp_path, "time_s,lead\n" + "".join(lines[:50]), "3.csv")
    assert imported(first, going_on).n_samples == 90
    assert imported(first, begun_anew).n_samples == 90
    later = write(tmp_path, "time_s,lead\n" + "".join(lines[60:]), "4.csv")
    (lead,) = read_back(imported(first, later)).values()
    assert np.flatnonzero(np.isnan(lead)).tolist() == list(range(40, 60))


def test_files_of_other_leads_are_refused(tmp_path: Path) -> None:
    first, other = write(tmp_path, "time_s,a\n" + rows(), "1.csv"), write(tmp_path, "time_s,b\n" + rows(), "2.csv")
    message = r"2\.csv: has the leads b .* '1\.csv' has a .* only files of one recording"
    with pytest.raises(RecordingError, match=message):
        imported(first, other)


def test_gzip(tmp_path: Path) -> None:
    path = tmp_path / "a.csv.gz"
    path.write_bytes(gzip.compress(GOOD["plain"].encode()))
    assert imported(path).n_samples == 50
    path.write_bytes(gzip.compress(GOOD["plain"].encode())[:-20])
    with pytest.raises(RecordingError, match="cannot be read to its end"):
        imported(path)


def test_irregular_instants_are_kept(tmp_path: Path) -> None:
    at = np.cumsum(1e-5 + 3e-6 * np.sin(np.arange(200)))
    content = "time_s,lead\n" + "".join(f"{t:.9f},{i % 50}\n" for i, t in enumerate(at))
    done = imported(write(tmp_path, content))
    assert (done.has_time, done.n_samples) == (True, 200)
    assert "kept as the column 'time_s'" in done.remarks[-1]
    assert open_recording(done.path).has_time


def test_many_decimals_are_kept_as_floats(tmp_path: Path) -> None:
    values = np.concatenate([np.round(np.linspace(0, 5, 400), 2), np.array([1.23456789012, 4e9])])
    content = "time_s,lead\n" + "".join(f"{i / 1e5:.5f},{v!r}\n" for i, v in enumerate(values.tolist()))
    done = imported(write(tmp_path, content))
    assert open_recording(done.path).channels["lead"].dtype == "float64"
    np.testing.assert_allclose(read_back(done)["lead"], values, rtol=1e-7)


BAD = {
    "text": ("time_s,lead\n" + rows(20) + "0.0002,oops\n" + rows(5),
             r"line 22, column 'lead': 'oops' is not a number; correct"),
    "too few": ("time_s,lead\n" + rows(20) + "0.0002\n", r"line 22: the line has 1 fields, the others have 2"),
    "infinite": ("time_s,lead\n" + rows(20) + "0.0002,inf\n", r"line 22, column 'lead': 'inf' is not a number"),
    "underscore": ("time_s,lead\n" + rows(20) + "0.0002,1_0\n", r"line 22, column 'lead': '1_0' is not a number"),
    "time repeats": ("time_s,lead\n" + rows(20) + "0.00019,1\n", r"line 22: the time repeats .*--rate-hz"),
    "time backwards": ("time_s,lead\n" + rows(20) + "0.0001,1\n", r"line 22: the time runs backwards"),
    "no time": ("time_s,lead\n" + rows(20) + ",1\n", r"line 22, column 'time_s': the time is missing"),
    "slow": ("time,lead\n" + rows(20, factor=1e3), r"too slow for any ignition signal; say .*--time-unit"),
    "words": ("to be or not to be\nthat is the question\n", r"no line holds numbers"),
    "empty": ("", r"is empty; check how it was recorded"),
    "blank": ("\n\n", r"is empty; check how it was recorded"),
}  # fmt: skip


@pytest.mark.parametrize("kind", BAD)
def test_what_cannot_be_read_is_refused_with_its_place(kind: str, tmp_path: Path) -> None:
    content, message = BAD[kind]
    with pytest.raises(RecordingError, match=message) as refused:
        imported(write(tmp_path, content))
    assert "a.csv" in str(refused.value)
    assert not list(tmp_path.glob("out*"))


def test_keep_going_makes_gaps(tmp_path: Path) -> None:
    content = "time_s,lead\n" + rows(20) + "0.0002,oops\n0.00021\n0.00022,1\n"
    done = imported(write(tmp_path, content), keep_going=True)
    (lead,) = read_back(done).values()
    assert np.flatnonzero(np.isnan(lead)).tolist() == [20, 21]
    assert done.n_unreadable == 3  # a value; a whole row: its time and its value
    assert "line 22, column 'lead'" in done.remarks[0]


def test_a_last_line_without_its_end_is_told(tmp_path: Path) -> None:
    assert not imported(write(tmp_path, GOOD["plain"])).remarks
    (remark,) = imported(write(tmp_path, GOOD["plain"][:-1])).remarks
    assert "the last line has no end" in remark
    with pytest.raises(RecordingError, match="line 51: the line has 1 fields"):
        imported(write(tmp_path, GOOD["plain"].rsplit(",", 1)[0]))


def test_output_never_replaces_an_input(tmp_path: Path) -> None:
    path = write(tmp_path, GOOD["plain"], "out.parquet")
    with pytest.raises(RecordingError, match="would replace an input"):
        imported(path)
    assert path.read_text() == GOOD["plain"]


def test_list_of_edges_becomes_samples(tmp_path: Path) -> None:
    at = np.cumsum(np.tile([0.0013217, 0.0213481], 20))
    content = "time_s,coil\n0,0\n" + "".join(f"{t:.7f},{(i + 1) % 2}\n" for i, t in enumerate(at))
    done = imported(write(tmp_path, content))
    coil = read_back(done)["coil"].astype(float)
    left = np.flatnonzero(np.diff(coil >= 0.5))
    crossing = (left + (0.5 - coil[left]) / (coil[left + 1] - coil[left])) / done.rate_hz
    assert crossing.size == 40
    np.testing.assert_allclose(crossing, at, rtol=0, atol=1.3e-7 if done.rate_hz > 1e6 else 2e-10)


@settings(max_examples=60, deadline=None)
@given(
    values=st.lists(st.lists(st.integers(-(2**20), 2**20), min_size=2, max_size=2), min_size=3, max_size=60),
    places=st.integers(0, 6),
    way=st.sampled_from([(",", "."), (";", ","), ("\t", "."), ("\t", ",")]),
    block=st.integers(20, 200),
)
def test_what_is_printed_comes_back(
    values: list[list[int]], places: int, way: tuple[str, str], block: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    delimiter, decimal = way
    printed = [[f"{v / 10**places:.{places}f}".replace(".", decimal) for v in row] for row in values]
    path = tmp_path_factory.mktemp("csv") / "a.csv"
    path.write_text("a" + delimiter + "b\n" + "".join(delimiter.join(row) + "\n" for row in printed))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(text, "_BLOCK_BYTES", block)  # rows are cut anywhere
        done = imported(path, rate_hz=1e5)
    assert done.n_samples == len(values)
    back = read_back(done)
    expected = np.array(values, float).T / 10**places
    np.testing.assert_allclose(np.array(list(back.values())), expected, rtol=1e-6, atol=1e-9)
