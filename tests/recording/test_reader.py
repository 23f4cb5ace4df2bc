from __future__ import annotations

import pickle
import shutil

import numpy as np
import pyarrow as pa
import pytest

from miner.errors import RecordingError
from miner.recording.reader import open_recording, require_columns
from tests.recording.made import VOLTS, with_nulls, write_recording

RAMP = np.arange(1000, dtype=np.int16)


def refusal(path, **options) -> RecordingError:
    with pytest.raises(RecordingError) as caught:
        open_recording(path, **options)
    assert str(path) in str(caught.value) or str(path.parent) in str(caught.value)
    return caught.value


def test_one_file(tmp_path):
    path = write_recording(
        tmp_path / "a.parquet", {"lead_1": RAMP, "u": RAMP.astype(np.float32), "note": ["x"] * 1000},
        scales={"lead_1": {"scale": "0.5", "offset": "-2", "unit": "A"}},
        metadata={"started_at": "2024-05-01T08:00:00Z"},
    )  # fmt: skip
    recording = open_recording(path)
    lead = recording.channels["lead_1"]
    assert (lead.scale, lead.offset, lead.unit, lead.dtype) == (0.5, -2.0, "A", "int16")
    assert (recording.channels["u"].scale, recording.channels["u"].unit) == (1.0, "V")
    assert (recording.rate_hz, recording.n_samples, recording.has_time) == (1e6, 1000, False)
    assert recording.started_at == "2024-05-01T08:00:00Z"
    assert recording.other_columns == {"note": "string"}


@pytest.mark.parametrize("dtype", [np.int8, np.int16, np.int32, np.uint8, np.uint16, np.float32, np.float64])
def test_every_type_of_samples_is_a_channel(tmp_path, dtype):
    path = write_recording(tmp_path / "a.parquet", {"x": np.zeros(3, dtype)})
    assert open_recording(path).channels["x"].dtype == np.dtype(dtype).name


def test_folder_is_one_recording_in_name_order(tmp_path):
    for name, start in (("b.parquet", 100), ("a.parquet", 0), (".c.parquet", 900), ("_d.parquet", 900)):
        write_recording(tmp_path / name, {"x": RAMP[start : start + 100]})
    (tmp_path / "e.parquet.tmp").write_bytes(b"half")
    recording = open_recording(tmp_path)
    assert [part.path.name for part in recording.parts] == ["a.parquet", "b.parquet"]
    assert [(part.start, part.stop) for part in recording.parts] == [(0, 100), (100, 200)]


def test_no_such_file(tmp_path):
    assert "no such file or folder" in str(refusal(tmp_path / "missing.parquet"))


def test_folder_without_parts(tmp_path):
    assert "no .parquet file" in str(refusal(tmp_path))


@pytest.mark.parametrize("content", [b"", b"text, not samples\n", b"PAR1" + bytes(500)])
def test_foreign_file(tmp_path, content):
    path = tmp_path / "a.parquet"
    path.write_bytes(content)
    assert "no complete Parquet file" in str(refusal(path))


@pytest.mark.parametrize("share", [0.3, 0.9, 0.999])
def test_truncated_file(tmp_path, share):
    path = write_recording(tmp_path / "a.parquet", {"x": RAMP})
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    assert "no complete Parquet file" in str(refusal(path))


def test_no_samples(tmp_path):
    assert "no samples" in str(refusal(write_recording(tmp_path / "a.parquet", {"x": RAMP[:0]})))


def test_no_rate(tmp_path):
    path = write_recording(tmp_path / "a.parquet", {"x": RAMP}, rate_hz=None)
    assert "no sample rate" in str(refusal(path))
    assert open_recording(path, rate_hz=2e5).rate_hz == 2e5


@pytest.mark.parametrize("rate", ["fast", "0", "-1e6", "nan"])
def test_rate_that_is_none(tmp_path, rate):
    assert rate in str(refusal(write_recording(tmp_path / "a.parquet", {"x": RAMP}, rate_hz=rate)))


def test_rates_that_differ(tmp_path):
    path = write_recording(tmp_path / "a.parquet", {"x": RAMP})
    assert "the rate given says 500000" in str(refusal(path, rate_hz=5e5))
    assert open_recording(path, rate_hz=1e6).rate_hz == 1e6


@pytest.mark.parametrize("key", ["scale", "offset"])
def test_scale_that_is_no_number(tmp_path, key):
    path = write_recording(tmp_path / "a.parquet", {"x": RAMP}, scales={"x": {**VOLTS, key: "2,4 mV"}})
    error = refusal(path)
    assert error.column == "x"
    assert f"the {key} '2,4 mV' is not a number" in str(error)


def test_scale_of_zero(tmp_path):
    assert "scale is 0" in str(
        refusal(write_recording(tmp_path / "a.parquet", {"x": RAMP}, scales={"x": {"scale": "0"}}))
    )


@pytest.mark.parametrize(
    ("second", "words"),
    [
        ({"x": RAMP, "z": RAMP}, "in this part but not in the first"),
        ({"y": RAMP}, "is missing in this part"),
        ({"x": RAMP.astype(np.int32)}, "is int32 here and int16 in 'a.parquet'"),
    ],
)
def test_parts_that_differ(tmp_path, second, words):
    write_recording(tmp_path / "a.parquet", {"x": RAMP})
    write_recording(tmp_path / "b.parquet", second)
    error = refusal(tmp_path)
    assert words in str(error)
    assert "b.parquet" in str(error)


