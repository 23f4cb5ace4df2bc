"""Files spoilt at random are refused with one sentence or imported; more of them: ``tests.performance.fuzz_import``."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.recording.formats.fuzzing import good_files, try_one


@pytest.mark.parametrize("hundred", range(3))
def test_spoilt_files(hundred: int, tmp_path: Path) -> None:
    files = good_files(tmp_path)
    outcomes = [try_one(number, files, tmp_path) for number in range(100 * hundred, 100 * hundred + 100)]
    assert any(outcome.endswith("refused") for outcome in outcomes)
    assert any(outcome.endswith("imported") for outcome in outcomes)
