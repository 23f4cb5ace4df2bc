"""Binary formats: odd shapes and types, damaged files, and what is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pyarrow as pa
import pyarrow.ipc
import pyarrow.parquet as pq
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from miner.errors import RecordingError
from miner.recording.importing import import_recording
from miner.recording.reader import open_recording
from tests.recording.formats.written import WRITERS, imported, read_back

RAMP = np.arange(400, dtype=np.int16)


@pytest.mark.parametrize("shape", [(400, 2), (2, 400)])
def test_two_dimensions_the_shorter_one_counts_leads(shape: tuple[int, int], tmp_path: Path) -> None:
    both = np.stack([RAMP, -RAMP], axis=1 if shape[1] == 2 else 0)
    np.save(tmp_path / "a.npy", both)
    done = imported(tmp_path / "a.npy", rate_hz=1e5)
    back = read_back(done)
    np.testing.assert_array_equal(back["lead_1"], RAMP)
    np.testing.assert_array_equal(back["lead_2"], -RAMP)
    assert open_recording(done.path).channels["lead_1"].dtype == "int16"


@settings(max_examples=40, deadline=None)
@given(
    values=arrays.arrays(
        st.sampled_from(
            [np.int8, np.int16, np.int32, np.uint8, np.uint16, np.float32, np.float64, ">i2", ">f4", np.bool_]
        ),
        st.integers(2, 300),
    )
)
def test_every_type_comes_back_as_it_was(values: np.ndarray, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("npy") / "a.npy"
    np.save(path, values)
    done = imported(path, rate_hz=1e5)
    stored = pq.read_table(done.path)["lead_1"].to_numpy(zero_copy_only=False)
    np.testing.assert_array_equal(stored.astype(np.float64), values.astype(np.float64))


def test_numbers_too_large_for_a_sample_are_refused(tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", np.array([1, 2, 2**60 + 1]))
    with pytest.raises(RecordingError, match=r"column 'lead_1', row 2: the number is too large"):
        imported(tmp_path / "a.npy", rate_hz=1e5)


def test_objects_are_never_unpickled(tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", np.array([{}, 1], dtype=object), allow_pickle=True)
    with pytest.raises(RecordingError, match="no complete array"):
        imported(tmp_path / "a.npy", rate_hz=1e5)
    np.savez(tmp_path / "a.npz", x=np.array([{}, 1], dtype=object))
    with pytest.raises(RecordingError, match="Python objects"):
        imported(tmp_path / "a.npz", rate_hz=1e5)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("kind", ["WAV", "RF64"])
def test_sound_in_volts(subtype: str, kind: str, tmp_path: Path) -> None:
    volts = np.stack([np.linspace(-5, 5, 500), np.linspace(5, -5, 500)], axis=1)
    soundfile.write(tmp_path / "a.wav", volts / 10, 48000, subtype=subtype, format=kind)
    done = imported(tmp_path / "a.wav", volts_full_scale=10.0)
    assert (done.rate_hz, done.n_samples) == (48000.0, 500)
    np.testing.assert_allclose(read_back(done)["lead_2"], volts[:, 1], atol=10 / 2**15)


def test_hdf5_attributes_and_time(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        lead = file.create_dataset("coils/lead", data=RAMP)
        lead.attrs.update({"scale": 0.01, "offset": 1.0, "unit": "A"})
        file.create_dataset("coils/note", data="made up")
        file.create_dataset("time_us", data=np.arange(400) * 10.0)
        file.attrs["started_at"] = "2026-01-02T03:04:05"
    done = imported(tmp_path / "a.h5")
    recording = open_recording(done.path)
    assert (recording.rate_hz, recording.started_at) == (1e5, "2026-01-02T03:04:05")
    assert recording.channels["coils.lead"].unit == "A"
    np.testing.assert_allclose(read_back(done)["coils.lead"], RAMP * 0.01 + 1.0, rtol=1e-6)


def test_arrays_of_several_lengths_are_refused_until_named(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", a=RAMP, b=RAMP[:100], fs=np.array(1e5))
    with pytest.raises(
        RecordingError, match=r"different lengths \('a' 400, 'b' 100\); name those to take with --column"
    ):
        imported(tmp_path / "a.npz")
    done = imported(tmp_path / "a.npz", columns=("b",))
    assert (done.leads, done.n_samples) == (("b",), 100)


def test_column_that_is_not_there(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", lead=RAMP, fs=np.array(1e5))
    with pytest.raises(RecordingError, match=r"column 'laed': .*did you mean 'lead'"):
        imported(tmp_path / "a.npz", columns=("laed",))


def test_timestamps_and_jumps_of_them(tmp_path: Path) -> None:
    at = np.arange(400) * 10_000 + 1_800_000_000_000_000_000
    at[200:] += 50 * 10_000
    pq.write_table(pa.table({"when": pa.array(at, pa.timestamp("ns", "UTC")), "lead": RAMP}), tmp_path / "a.parquet")
    done = imported(tmp_path / "a.parquet")
    assert (done.rate_hz, done.n_samples) == (1e5, 450)
    assert np.flatnonzero(np.isnan(read_back(done)["lead"])).tolist() == list(range(200, 250))


def test_a_recording_of_ours_keeps_its_scales(tmp_path: Path) -> None:
    field = pa.field("lead", pa.int16(), metadata={"scale": "0.5", "offset": "1", "unit": "A"})
    schema = pa.schema([field], metadata={"sample_rate_hz": "100000", "started_at": "2026-01-01"})
    pq.write_table(pa.table([pa.array(RAMP)], schema=schema), tmp_path / "a.parquet")
    recording = open_recording(imported(tmp_path / "a.parquet").path)
    channel = recording.channels["lead"]
    assert (channel.scale, channel.offset, channel.unit, recording.started_at) == (0.5, 1.0, "A", "2026-01-01")


def test_stream_of_batches(tmp_path: Path) -> None:
    table = pa.table({"time_s": np.arange(400) / 1e5, "lead": RAMP})
    with pa.OSFile(str(tmp_path / "a.arrows"), "wb") as sink, pyarrow.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table, max_chunksize=33)
    assert imported(tmp_path / "a.arrows").n_samples == 400


def test_long_rows_that_are_changes(tmp_path: Path) -> None:
    at, lead, state = [], [], []
    for i in range(40):
        for name, delay in (("coil", 0.0), ("answer", 0.0007)):
            at += [i * 0.02 + delay, i * 0.02 + delay + 0.002]
            lead += [name] * 2
            state += [1, 0]
    order = np.argsort(at, kind="stable")
    table = {"time_s": np.array(at)[order], "lead": np.array(lead)[order], "state": np.array(state)[order]}
    pq.write_table(pa.table(table), tmp_path / "a.parquet")
    done = imported(tmp_path / "a.parquet")
    back = read_back(done)
    assert set(back) == {"coil", "answer"}
    assert np.nanmean(back["coil"]) == pytest.approx(0.1, abs=0.005)
    pq.write_table(pa.table(table).take(pa.array(np.arange(160)[::-1].copy())), tmp_path / "a.parquet")
    with pytest.raises(RecordingError, match="sort the rows by time"):
        imported(tmp_path / "a.parquet")


def test_mdf(tmp_path: Path) -> None:
    mf4 = pytest.importorskip("mf4_rs")
    writer = mf4.MdfWriter(str(tmp_path / "a.mf4"))
    writer.init_mdf_file()
    group = writer.add_channel_group("leads")
    writer.add_time_channel(group, "t")
    writer.add_float32_channel(group, "lead")
    writer.start_data_block(group)
    writer.write_columns(group, [np.arange(400) / 1e5, RAMP.astype(np.float32)], ["f64", "f32"])
    writer.finish_data_block(group)
    writer.finalize()
    done = imported(tmp_path / "a.mf4")
    assert (done.rate_hz, done.n_samples) == (1e5, 400)
    np.testing.assert_array_equal(read_back(done)["lead"], RAMP)


@pytest.mark.parametrize("kind", [kind for kind in WRITERS if kind not in ("csv", "semicolons")])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.9])
def test_cut_off_files_are_refused_or_shorter(kind: str, share: float, tmp_path: Path) -> None:
    name, write, options = WRITERS[kind]
    path = write(tmp_path / name, {"lead": np.arange(2000) % 50 / 10.0})
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    if kind == "wav" and share:  # the sound library takes what is there
        assert import_recording([path], tmp_path / "out.parquet", options=options).n_samples < 2000
        return
    with pytest.raises(RecordingError, match=path.name):
        import_recording([path], tmp_path / "out.parquet", options=options)
    assert not list(tmp_path.glob("out*"))


FOREIGN: dict[str, Any] = {
    "empty": (b"", "is empty"),
    "binary": (bytes(range(256)) * 20, "not text of a kind"),
    "utf-16": ("time_s,a\n0,1\n".encode("utf-16"), "UTF-16"),
    "pdf": (b"%PDF-1.7 ...", "is a PDF"),
}


@pytest.mark.parametrize("kind", FOREIGN)
def test_foreign_files_are_refused(kind: str, tmp_path: Path) -> None:
    data, message = FOREIGN[kind]
    (tmp_path / "a.bin").write_bytes(data)
    with pytest.raises(RecordingError, match=message):
        imported(tmp_path / "a.bin")


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="cannot be opened"):
        imported(tmp_path / "a.csv")


@pytest.mark.parametrize("places", [[17], [0], [399], [17, 18], [0, 399]])
def test_an_infinite_instant_is_no_instant(places: list[int], tmp_path: Path) -> None:
    time_s = np.arange(RAMP.size) / 1e5
    time_s[places] = np.inf
    pq.write_table(pa.table({"time_s": time_s, "lead": RAMP}), tmp_path / "a.parquet")
    with pytest.raises(RecordingError, match=r"a\.parquet.*the time (is no number|runs backwards)"):
        imported(tmp_path / "a.parquet")
    pq.write_table(pa.table({"time_s": -time_s, "lead": RAMP}), tmp_path / "b.parquet")
    with pytest.raises(RecordingError, match=r"b\.parquet"):
        imported(tmp_path / "b.parquet")
