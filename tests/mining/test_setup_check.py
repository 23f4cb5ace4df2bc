"""A setup that does not fit the signals is refused before anything is ranked, unless one goes by it all the same."""

from __future__ import annotations

from pathlib import Path

import pytest

from miner.errors import SetupError
from miner.mining.steps import MineSettings, mine_recording
from tests.pipelines.small import SETUP, leads, write

SIX = SETUP.replace("cylinders = 4", "cylinders = 6").replace("[1, 3, 4, 2]", "[1, 5, 3, 6, 2, 4]")


def test_a_wrong_setup_is_refused_with_the_reading_that_fits(tmp_path: Path) -> None:
    recording, setup = write(tmp_path, setup=SIX)
    with pytest.raises(SetupError, match=r"drive\.parquet, key 'engine': .*: 4 cylinders fits clearly better") as told:
        mine_recording(recording, setup, tmp_path / "out")
    assert "--as-described" in str(told.value)
    assert not list((tmp_path / "out").glob("*"))


@pytest.mark.slow
def test_going_by_it_all_the_same_marks_the_findings(tmp_path: Path) -> None:
    recording, setup = write(tmp_path, leads(8.0), setup=SIX)
    summary = mine_recording(recording, setup, tmp_path / "out", settings=MineSettings(as_described=True)).summary
    assert summary["setup_fit"]["fits"] is False
    assert summary["setup_fit"]["better_reading"] == "4 cylinders"
    assert summary["warnings"][0].startswith("the setup does not fit the signals: 4 cylinders fits clearly better")
