"""Which files are the parts of a recording, and in which order."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.errors import RecordingError
from miner.recording.chunks import iter_chunks
from miner.recording.folder import fingerprint, in_name_order, part_files
from miner.recording.reader import open_recording
from tests.recording.made import write_recording


@given(st.lists(st.integers(0, 10_000), min_size=1, max_size=30, unique=True), st.integers(0, 6), st.randoms())
def test_numbers_count_whatever_their_length(numbers: list[int], width: int, mixed: random.Random) -> None:
    wanted = [Path(f"drive 2 part_{n:0{width}d}.parquet") for n in sorted(numbers)]
    given = mixed.sample(wanted, len(wanted))
    assert in_name_order(given) == wanted


def test_samples_come_in_the_order_of_the_numbers(tmp_path: Path) -> None:
    for n in (1, 2, 10, 11):
        ending = "PARQUET" if n == 2 else "parquet"
        write_recording(tmp_path / f"part_{n}.{ending}", {"lead": np.full(50, n, np.int16)})
    chunks = list(iter_chunks(open_recording(tmp_path), ["lead"]))
    assert np.concatenate([c.raw["lead"] for c in chunks]).tolist() == np.repeat([1, 2, 10, 11], 50).tolist()


@pytest.mark.parametrize(
    "names",
    [
        ("part_1", "part_01"),
        ("Part_1", "part_1"),
        ("part_0a9f", "part_0a10"),  # hexadecimal numbers: as text and as decimals in two orders
    ],
)
def test_order_that_nobody_can_tell(tmp_path: Path, names: tuple[str, ...]) -> None:
    for name in names:
        write_recording(tmp_path / f"{name}.parquet", {"lead": np.zeros(50, np.int16)})
    with pytest.raises(RecordingError, match=r"same number|do not say in which order"):
        open_recording(tmp_path)
    assert fingerprint(tmp_path).startswith("unreadable")


def test_names_that_are_passed_over_change_nothing(tmp_path: Path) -> None:
    write_recording(tmp_path / "part_1.parquet", {"lead": np.zeros(50, np.int16)})
    before = fingerprint(tmp_path)
    for name in ("~part_2.parquet", "_part_2.parquet", ".part_2.parquet", "part_2.parquet.tmp", "notes.txt"):
        (tmp_path / name).write_bytes(b"x")
    assert fingerprint(tmp_path) == before
    assert [part.name for part in part_files(tmp_path)] == ["part_1.parquet"]


def test_a_replaced_part_is_noticed(tmp_path: Path) -> None:
    for n in (1, 2):
        write_recording(tmp_path / f"part_{n}.parquet", {"lead": np.zeros(50, np.int16)})
    recording = open_recording(tmp_path)
    recording.require_unchanged()
    write_recording(tmp_path / "part_2.parquet", {"lead": np.ones(50, np.int16)})
    with pytest.raises(RecordingError, match="replaced or is still growing"):
        recording.require_unchanged()
