"""The same samples in every format, written with plain means."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet as pq
import soundfile
from numpy.typing import NDArray
from vcd import VCDWriter

from miner.recording.formats.base import ImportOptions
from miner.recording.importing import Imported, import_recording
from miner.recording.reader import open_recording
from miner.recording.windows import read_window

RATE_HZ = 100_000
Volts = dict[str, NDArray[Any]]


def csv_lines(volts: Volts, delimiter: str, decimal: str, rate_hz: float = RATE_HZ) -> str:
    names = list(volts)
    lines = [delimiter.join(["time_s", *names])]
    for i, row in enumerate(zip(*volts.values(), strict=True)):
        lines.append(delimiter.join([f"{i / rate_hz:.5f}", *(f"{v:.4f}" for v in row)]).replace(".", decimal))
    return "\n".join(lines) + "\n"


def as_csv(path: Path, volts: Volts) -> Path:
    path.write_text(csv_lines(volts, ",", "."), encoding="utf-8")
    return path


def as_semicolons(path: Path, volts: Volts) -> Path:
    path.write_text(csv_lines(volts, ";", ","), encoding="utf-8")
    return path


def as_npy(path: Path, volts: Volts) -> Path:
    structured = np.zeros(len(next(iter(volts.values()))), [(name, np.float64) for name in volts])
    for name, values in volts.items():
        structured[name] = values
    np.save(path, structured)
    return path


def as_npz(path: Path, volts: Volts) -> Path:
    np.savez_compressed(path, sample_rate_hz=np.array(float(RATE_HZ)), **volts)
    return path


def as_wav(path: Path, volts: Volts) -> Path:
    frames = np.stack([np.round(v / 10.0 * 2**15) for v in volts.values()], axis=1).astype(np.int16)
    soundfile.write(path, frames, RATE_HZ, subtype="PCM_16")
    return path


def as_hdf5(path: Path, volts: Volts) -> Path:
    with h5py.File(path, "w") as file:
        file.attrs["sample_rate_hz"] = float(RATE_HZ)
        for name, values in volts.items():
            file.create_dataset(name, data=values, chunks=True, compression="gzip")
    return path


def as_arrow(path: Path, volts: Volts) -> Path:
    n = len(next(iter(volts.values())))
    time = pa.array(np.arange(n) * (10**9 // RATE_HZ) + 1_800_000_000_000_000_000, pa.timestamp("ns"))
    pyarrow.feather.write_feather(pa.table({"when": time, **volts}), str(path), chunksize=5000)
    return path


def as_lists(path: Path, volts: Volts) -> Path:
    """Write rows of 100 samples each, the last one shorter."""
    n = len(next(iter(volts.values())))
    cuts = list(range(0, n, 100))
    table: dict[str, Any] = {"time_s": [cut / RATE_HZ for cut in cuts]}
    table |= {name: [list(values[cut : cut + 100]) for cut in cuts] for name, values in volts.items()}
    pq.write_table(pa.table(table), path)
    return path


def as_long(path: Path, volts: Volts) -> Path:
    """Write one row a sample and lead."""
    n = len(next(iter(volts.values())))
    time = np.repeat(np.arange(n) / RATE_HZ, len(volts))
    values = np.stack(list(volts.values()), axis=1).reshape(-1)
    pq.write_table(pa.table({"time_s": time, "lead": list(volts) * n, "value": values}), path)
    return path


def as_vcd(path: Path, edges: dict[str, list[tuple[int, int]]], *, tick: str = "1 ns") -> Path:
    """Write edges (tick, new state) of lines that begin with 0."""
    with path.open("w", encoding="ascii") as file, VCDWriter(file, timescale=tick) as writer:
        signals = {name: writer.register_var("engine", name, "wire", size=1, init=0) for name in edges}
        rows = sorted((at, name, state) for name, ones in edges.items() for at, state in ones)
        for at, name, state in rows:
            writer.change(signals[name], at, state)
        writer.close(rows[-1][0] * 101 // 100)
    return path


WRITERS: dict[str, tuple[str, Callable[[Path, Volts], Path], ImportOptions]] = {
    "csv": ("a.csv", as_csv, ImportOptions()),
    "semicolons": ("a.txt", as_semicolons, ImportOptions()),
    "npy": ("a.npy", as_npy, ImportOptions(rate_hz=RATE_HZ)),
    "npz": ("a.npz", as_npz, ImportOptions()),
    "wav": ("a.wav", as_wav, ImportOptions(volts_full_scale=10.0)),
    "hdf5": ("a.h5", as_hdf5, ImportOptions()),
    "arrow": ("a.feather", as_arrow, ImportOptions()),
    "lists": ("a.parquet", as_lists, ImportOptions()),
    "long": ("b.parquet", as_long, ImportOptions()),
}


def imported(*files: Path, **options: Any) -> Imported:
    """Import beside the first file."""
    return import_recording(files, files[0].with_name("out.parquet"), options=ImportOptions(**options))


def read_back(done: Imported) -> dict[str, NDArray[np.float32]]:
    """Return all volts of what was imported."""
    recording = open_recording(done.path)
    return read_window(recording, list(recording.channels), 0.0, 1e9, max_samples=1 << 40).volts
