"""Bad recordings by the dozen: findings, or one sentence and exit code 2; and the input is as it was.

The long run is ``python -m tests.performance.bench_attack``.
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import pytest

from miner.errors import MAX_SENTENCE
from miner.findings.store import Findings
from miner.findings.whole import damaged_files
from pipelines.command import main
from tests.attack.bad_recordings import write_bad


def attack(folder: Path, seed: int) -> str:
    """Mine one bad recording; return ``right`` or ``refused``.

    Raises
    ------
    AssertionError
        If it was neither.
    """
    recording, setup, damage = write_bad(folder, seed)
    return mined_or_refused(folder, recording, setup, f"seed {seed} ({damage})")


def mined_or_refused(folder: Path, recording: Path, setup: Path, what: str) -> str:
    """Mine; a warning counts as an error, findings must be whole, and the input as it was."""
    before = {path: path.read_bytes() for path in (recording, setup)}
    out = folder / "out"
    sys.argv = ["ignition-miner", "mine", str(recording), "--setup", str(setup), "--out", str(out)]
    code: object = None
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            main()
        except SystemExit as ended:
            code = ended.code
    assert code in (0, 2), f"{what}: exit code {code}"
    assert {path: path.read_bytes() for path in before} == before, f"{what}: the input was changed"
    if code == 2:
        assert not out.exists(), f"{what}: something half-done was left"
        return "refused"
    assert damaged_files(Findings(out)) == [], what
    return "right"


def check_said(done: str, err: str) -> None:
    """Check what was said on standard error: one sentence of a refusal, nothing else."""
    if done == "refused":
        assert err.count("\n") == 1
        assert len(err) <= MAX_SENTENCE + 1
        assert err[:-1].isprintable()
    else:
        assert err == ""


@pytest.mark.parametrize("seed", range(88))
def test_bad_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], seed: int
) -> None:
    monkeypatch.setattr(sys, "argv", [])
    done = attack(tmp_path, seed)
    check_said(done, capfd.readouterr().err)
