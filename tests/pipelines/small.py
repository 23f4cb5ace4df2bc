"""A small recording of a four-cylinder engine, drawn with plain loops and nothing of ours."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

RATE_HZ = 100_000.0
SETUP = """\
[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]

[[channel]]
column = "lead_1"
role = "command"
cylinder = 1

[[channel]]
column = "lead_2"
role = "feedback"
"""


def leads(seconds: float = 20.0, *, absent: tuple[int, ...] = (), seed: int = 3) -> dict[str, NDArray[np.float32]]:
    """Return command of cylinder 1 and the shared feedback; feedback pulses numbered in ``absent`` are left out."""
    rng = np.random.default_rng(seed)
    n = int(seconds * RATE_HZ)
    command = np.zeros(n, np.float32)
    feedback = np.full(n, 5.0, np.float32)
    slot, at = 0, 0.05
    while at < seconds - 0.1:
        start, stop = int(at * RATE_HZ), int((at + 0.003 + 2e-5 * rng.standard_normal()) * RATE_HZ)
        if slot % 4 == 0:
            command[start:stop] = 5.0
        if slot not in absent:
            answer = start + int(0.0007 * RATE_HZ)
            feedback[answer : answer + int(0.0015 * RATE_HZ)] = 0.3
        rpm = 1500 + 600 * np.sin(2 * np.pi * at / 7.0)
        at += 60.0 / rpm * 2 / 4
        slot += 1
    noise = 0.02 * rng.standard_normal((2, n)).astype(np.float32)
    return {"lead_1": command + noise[0], "lead_2": feedback + noise[1]}


def write(
    folder: Path, columns: dict[str, NDArray[np.generic]] | None = None, *, setup: str = SETUP, rate_hz: float = RATE_HZ
) -> tuple[Path, Path]:
    """Write recording and setup; return their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    table = pa.table(dict(leads() if columns is None else columns))
    recording, described = folder / "drive.parquet", folder / "car.toml"
    pq.write_table(table.replace_schema_metadata({"sample_rate_hz": str(rate_hz)}), recording)
    described.write_text(setup, encoding="utf-8")
    return recording, described
