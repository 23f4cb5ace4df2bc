"""No command writes over a recording, a setup or anything else that it did not write itself, however it is spelt."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from miner.recording.importing import import_recording
from pipelines.command import main
from tests.findings.samples import finished
from tests.pipelines.small import leads, write

Refuse = Callable[..., str]


def content(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture
def refuse(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Refuse:
    """Run a command that must end with one sentence, code 2 and every file below the place as it was."""

    def refuse(*arguments: object) -> str:
        before = content(tmp_path)
        monkeypatch.setattr(sys, "argv", ["ignition-miner", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        err = capfd.readouterr().err
        assert ended.value.code == 2, err
        assert err.count("\n") == 1
        assert content(tmp_path) == before
        return err

    return refuse


@pytest.fixture
def place(tmp_path: Path) -> Path:
    write(tmp_path, dict(leads(3.0)))
    return tmp_path


def spelt(path: Path) -> list[Path]:
    """Return the same folder by other names."""
    linked = path.parent / "link to it"
    linked.unlink(missing_ok=True)
    linked.symlink_to(path, target_is_directory=True)
    return [path, path / ".." / path.name, linked, Path(os.path.relpath(path))]


@pytest.mark.parametrize("name", ["events.parquet", "suspects.parquet", "windows.parquet", "envelope.parquet"])
def test_recording_with_the_name_of_a_table(place: Path, refuse: Refuse, name: str) -> None:
    folder = place / "x"
    folder.mkdir()
    (place / "drive.parquet").rename(folder / name)
    for out in spelt(folder):
        said = refuse("mine", folder / name, "--setup", place / "car.toml", "--out", out)
        assert "written over the input" in said


@pytest.mark.parametrize("kind", ["link", "hard link"])
def test_link_to_the_recording(place: Path, refuse: Refuse, kind: str) -> None:
    out = place / "out"
    out.mkdir()
    if kind == "link":
        (out / "events.parquet").symlink_to(place / "drive.parquet")
    else:
        (out / "events.parquet").hardlink_to(place / "drive.parquet")
    said = refuse("mine", place / "drive.parquet", "--setup", place / "car.toml", "--out", out)
    assert "written over the input" in said


def test_setup_with_the_name_of_the_summary(place: Path, refuse: Refuse) -> None:
    out = place / "out"
    out.mkdir()
    (place / "car.toml").rename(out / "summary.json")
    said = refuse("mine", place / "drive.parquet", "--setup", out / "summary.json", "--out", out)
    assert "written over the input" in said


def test_folder_of_parts(place: Path, refuse: Refuse) -> None:
    folder = place / "drive"
    folder.mkdir()
    (place / "drive.parquet").rename(folder / "part_1.parquet")
    for out in spelt(folder):
        assert "written over the input" in refuse("mine", folder, "--setup", place / "car.toml", "--out", out)


@pytest.mark.parametrize("name", ["events.parquet", "gaps.parquet", "summary.json", "report.html", "recording.json"])
def test_files_of_somebody_else(place: Path, refuse: Refuse, name: str) -> None:
    out = place / "out"
    out.mkdir()
    if name.endswith(".parquet"):
        pq.write_table(pa.table({"lead_1": [1.0, 2.0]}), out / name)
    else:
        (out / name).write_text('{"mine": 1}')
    said = refuse("mine", place / "drive.parquet", "--setup", place / "car.toml", "--out", out)
    assert "no finding of this tool" in said


def test_recording_put_among_findings(place: Path, refuse: Refuse) -> None:
    findings = finished(place / "out")
    pq.write_table(pa.table({"lead_1": [1.0, 2.0]}), findings.folder / "events.parquet")
    said = refuse("mine", place / "drive.parquet", "--setup", place / "car.toml", "--out", findings.folder)
    assert "no finding of this tool" in said


@pytest.fixture
def findings(place: Path) -> Path:
    """Give findings that name the recording they are of."""
    made = finished(place / "f")
    summary = made.read_json("summary.json")
    summary["recording"]["path"] = str(place / "drive.parquet")
    made.write_json("summary.json", summary)
    return made.folder


def test_export_over_the_recording(place: Path, findings: Path, refuse: Refuse) -> None:
    (place / "other.parquet").symlink_to(place / "drive.parquet")
    (place / "same.parquet").hardlink_to(place / "drive.parquet")
    for name in ("drive.parquet", "other.parquet", "same.parquet"):
        assert "written over the input" in refuse("export", findings, "--to", place / name)
        assert "written over the input" in refuse("export", findings, "--to", place / name, "--overwrite")


def test_export_over_findings(place: Path, findings: Path, refuse: Refuse) -> None:
    for name in ("events.parquet", "suspects.parquet"):
        for folder in spelt(findings):
            said = refuse("export", findings, "--to", folder / name, "--overwrite", "--table", "suspects")
            assert "written over the input" in said


def test_export_over_anything_else(place: Path, findings: Path, refuse: Refuse) -> None:
    pq.write_table(pa.table({"lead_1": [1.0, 2.0]}), place / "another.parquet")
    (place / "scope.csv").write_text("time,volts\n0,1\n")
    (place / "letter.xlsx").write_text("not a workbook")
    for name in ("another.parquet", "scope.csv", "letter.xlsx"):
        assert "--overwrite" in refuse("export", findings, "--to", place / name)
        assert "no export of this tool" in refuse("export", findings, "--to", place / name, "--overwrite")


def test_export_again_needs_a_word(
    place: Path, findings: Path, refuse: Refuse, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("e.csv", "e.parquet", "e.xlsx"):
        for asked in ([], ["--overwrite"]):
            monkeypatch.setattr(
                sys, "argv", ["ignition-miner", "export", str(findings), "--to", str(place / name), *asked]
            )
            with pytest.raises(SystemExit) as ended:
                main()
            assert ended.value.code == 0
        assert "--overwrite" in refuse("export", findings, "--to", place / name)


@pytest.fixture
def table(place: Path) -> Path:
    """Give samples that have to be imported."""
    path = place / "scope.csv"
    path.write_text("time_s,feedback_v\n" + "".join(f"{i / 1000},{i % 7}\n" for i in range(500)))
    return path


def test_import_over_its_input(place: Path, table: Path, refuse: Refuse) -> None:
    (place / "other.parquet").symlink_to(table)
    (place / "same.parquet").hardlink_to(table)
    (place / "away").symlink_to(place, target_is_directory=True)
    for out in (table, place / "other.parquet", place / "same.parquet", place / "away" / table.name):
        assert "would replace an input" in refuse("import", table, "--out", out)
    assert "would replace an input" in refuse("import", table, place / "drive.parquet", "--out", table)


def test_import_over_anything_else(place: Path, table: Path, refuse: Refuse) -> None:
    pq.write_table(pa.table({"lead_1": [1.0, 2.0]}), place / "another.parquet")
    (place / "letter.txt").write_text("not a recording")
    (place / "linked.parquet").symlink_to(place / "drive.parquet")
    for name in ("drive.parquet", "another.parquet", "letter.txt", "car.toml", "linked.parquet"):
        assert "is no import of this tool" in refuse("import", table, "--out", place / name)


def test_an_import_may_be_made_again(place: Path, table: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for _ in range(2):
        monkeypatch.setattr(sys, "argv", ["ignition-miner", "import", str(table), "--out", str(place / "r.parquet")])
        with pytest.raises(SystemExit) as ended:
            main()
        assert ended.value.code == 0


def test_an_import_of_something_else_is_replaced_where_that_is_wished(
    place: Path, table: Path, refuse: Refuse, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = place / "r.parquet"
    import_recording([table], out)
    table.write_text(table.read_text().replace("0.01,3", "0.01,4"))
    assert "another import lies there already; give --out another name, or add --overwrite" in refuse(
        "import", table, "--out", out
    )
    monkeypatch.setattr(sys, "argv", ["ignition-miner", "import", str(table), "--out", str(out), "--overwrite"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 0
    assert pq.read_table(out)["feedback_v"][10].as_py() == 4.0


@pytest.mark.parametrize("name", ["drive.parquet", "car.toml", "letter.txt"])
def test_a_setup_over_anything(place: Path, refuse: Refuse, name: str) -> None:
    (place / "letter.txt").write_text("not a setup")
    assert "this lies there already; give --out another name" in refuse("setup", "--out", place / name)


@pytest.mark.parametrize("kind", ["link", "hard link", "copy", "itself"])
def test_kept_copy_over_the_input(place: Path, table: Path, refuse: Refuse, kind: str) -> None:
    """Also where findings lie beside it, so that it might be the copy of an earlier run."""
    out = finished(place / "out").folder
    kept = out / "recording.parquet"
    given = table
    match kind:
        case "link":
            kept.symlink_to(table)
        case "hard link":
            kept.hardlink_to(table)
        case "copy":
            kept.write_bytes((place / "drive.parquet").read_bytes())
        case _:
            given = table.rename(kept)
    for where in spelt(out):
        said = refuse("mine", given, "--setup", place / "car.toml", "--out", where)
        assert "lies where the imported copy would" in said


def test_found_setup_over_the_given_one(place: Path, table: Path, refuse: Refuse) -> None:
    out = place / "out"
    out.mkdir()
    (out / "setup.toml").write_text("[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n")
    refuse("mine", place / "drive.parquet", "--setup", out / "setup.toml", "--out", out)
    refuse("leads", place / "drive.parquet", "--cylinders", "4", "--out", place / "drive.parquet")
    refuse("leads", place / "drive.parquet", "--cylinders", "4", "--out", place / "car.toml")


def test_demo_over_a_recording(place: Path, refuse: Refuse) -> None:
    (place / "drive.parquet").rename(place / "recording.parquet")
    assert "not of an earlier demo" in refuse("demo", "--out", place, "--minutes", "1")


def test_overnight_over_what_it_searches(place: Path, refuse: Refuse) -> None:
    for out in spelt(place)[:2]:
        assert "searched for recordings" in refuse("overnight", place, "--out", out)
    (place / "out").mkdir()
    (place / "out" / "overview.html").write_text("the house for sale")
    assert "not of an earlier run" in refuse("overnight", place, "--out", place / "out")


def test_overnight_leaves_nothing_where_there_is_nothing(place: Path, refuse: Refuse) -> None:
    (place / "empty").mkdir()
    assert "there is no such folder" in refuse("overnight", place / "nowhere", "--out", place / "out")
    assert "no recording lies" in refuse("overnight", place / "empty", "--out", place / "out")
    assert not (place / "out").exists()