def test_parts_of_other_scale_or_rate(tmp_path):
    write_recording(tmp_path / "a.parquet", {"x": RAMP}, scales={"x": VOLTS})
    write_recording(tmp_path / "b.parquet", {"x": RAMP}, scales={"x": {**VOLTS, "scale": "0.0025"}})
    assert "scale, offset or unit differ" in str(refusal(tmp_path))
    write_recording(tmp_path / "b.parquet", {"x": RAMP}, scales={"x": VOLTS}, rate_hz=2e6)
    assert "sample rates differ" in str(refusal(tmp_path))


def test_columns_the_setup_names(tmp_path):
    path = write_recording(tmp_path / "a.parquet", {"lead_1": RAMP, "note": ["x"] * 1000, "t": RAMP.astype(np.int64)})
    recording = open_recording(path)
    require_columns(recording, ["lead_1"])
    with pytest.raises(RecordingError, match=r"column 'laed_1'.*did you mean 'lead_1'"):
        require_columns(recording, ["laed_1"])
    with pytest.raises(RecordingError, match=r"column 'note': the column holds text"):
        require_columns(recording, ["note"])
    with pytest.raises(RecordingError, match=r"column 't': the column holds values of type int64"):
        require_columns(recording, ["t"])


def test_same_column_twice(tmp_path):
    import pyarrow.parquet as pq

    table = pa.table([pa.array(RAMP), pa.array(RAMP)], names=["x", "x"])
    pq.write_table(table, tmp_path / "a.parquet")
    assert "twice" in str(refusal(tmp_path / "a.parquet", rate_hz=1e6))


@pytest.mark.parametrize("kind", ["text", "int64", "float32"])
def test_time_of_another_type(tmp_path, kind):
    time = {"text": ["0.1"] * 1000, "int64": np.arange(1000), "float32": np.arange(1000, dtype=np.float32)}[kind]
    error = refusal(write_recording(tmp_path / "a.parquet", {"time_s": time, "x": RAMP}, rate_hz=None))
    assert error.column == "time_s"
    assert "float64" in str(error)


@pytest.mark.parametrize("odd", ["jitter", "first steps", "gaps"])
def test_rate_from_the_time_column(tmp_path, odd):
    rng = np.random.default_rng(3)
    steps = np.full(20_000, 1e-5)
    if odd == "jitter":
        steps *= rng.uniform(0.6, 1.4, steps.size)
    elif odd == "first steps":
        steps[:500] = rng.choice([1e-9, 0.3], 500)
    else:
        steps[::40] = 0.02
    time_s = 1.7e3 + np.cumsum(steps)
    path = write_recording(tmp_path / "a.parquet", {"time_s": time_s, "x": np.zeros(20_000, np.int16)}, rate_hz=None)
    recording = open_recording(path)
    assert recording.rate_hz == pytest.approx(1e5, rel=0.02)
    assert recording.first_time_s == time_s[0]
    assert recording.has_time


def test_time_column_against_a_stated_rate(tmp_path):
    columns = {"time_s": np.arange(1000) * 1e-5, "x": RAMP}
    assert "steps at 100000" in str(refusal(write_recording(tmp_path / "a.parquet", columns)))
    assert open_recording(write_recording(tmp_path / "b.parquet", columns, rate_hz=100_500)).rate_hz == pytest.approx(
        1e5
    )


def test_time_that_stands_still(tmp_path):
    columns = {"time_s": np.zeros(1000), "x": RAMP}
    assert "no step forward" in str(refusal(write_recording(tmp_path / "a.parquet", columns, rate_hz=None)))


def test_identity_is_of_the_content(tmp_path):
    noise = np.random.default_rng(1).integers(0, 4000, 50_000).astype(np.int16)
    path = write_recording(tmp_path / "a.parquet", {"x": noise})
    first = open_recording(path).identity()
    shutil.copy(path, tmp_path / "renamed.parquet")
    assert open_recording(tmp_path / "renamed.parquet").identity() == first
    noise[25_000] += 1
    assert open_recording(write_recording(path, {"x": noise})).identity() != first
    noise[25_000] -= 1
    assert open_recording(write_recording(path, {"x": noise}, rate_hz=2e6)).identity() != first
    assert open_recording(write_recording(path, {"x": noise}, scales={"x": VOLTS})).identity() != first
    assert open_recording(write_recording(path, {"x": noise})).identity() == first


def test_identity_of_nulls(tmp_path):
    path = write_recording(tmp_path / "a.parquet", {"x": with_nulls(RAMP, [5])})
    other = write_recording(tmp_path / "b.parquet", {"x": with_nulls(RAMP, [6])})
    assert open_recording(path).identity() != open_recording(other).identity()


def test_refusal_survives_a_worker_process(tmp_path):
    error = refusal(tmp_path / "missing.parquet")
    assert str(pickle.loads(pickle.dumps(error))) == str(error)
