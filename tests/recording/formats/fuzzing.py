"""Damaged files: a good small file of each format, spoilt in ways that follow from a number."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from miner.errors import RecordingError
from miner.recording.chunks import iter_chunks
from miner.recording.formats.base import ImportOptions
from miner.recording.importing import import_recording
from miner.recording.reader import open_recording
from tests.recording.formats.test_dumps import HEAD
from tests.recording.formats.written import WRITERS

LONGEST_S = 20.0
"""No small file may keep an importer busy for longer, however loaded the machine is."""

SAMPLES_A_BYTE = 1 << 22
"""Most samples that a byte of input may become: a change with a far instant is a long run of one value."""

DIGITS = b"0123456789eE+-.,;#x \n\t\"'naif"


def good_files(folder: Path) -> dict[str, tuple[str, bytes, ImportOptions]]:
    """Return name, content and options of a good file of each kind."""
    volts = {"lead_1": np.arange(60) % 5 / 2.0, "lead_2": np.arange(60) % 7 / 4.0}
    found = {}
    for kind, (name, write, options) in WRITERS.items():
        found[kind] = (name, write(folder / name, volts).read_bytes(), options)
    changes = "".join(f"#{i * 37}\n{i % 2}!\n" for i in range(40))
    found["vcd"] = ("a.vcd", (HEAD + changes).encode(), ImportOptions())
    return found


def spoilt(data: bytes, rng: np.random.Generator) -> bytes:
    """Return the content with one to four things done to it."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 5))):
        at = int(rng.integers(0, max(len(out), 1)))
        n = int(rng.integers(1, 40))
        way = int(rng.integers(6))
        if way == 0:
            del out[at:]
        elif way == 1:
            del out[at : at + n]
        elif way == 2:
            out[at:at] = out[at : at + n]
        elif way == 3:
            out[at:at] = bytes(rng.integers(0, 256, n, dtype=np.uint8))
        elif way == 4 and out:
            out[at % len(out)] ^= 1 << int(rng.integers(8))
        else:
            out[at : at + 1] = bytes([DIGITS[int(rng.integers(len(DIGITS)))]])
    return bytes(out)


def try_one(number: int, files: dict[str, tuple[str, bytes, ImportOptions]], folder: Path) -> str:
    """Import one spoilt file; return what became of it, or fail where it is neither a recording nor a refusal."""
    rng = np.random.default_rng(number)
    kind = sorted(files)[int(rng.integers(len(files)))]
    name, data, options = files[kind]
    path, out = folder / name, folder / "out.parquet"
    path.write_bytes(spoilt(data, rng))
    keep_going = bool(rng.integers(2))
    began, said = time.monotonic(), ""
    try:
        done = import_recording(
            [path], out, options=ImportOptions(**{**vars_of(options), "keep_going": keep_going, "columns": ()})
        )
    except RecordingError as error:
        said, outcome = str(error), "refused"
    else:
        assert 0 < done.n_samples <= SAMPLES_A_BYTE * max(path.stat().st_size, 1)
        assert done.n_unreadable == 0 or (keep_going and done.remarks)
        recording = open_recording(out)
        assert recording.n_samples == done.n_samples
        outcome = "imported"
    if outcome == "refused":
        assert name in said
        assert not out.exists()
    assert time.monotonic() - began < LONGEST_S
    if kind in ("lists", "long"):
        read_anyway(path)
    out.unlink(missing_ok=True)
    return f"{kind} {outcome}"


def vars_of(options: ImportOptions) -> dict[str, object]:
    return {name: getattr(options, name) for name in ImportOptions.__dataclass_fields__}


def read_anyway(path: Path) -> None:
    """Let the reader have it as well."""
    try:
        recording = open_recording(path, rate_hz=1e5)
        for _ in iter_chunks(recording, list(recording.channels)):
            pass
    except RecordingError as error:
        said = str(error)
    else:
        return
    assert path.name in said
