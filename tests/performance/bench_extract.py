"""Speed and memory of pulse extraction beside the bare decoding of the same columns, in the same run.

``python -m tests.performance.bench_extract [seconds]``; four leads at 1 MS/s, a subprocess per way of storing them.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import psutil
import pyarrow as pa
import pyarrow.parquet as pq

COLUMNS = [f"lead_{k}" for k in range(1, 5)]
RATE_HZ = 1_000_000
WAYS: dict[str, dict[str, object]] = {
    "int16 snappy": {"compression": "snappy"},
    "int16 snappy, no dictionary": {"compression": "snappy", "use_dictionary": False},
    "int16 zstd": {"compression": "zstd"},
    "int16 uncompressed": {"compression": "none"},
    "int16 snappy, one row group": {"compression": "snappy", "one_group": True},
    "float32 snappy": {"compression": "snappy", "float": True},
}


def _second(rng: np.random.Generator, k: int) -> np.ndarray:
    counts = rng.normal(82, 8, RATE_HZ).astype(np.float32)
    for start in range(3000 + 7000 * k, RATE_HZ - 4000, 28_000):
        counts[start : start + 3000] += 2000
    return np.round(counts).astype(np.int16)


def write(path: Path, seconds: int, way: dict[str, object]) -> None:
    """Write a recording second by second."""
    options = dict(way)
    one_group, as_float = options.pop("one_group", False), options.pop("float", False)
    rng = np.random.default_rng(0)
    leads = [_second(rng, k) for k in range(4)]
    kind = pa.float32() if as_float else pa.int16()
    scale = {} if as_float else {"scale": "0.0024"}
    fields = [pa.field(c, kind, metadata=scale or None) for c in COLUMNS]
    schema = pa.schema(fields, metadata={"sample_rate_hz": str(RATE_HZ)})
    arrays = [pa.array(lead * np.float32(0.0024) if as_float else lead) for lead in leads]
    table = pa.table(arrays, schema=schema)
    with pq.ParquetWriter(path, schema, **options) as writer:
        if one_group:
            writer.write_table(pa.concat_tables([table] * seconds), row_group_size=seconds * RATE_HZ)
            return
        for _ in range(seconds):
            writer.write_table(table)


def _timed(work: Callable[[], object]) -> tuple[float, float]:
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - cpu


def measure(path: Path) -> None:
    """Print the figures of one recording; runs in its own process so that peak memory is its own."""
    from miner.recording.reader import open_recording
    from miner.signal.extract import extract_pulses
    from miner.signal.leads import LeadSpec
    from miner.signal.looks.profile import profile_leads

    def decode() -> None:
        for _ in pq.ParquetFile(path, pre_buffer=False).iter_batches(1 << 19, columns=COLUMNS):
            pass

    recording = open_recording(path)
    leads = [LeadSpec(index=i, column=c, role="command") for i, c in enumerate(COLUMNS)]
    profiles = profile_leads(recording, leads)
    bare = _timed(decode)
    full = _timed(lambda: extract_pulses(recording, leads, profiles))
    memory = psutil.Process().memory_info()
    peak_mb = getattr(memory, "peak_wset", None) or _peak_kib() * 1024
    recorded_s = recording.n_samples / recording.rate_hz
    print(  # noqa: T201
        f"bare {recorded_s / bare[0]:5.0f} x, extraction {recorded_s / full[0]:5.0f} x real time, "
        f"{full[0] / bare[0]:.2f} times bare decoding ({full[1] / bare[1]:.2f} in core-seconds), "
        f"{full[1] / recorded_s * 3600:.0f} core-seconds an hour, peak {peak_mb / 1e6:.0f} MB"
    )


def _peak_kib() -> int:
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def main() -> None:
    """Measure every way of storing, or with a path that recording."""
    if len(sys.argv) > 1 and not sys.argv[1].isdigit():
        measure(Path(sys.argv[1]))
        return
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 120
    with tempfile.TemporaryDirectory() as folder:
        for name, way in WAYS.items():
            path = Path(folder) / "r.parquet"
            write(path, seconds, way)
            run = [sys.executable, "-m", "tests.performance.bench_extract", str(path)]
            subprocess.run(run, check=True, capture_output=True)  # compiles the kernels and warms the file
            figures = subprocess.run(run, check=True, capture_output=True, text=True).stdout
            print(f"{name:30s} {figures.strip()}")  # noqa: T201


if __name__ == "__main__":
    main()
