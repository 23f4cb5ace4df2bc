"""Damaged findings by the hundred: every command says what it said before, or one sentence; nothing else is changed.

The long run is ``python -m tests.performance.bench_attack findings``.
"""

from __future__ import annotations

import base64
import json
import shutil
import sys
import zlib
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from miner.errors import MAX_SENTENCE, MinerError
from miner.findings.store import SUMMARY
from miner.findings.whole import REPORT_FILE, understood
from miner.mining.steps import mine_recording
from miner.review.content import events_between, open_page, usual_for, verdicts_since
from miner.review.figures import figure_data
from miner.review.packing import pack, unpack
from miner.review.source import ReviewSource
from miner.review.verdicts import VERDICTS_FILE
from miner.review.views import ViewReader
from pipelines.command import main
from tests.attack.bad_findings import damage
from tests.pipelines.small import leads, write

Said = tuple[object, str, str]
Capture = Callable[[], tuple[str, str]]

COMMANDS = (
    ("export", "{folder}", "--to", "{away}/e.csv"),
    ("export", "{folder}", "--to", "{away}/s.parquet", "--table", "suspects"),
    ("export", "{folder}", "--to", "{away}/w.xlsx"),
    ("sensitivity", "{folder}"),
    ("report", "{folder}"),
    ("review", "{folder}"),
)
WRITES = {"report": {REPORT_FILE, SUMMARY}}
"""Files of the findings that a command may write."""


def whole(folder: Path) -> Path:
    """Mine a small recording, decide about some of its suspects, and return the findings."""
    recording, setup = write(folder, dict(leads(14.0, absent=(150, 203))))
    findings = mine_recording(recording, setup, folder / "findings").folder
    source = ReviewSource(findings)
    for event in source.suspects.slice(0, 3).select(["time_s", "cylinder", "kind"]).to_pylist():
        source.verdicts.decide(**event, verdict="fault", note="seen", seen_revision=None)
    return findings


def content(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def looked_at(folder: Path) -> str:
    """Ask all that the review page asks; return what cannot be shown."""
    source = ReviewSource(folder)
    header, arrays = open_page(source)
    pack(header, arrays)
    pack(*figure_data(source))
    for suspect in header["suspects"][:3]:
        window = suspect["window_start_s"], suspect["window_end_s"]
        ViewReader(source).view(*window, 300)
        events_between(source, *window)
        usual_for(source, suspect["cylinder"], 1500.0)
    return "\n".join((*source.missing, *verdicts_since(source, 0)["damaged_verdicts"]))


def run(arguments: tuple[str, ...], captured: Capture) -> Said:
    """Run a command in this process; the review is asked what its page asks, and ends as a command would."""
    captured()
    if arguments[0] == "review":
        try:
            with understood(arguments[1]):
                return 0, looked_at(Path(arguments[1])), ""
        except MinerError as error:
            return 2, "", f"{error}\n"
    sys.argv = ["ignition-miner", *arguments]
    try:
        main()
    except SystemExit as ended:
        return ended.code, *captured()
    raise AssertionError("a command ends by itself")


def attack(findings: Path, folder: Path, seed: int, captured: Capture, good: dict[int, dict[str, object]]) -> str:
    """Damage a copy of findings and run a command on it; return ``right`` or ``refused``.

    Parameters
    ----------
    good : dict
        What each command, by its place, said and wrote of the whole findings; filled in on the way.

    Raises
    ------
    AssertionError
        If it was neither, or changed what it must not.
    """
    place = seed // 7 % len(COMMANDS)
    if place not in good:
        good[place] = _asked(findings, folder / "good", place, captured, lambda _: ("", True))[0]
    told, said, what = _asked(findings, folder / "bad", place, captured, lambda copy: damage(copy, seed))
    code, err = told["code"], str(told["err"])
    where = f"seed {seed} ({what[0]}) {COMMANDS[place][0]}: exit code {code}, {err[:400]}"
    assert code in (0, 2), where
    assert not told["changed"], f"{where}: changed {told['changed']}"
    if code == 2:
        assert err.count("\n") == 1, where
        assert len(err) <= MAX_SENTENCE + 1, where
        assert err[:-1].isprintable(), where
        assert not told["wrote"], f"{where}: something half-done was left"
        return "refused"
    assert err == "", where
    if what[1] and not said:
        assert {k: told[k] for k in ("out", "wrote")} == {k: good[place][k] for k in ("out", "wrote")}, where
    return "right"


def _asked(
    findings: Path, folder: Path, place: int, captured: Capture, spoil: Callable[[Path], tuple[str, bool]]
) -> tuple[dict[str, object], bool, tuple[str, bool]]:
    """Return what a command said and wrote of a spoilt copy, and whether it said that something is missing."""
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "away").mkdir(parents=True)
    copy = Path(shutil.copytree(findings, folder / "findings"))
    what = spoil(copy)
    before, command = content(copy), COMMANDS[place]
    arguments = tuple(word.format(folder=copy, away=folder / "away") for word in command)
    code, out, err = run(arguments, captured)
    after, wrote = content(copy), content(folder / "away")
    may = WRITES.get(command[0], set()) if code == 0 else set()
    changed = [name for name in sorted(before.keys() | after.keys()) if before.get(name) != after.get(name)]
    said = out if command[0] in ("review", "export") else ""
    if code == 0 and command[0] == "report":
        wrote[REPORT_FILE] = after[REPORT_FILE]
        said = "\n".join(frozen_missing(after[REPORT_FILE]))
    told = {
        "code": code, "out": out.replace(str(folder), ""), "err": err, "wrote": wrote,
        "changed": [name for name in changed if name not in may and not _passes(name)],
    }  # fmt: skip
    return told, "damage" in said or "the decisions cannot be read" in said, what


def _passes(name: str) -> bool:
    """Whether a file comes and goes: beside a base, and of a finished run that waits for its place."""
    return name.startswith((f"{VERDICTS_FILE}-", ".ready/"))


def frozen_missing(report: bytes) -> list[str]:
    """Return what a frozen page says is missing."""
    start = report.index(b'id="frozen">') + len(b'id="frozen">')
    data = json.loads(report[start : report.index(b"</script>", start)])
    header, _ = unpack(zlib.decompress(base64.b64decode(data["open"])))
    return [str(sentence) for sentence in (*header["missing"], *header["damaged_verdicts"])]


SEEDS = range(210)


def test_damaged_findings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(sys, "argv", [])
    findings = whole(tmp_path)
    good: dict[int, dict[str, object]] = {}
    ended = Counter(attack(findings, tmp_path / "work", seed, capfd.readouterr, good) for seed in SEEDS)
    assert min(ended["right"], ended["refused"]) > len(SEEDS) // 20, ended
