"""Findings know that they are whole, and new ones take the place of old ones all at once."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from miner.errors import FindingsError
from miner.findings.store import READY, SUMMARY, TIMING, Findings
from miner.findings.whole import contents_of, damaged_files, generation_of, require_whole, reseal, understood
from miner.findings.whole import sealed as sealed_summary
from tests.findings.samples import finished


def sealed(folder: Path, **changes: Any) -> Findings:
    """Write a finished folder whose summary says what its files hold."""
    findings = finished(folder, **changes)
    findings.write_json(SUMMARY, {**findings.summary(), "files": contents_of(folder)})
    return findings


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_whole_findings(tmp_path: Path) -> None:
    findings = sealed(tmp_path)
    assert damaged_files(findings) == []
    assert set(findings.summary()["files"]) == {"events.parquet", "suspects.parquet", "incidents.parquet"}
    findings.write_json(TIMING, {"total_s": 1.0})
    require_whole(findings)


@pytest.mark.parametrize("how", ["bit", "cut", "gone", "other"])
def test_damage_of_any_kind(tmp_path: Path, how: str) -> None:
    findings = sealed(tmp_path)
    path = tmp_path / "suspects.parquet"
    content = bytearray(path.read_bytes())
    if how == "gone":
        path.unlink()
    else:
        content[len(content) // 2] ^= 4
        path.write_bytes({"bit": content, "cut": content[:-1], "other": b"x" * len(content)}[how])
    assert damaged_files(findings) == ["suspects.parquet"]
    assert damaged_files(findings, ["events.parquet"]) == []
    with pytest.raises(FindingsError, match=r"suspects\.parquet: the file is missing or not as it was written"):
        require_whole(findings)


def test_findings_of_older_versions_are_taken_as_they_are(tmp_path: Path) -> None:
    assert damaged_files(finished(tmp_path)) == []


def test_generation_is_of_the_content(tmp_path: Path) -> None:
    one, same = sealed(tmp_path / "a").summary(), sealed(tmp_path / "b").summary()
    other = sealed(tmp_path / "c", reasons=["another reason"])
    assert generation_of(one) == generation_of(same) != generation_of(other.summary())
    (other.folder / "report.html").write_text("frozen")
    before = generation_of(other.summary())
    reseal(other, "report.html")
    assert "report.html" in other.summary()["files"]
    assert generation_of(other.summary()) == before


class PulledPlugError(BaseException):
    """Ends a run at once, as the kernel would."""


def moves_until(monkeypatch: pytest.MonkeyPatch, last: int) -> None:
    """Let the plug be pulled at the n-th renaming or removing of a file."""
    n_moves = [0]
    for name in ("replace", "unlink"):
        really = getattr(Path, name)

        def counted(self: Path, *args: Any, _really: Any = really, **kwargs: Any) -> Any:
            n_moves[0] += 1
            if n_moves[0] > last:
                raise PulledPlugError
            return _really(self, *args, **kwargs)

        monkeypatch.setattr(Path, name, counted)


def generations(tmp_path: Path) -> Iterator[Path]:
    """Yield old findings with a decision and a table that new ones lack, and new ones ready to be published."""
    old = finished(tmp_path / "out")
    (old.folder / "extra.parquet").write_text("only the old ones have it")
    old.write_json(SUMMARY, {**old.summary(), "files": contents_of(old.folder)})
    (old.folder / "verdicts.sqlite").write_text("decisions")
    new = sealed(tmp_path / "out" / ".half-done-x" / "findings", reasons=["another reason"])
    yield old.folder
    yield new.folder


@pytest.mark.parametrize("last", range(9))
def test_a_plug_pulled_at_any_moment_leaves_old_or_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, last: int
) -> None:
    out, prepared = generations(tmp_path)
    old = {name: content for name, content in bytes_of(out).items() if not name.startswith(".")}
    new = {**bytes_of(prepared), "verdicts.sqlite": b"decisions"}
    with monkeypatch.context() as patched:
        moves_until(patched, last)
        try:
            Findings(out).publish(prepared)
        except PulledPlugError:
            pass
        else:
            assert last >= 6, "four files, the folder, and what is left of the old ones"
    shutil.rmtree(out / ".half-done-x", ignore_errors=True)
    findings = Findings(out)
    assert findings.is_complete
    assert damaged_files(findings) == []
    assert bytes_of(out) in (old, new)
    assert (bytes_of(out) == old) == (last == 0)
    assert not (out / READY).exists()


def test_two_processes_that_settle_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out, prepared = generations(tmp_path)
    new = {**bytes_of(prepared), "verdicts.sqlite": b"decisions"}
    really, inner = Path.replace, []

    def overtaken(self: Path, target: Path) -> Path:
        moved = really(self, target)
        if not inner:  # another reader opens the folder now, and moves all the rest
            inner.append(self)
            Findings(out).summary()
        return moved

    monkeypatch.setattr(Path, "replace", overtaken)
    Findings(out).publish(prepared)
    shutil.rmtree(out / ".half-done-x", ignore_errors=True)
    assert bytes_of(out) == new


def test_summary_of_another_shape(tmp_path: Path) -> None:
    findings = sealed(tmp_path)
    for text in ("[1, 2]", "3", "[" * 100_000, json.dumps("x")):
        (tmp_path / SUMMARY).write_text(text)
        with pytest.raises(FindingsError, match="cannot be read"):
            findings.summary()


@pytest.mark.parametrize("left", ["", "{", "[1]", "a folder"])
def test_a_damaged_summary_that_waits_takes_no_other_ones_place(tmp_path: Path, left: str) -> None:
    findings = sealed(tmp_path / "out")
    waiting = findings.folder / READY
    waiting.mkdir()
    if left == "a folder":
        (waiting / SUMMARY).mkdir()
    else:
        (waiting / SUMMARY).write_text(left)
    before = bytes_of(findings.folder)
    assert damaged_files(findings) == []
    assert bytes_of(findings.folder) == before
    new = sealed(tmp_path / "out" / ".half-done-x" / "findings", reasons=["another reason"]).folder
    wanted = bytes_of(new)
    findings.publish(new)
    shutil.rmtree(new.parent)
    assert bytes_of(findings.folder) == wanted


def test_what_a_version_does_not_know_is_told_and_a_defect_stays_one(tmp_path: Path) -> None:
    older, ours = finished(tmp_path / "older"), sealed(tmp_path / "ours")
    ours.write_json(SUMMARY, sealed_summary(ours.summary()))
    with pytest.raises(FindingsError, match="does not know"), understood(older.folder):
        raise KeyError("explained")
    with pytest.raises(KeyError), understood(ours.folder):
        raise KeyError("explained")
