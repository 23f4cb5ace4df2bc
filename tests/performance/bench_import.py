"""Speed and memory of imports, beside the bare parser: ``python -m tests.performance.bench_import [MB]``.

``python -m tests.performance.bench_import encodings`` measures how fast Parquet encodings are decoded.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from miner.recording.importing import import_recording

N_ROWS = 200_000


def timed(work: Callable[[], Any]) -> tuple[float, float]:
    """Return wall and processor seconds."""
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


def say(words: str) -> None:
    print(words, flush=True)  # noqa: T201


def write_table(path: Path, megabytes: float) -> None:
    rng = np.random.default_rng(0)
    n = np.arange(N_ROWS)
    volts = [np.where((n // 2000) % k == 0, 4.8, 0.1) + rng.normal(0, 0.02, N_ROWS) for k in (10, 7)]
    first = 0
    with path.open("w") as file:
        file.write("time_s,lead_1,lead_2\n")
        while file.tell() < megabytes * 1e6:
            rows = zip((n + first) / 1e6, *volts, strict=True)
            file.write("".join(f"{t:.6f},{a:.4f},{b:.4f}\n" for t, a, b in rows))
            first += N_ROWS


def bench_text(folder: Path, megabytes: float) -> None:
    path = folder / "a.csv"
    write_table(path, megabytes)
    size = path.stat().st_size / 1e6
    wall, processor = timed(lambda: import_recording([path], folder / "a.parquet"))
    bare_wall, bare = timed(lambda: sum(batch.num_rows for batch in pacsv.open_csv(path)))
    say(f"CSV of {size:.0f} MB: {size / wall:.0f} MB/s, {size / processor:.0f} MB a processor second")
    say(
        f"  bare parser {size / bare_wall:.0f} MB/s, {size / bare:.0f} MB a processor second; "
        f"ratio {processor / bare:.2f}"
    )


def write_dump(path: Path, n: int) -> None:
    rng = np.random.default_rng(2)
    at = np.cumsum(rng.integers(400_000, 1_600_000, n))
    with path.open("wb") as file:
        file.write(
            b'$timescale 1 ns $end\n$var wire 1 ! a $end\n$var wire 1 " b $end\n$enddefinitions $end\n#0\n0!\n0"\n'
        )
        for i in range(n):
            file.write(b"#%d\n%d%c\n" % (at[i], (i >> 1) & 1 ^ 1, b'!"'[i & 1]))


def bench_dump(folder: Path, n: int) -> None:
    from vcd.reader import tokenize

    path = folder / "a.vcd"
    write_dump(path, n)
    wall, processor = timed(lambda: import_recording([path], folder / "b.parquet"))
    with path.open("rb") as file:
        bare_wall, bare = timed(lambda: sum(1 for _ in tokenize(file)))
    say(f"VCD of {n:,} changes: {wall:.1f} s, {processor:.1f} processor seconds")
    say(f"  bare tokens of pyvcd {bare_wall:.1f} s, {bare:.1f} processor seconds; ratio {processor / bare:.2f}")
    say(f"  {(folder / 'b.parquet').stat().st_size / 1e6:.2f} MB of Parquet")


def bench_encodings(folder: Path) -> None:
    rng = np.random.default_rng(1)
    n = 8 << 20
    square = (np.arange(n) // 2500) % 12 == 0
    noisy = np.round(np.where(square, 2000, 0) + rng.normal(0, 8, n))
    leads = {"int16 noisy": noisy.astype(np.int16), "int8 two levels": square.astype(np.int8),
             "float32 noisy": (noisy * 0.0024 + rng.normal(0, 1e-3, n)).astype(np.float32)}  # fmt: skip
    ways: dict[str, dict[str, Any]] = {
        "plain": {"use_dictionary": False}, "dictionary": {"use_dictionary": True},
        "stream split": {"use_dictionary": False, "column_encoding": {"a": "BYTE_STREAM_SPLIT"}},
        "differences": {"use_dictionary": False, "column_encoding": {"a": "DELTA_BINARY_PACKED"}},
    }  # fmt: skip
    for name, values in leads.items():
        for way, options in ways.items():
            if way == "differences" and values.dtype.kind == "f":
                continue
            for packing in ("none", "lz4", "zstd"):
                path = folder / "e.parquet"
                pq.write_table(pa.table({"a": values}), path, compression=packing, row_group_size=1 << 20, **options)
                seconds = min(timed(lambda path=path: decode(path))[1] for _ in range(3))
                size = path.stat().st_size / n
                say(f"{name:16s} {way:13s} {packing:5s} {n / seconds / 1e6:6.0f} MS a processor second, {size:.3f} B")


def decode(path: Path) -> None:
    with pq.ParquetFile(path, pre_buffer=False, buffer_size=1 << 20) as file:
        for _ in file.iter_batches(1 << 19, use_threads=False):
            pass


def main(what: str = "1000") -> None:
    with tempfile.TemporaryDirectory() as folder:
        if what == "encodings":
            bench_encodings(Path(folder))
            return
        bench_text(Path(folder), float(what))
        bench_dump(Path(folder), 1_000_000)
        say(f"most memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main(*sys.argv[1:])
