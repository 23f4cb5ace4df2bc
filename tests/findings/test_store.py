from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from miner.errors import FindingsError
from miner.findings.store import SCRATCH, SUMMARY, Findings, replacing
from miner.schema import EVENTS, GAPS, SUSPECTS
from tests.findings.samples import events, finished


def test_table_comes_back_as_written(tmp_path: Path) -> None:
    findings = Findings(tmp_path / "deep" / "folder")
    findings.write_table(EVENTS, events())
    assert findings.read_table(EVENTS).equals(events())


def test_same_rows_give_same_bytes_whatever_their_chunks(tmp_path: Path) -> None:
    rows = events(100)
    pieces = pa.concat_tables([rows.slice(0, 7), rows.slice(7, 60), rows.slice(67)])
    first = Findings(tmp_path / "a").write_table(EVENTS, rows).read_bytes()
    assert Findings(tmp_path / "b").write_table(EVENTS, pieces).read_bytes() == first


def test_columns_carry_unit_and_meaning(tmp_path: Path) -> None:
    path = Findings(tmp_path).write_table(EVENTS, events())
    field = pq.read_schema(path).field("delay_us")
    assert field.metadata[b"unit"] == b"us"
    assert b"asserting edge" in field.metadata[b"meaning"]


def test_undeclared_columns_are_a_defect_of_ours(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="not the declared ones"):
        Findings(tmp_path).write_table(SUSPECTS, events())
    assert not list(tmp_path.iterdir())


class FullDiskError(OSError):
    def __init__(self) -> None:
        super().__init__(errno.ENOSPC, "No space left on device")


def test_full_disk_leaves_the_table_of_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    findings = Findings(tmp_path)
    before = findings.write_table(EVENTS, events(8)).read_bytes()

    def full(descriptor: int) -> None:
        raise FullDiskError

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FindingsError, match=r"events\.parquet: cannot be written \(the disk is full\); make room"):
        findings.write_table(EVENTS, events(9))
    assert [p.name for p in tmp_path.iterdir()] == ["events.parquet"]
    assert findings.path_of(EVENTS).read_bytes() == before


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Give a disk of 256 KB, where the system lets us."""
    place = tmp_path / "disk"
    place.mkdir()
    if not sys.platform.startswith("linux") or os.geteuid() != 0:
        pytest.skip("needs root on Linux")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(place)], check=False, capture_output=True
    )
    if mounted.returncode:
        pytest.skip("this machine lets nobody mount")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_truly_full_disk(small_disk: Path) -> None:
    (small_disk / "filler").write_bytes(os.urandom(200_000))
    findings = Findings(small_disk)
    rows = events(20_000, time_s=[0.001 * i + 0.1234567 * (i % 7) for i in range(20_000)])
    with pytest.raises(FindingsError, match="the disk is full"):
        findings.write_table(EVENTS, rows)
    assert [p.name for p in small_disk.iterdir()] == ["filler"]


def test_file_in_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(FindingsError, match=r"cannot be written .*choose another folder"):
        Findings(tmp_path / "out").require_writable()


def test_open_file_on_windows_is_explained(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def shut(self: Path, target: Path) -> None:
        raise PermissionError(errno.EACCES, "Access is denied")

    monkeypatch.setattr(Path, "replace", shut)
    with pytest.raises(FindingsError, match="close the file where another program has it open"):
        Findings(tmp_path).write_table(GAPS, GAPS.empty())
    assert not list(tmp_path.iterdir())


def test_writable_folder_is_left_clean(tmp_path: Path) -> None:
    Findings(tmp_path / "new").require_writable()
    assert not list((tmp_path / "new").iterdir())


def test_error_inside_the_block_leaves_nothing(tmp_path: Path) -> None:
    def half_done() -> None:
        with replacing(tmp_path / "x.bin") as temporary:
            temporary.write_bytes(b"half")
            _ = 1 / 0

    with pytest.raises(ZeroDivisionError):
        half_done()
    assert not list(tmp_path.iterdir())


def test_json_is_plain(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="JSON"):
        Findings(tmp_path).write_json(SUMMARY, {"rate": float("nan")})
    assert not list(tmp_path.iterdir())
    Findings(tmp_path).write_json(SUMMARY, {"b": "Ω", "a": 1})
    assert (tmp_path / SUMMARY).read_bytes() == '{\n  "a": 1,\n  "b": "Ω"\n}\n'.encode()


@pytest.mark.parametrize(("name", "content"), [("events.parquet", b"PAR1 cut off"), ("summary.json", b"{")])
def test_damaged_file_is_named(tmp_path: Path, name: str, content: bytes) -> None:
    findings = finished(tmp_path)
    (tmp_path / name).write_bytes(content)
    with pytest.raises(FindingsError, match=name.replace(".", r"\.") + ".*mine the recording again"):
        findings.summary() if name == SUMMARY else findings.read_table(EVENTS)


def test_table_of_another_version_is_refused(tmp_path: Path) -> None:
    findings = finished(tmp_path)
    pq.write_table(events().drop_columns(["slot"]), findings.path_of(EVENTS))
    with pytest.raises(FindingsError, match="not the declared ones"):
        findings.read_table(EVENTS)


def test_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(FindingsError, match="there is no such folder"):
        Findings(tmp_path / "nowhere").summary()


def test_scratch_goes_away_and_takes_a_killed_runs_with_it(tmp_path: Path) -> None:
    killed = tmp_path / f"{SCRATCH}x"
    killed.mkdir()
    with Findings(tmp_path).scratch() as scratch:
        (scratch.folder / "part").write_text("x")
        assert not killed.exists()
    assert not list(tmp_path.iterdir())
