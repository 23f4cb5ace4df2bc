"""Bad recordings by the dozen: findings, or one sentence and exit code 2; and the input is as it was.

The long run is ``python -m tests.performance.bench_attack``.
"""

from __future__ import annotations

import sys
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
    before = {path: path.read_bytes() for path in (recording, setup)}
    out = folder / "out"
    sys.argv = ["ignition-miner", "mine", str(recording), "--setup", str(setup), "--out", str(out)]
    code: object = None
    try:
        main()
    except SystemExit as ended:
        code = ended.code
    assert code in (0, 2), f"seed {seed} ({damage}): exit code {code}"
    assert {path: path.read_bytes() for path in before} == before, f"seed {seed} ({damage}): the input was changed"
    if code == 2:
        assert not out.exists(), f"seed {seed} ({damage}): something half-done was left"
        return "refused"
    assert damaged_files(Findings(out)) == [], f"seed {seed} ({damage})"
    return "right"


@pytest.mark.parametrize("seed", range(44))
def test_bad_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], seed: int
) -> None:
    monkeypatch.setattr(sys, "argv", [])
    done = attack(tmp_path, seed)
    err = capfd.readouterr().err
    if done == "refused":
        assert err.count("\n") == 1
        assert len(err) <= MAX_SENTENCE + 1
        assert err[:-1].isprintable()
    else:
        assert err == ""
