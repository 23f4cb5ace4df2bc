"""A flipped bit in the pages of a file that carries checksums is refused; it never becomes another value."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from miner.errors import FindingsError, RecordingError
from miner.findings.store import Findings
from miner.recording.chunks import iter_chunks
from miner.recording.reader import open_recording
from miner.review.verdicts import VERDICTS, Decision, VerdictStore
from miner.schema import SUSPECTS
from miner.synthetic.presets import demo_hour
from miner.synthetic.writer import write_recording
from tests.findings.samples import finished
from tests.recording.made import write_recording as write_samples

FLIPS = 150


def pages(path: Path) -> tuple[int, int]:
    """Return where the first page begins and the last one ends, in bytes."""
    with pq.ParquetFile(path) as file:
        columns = [
            file.metadata.row_group(g).column(c)
            for g in range(file.num_row_groups)
            for c in range(file.metadata.num_columns)
        ]
    starts = [column.dictionary_page_offset or column.data_page_offset for column in columns]
    return min(starts), max(start + c.total_compressed_size for start, c in zip(starts, columns, strict=True))


def flip(path: Path, whole: bytes, at: int, bit: int) -> None:
    damaged = bytearray(whole)
    damaged[at] ^= 1 << bit
    path.write_bytes(damaged)


def values_of(path: Path) -> list[np.ndarray]:
    return [chunk.raw["lead"] for chunk in iter_chunks(open_recording(path), ["lead"])]


@pytest.mark.parametrize("dictionary", [False, True])
def test_recording(tmp_path: Path, dictionary: bool) -> None:
    rng = np.random.default_rng(11)
    path = tmp_path / "drive.parquet"
    samples = rng.integers(-40, 2000, 60_000).astype(np.int16)
    write_samples(
        path, {"lead": samples}, write_page_checksum=True, use_dictionary=dictionary, row_group_size=20_000,
        data_page_size=8192, compression="zstd",
    )  # fmt: skip
    whole, (first, last) = path.read_bytes(), pages(path)
    refused = 0
    for _ in range(FLIPS):
        flip(path, whole, int(rng.integers(first, last)), int(rng.integers(8)))
        try:
            assert np.array_equal(np.concatenate(values_of(path)), samples)
        except RecordingError:
            refused += 1
    assert refused > 0.9 * FLIPS, "the few bits that are not data lie in the headers of the pages"


def test_findings(tmp_path: Path) -> None:
    rng = np.random.default_rng(12)
    findings = finished(tmp_path)
    before = findings.read_table(SUSPECTS)
    path = findings.path_of(SUSPECTS)
    whole, (first, last) = path.read_bytes(), pages(path)
    refused = 0
    for _ in range(FLIPS):
        flip(path, whole, int(rng.integers(first, last)), int(rng.integers(8)))
        try:
            assert Findings(findings.folder).read_table(SUSPECTS).equals(before)
        except FindingsError:
            refused += 1
    assert refused > 0.5 * FLIPS, "short pages have long headers"


def test_made_up_recordings_carry_checksums(tmp_path: Path) -> None:
    written = write_recording(demo_hour(duration_s=2.0), tmp_path)
    whole, (first, last) = written.recording.read_bytes(), pages(written.recording)
    flip(written.recording, whole, (first + last) // 2, 3)
    recording = open_recording(written.recording)
    with pytest.raises(RecordingError, match="cannot be decoded"):
        list(iter_chunks(recording, list(recording.channels)))


def decided(folder: Path) -> VerdictStore:
    """Return a store of 60 decisions about 45 events, with notes, of some pages."""
    store = VerdictStore(folder, "drive")
    for i in range(60):
        store.decide(
            cylinder=None if i % 7 == 0 else 1 + i % 4, time_s=3.7 * (i % 45), kind="late_feedback",
            verdict=VERDICTS[i % 3], note=f"seen {i}, ü" * (i % 5), seen_revision=None,
        )  # fmt: skip
    return store


def is_excused(one: Decision, right: dict[tuple[int | None, float], Decision], damage: str) -> bool:
    """Whether a decision that does not stand is older than one that is named as lost."""
    newer = right.get((one.cylinder, one.time_s))
    return newer is not None and newer.revision > one.revision and "lost by damage" in damage


def test_decisions(tmp_path: Path) -> None:
    rng = np.random.default_rng(13)
    store = decided(tmp_path)
    right = {(one.cylinder, one.time_s): one for one in store.since()}
    whole, before = store.path.read_bytes(), set(store.since())
    named = refused = 0
    for at in rng.choice(len(whole), 8 * FLIPS, replace=False):
        flip(store.path, whole, int(at), int(rng.integers(8)))
        where = f"byte {at}"
        try:
            shown, sentences = store.read()
        except FindingsError:
            refused += 1
            continue
        finally:
            for beside in tmp_path.glob(f"{store.path.name}-*"):
                beside.unlink()
        damage = " ".join(sentences)
        assert all(is_excused(one, right, damage) for one in set(shown) - before), where
        assert damage or set(shown) == before, where
        named += bool(damage)
    assert named > FLIPS, "most bytes hold decisions"
    assert refused, "some bytes say how the file is made"
