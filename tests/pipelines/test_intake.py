"""From a file of any format to something that can be mined."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from miner.engine.setup import load_setup
from miner.errors import RunError, SetupError
from miner.recording.formats.base import ImportOptions
from pipelines.intake import COPY, taken_in
from pipelines.setup_dialogue import ask_setup
from pipelines.show.console import open_console
from tests.pipelines.small import RATE_HZ, SETUP, leads

ENGINE = SETUP.split("[[channel]]")[0]


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("csv") / "drive.csv"
    columns = leads(12.0)
    time_s = np.arange(columns["lead_1"].size) / RATE_HZ
    rows = np.column_stack([time_s, *columns.values()])
    np.savetxt(path, rows, fmt=["%.5f", "%.3f", "%.3f"], delimiter=",", header="time_s,lead_1,lead_2", comments="")
    return path


def test_a_table_without_a_setup_can_be_mined(table: Path, tmp_path: Path) -> None:
    with taken_in(open_console(), table, None, tmp_path, ImportOptions(), cylinders=4) as taken:
        assert taken.recording == tmp_path / COPY
        setup = load_setup(taken.setup)
        assert [(c.column, c.role) for c in setup.channel] == [("lead_1", "command"), ("lead_2", "feedback")]
        assert any("imported 1,200,000 samples" in remark for remark in taken.remarks)
    assert (tmp_path / COPY).exists()


def test_the_copy_is_thrown_away_when_asked(table: Path, tmp_path: Path) -> None:
    setup = tmp_path / "car.toml"
    setup.write_text(SETUP)
    with taken_in(open_console(), table, setup, tmp_path / "out", ImportOptions(), keep_copy=False) as taken:
        assert taken.recording.exists()
        assert taken.setup == setup
    assert not taken.recording.exists()
    assert not (tmp_path / "out" / COPY).exists()


def test_a_setup_without_leads_gets_them_from_the_signals(table: Path, tmp_path: Path) -> None:
    setup = tmp_path / "car.toml"
    setup.write_text(ENGINE)
    with taken_in(open_console(), table, setup, tmp_path / "out", ImportOptions()) as taken:
        assert load_setup(taken.setup).engine.firing_order == (1, 3, 4, 2)
    setup.write_text("[engine]\ncylinders = 6\nfiring_order = [1, 2, 3, 4, 5, 6]\n")
    with (
        pytest.raises(SetupError, match="fires 6 coils in turn, the leads show 4"),
        taken_in(open_console(), table, setup, tmp_path / "other", ImportOptions()),
    ):
        pass
    assert not (tmp_path / "other").exists()


def test_a_copy_never_replaces_a_recording_of_somebody_else(table: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "recording.parquet").write_bytes(b"mine")
    with (
        pytest.raises(RunError, match="no copy of an earlier run"),
        taken_in(open_console(), table, None, tmp_path / "out", ImportOptions()),
    ):
        pass
    assert (tmp_path / "out" / "recording.parquet").read_bytes() == b"mine"


def answer(monkeypatch: pytest.MonkeyPatch, console: Any, *answers: str) -> None:
    left = list(answers)

    def next_answer(*_: object, **__: object) -> str:
        if not left:
            raise EOFError
        return left.pop(0)

    monkeypatch.setattr(console, "input", next_answer)


def test_five_questions_make_a_setup(table: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    console = open_console()
    answer(monkeypatch, console, str(table), "four", "4", "", "1", "")
    setup = load_setup(ask_setup(console, tmp_path / "s.toml", ImportOptions()))
    assert setup.engine.firing_order == (1, 3, 4, 2)
    assert [(c.column, c.role, c.cylinder) for c in setup.channel] == [
        ("lead_1", "command", 1),
        ("lead_2", "feedback", None),
    ]


def test_answers_that_end_leave_nothing(table: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    console = open_console()
    answer(monkeypatch, console, str(table), "4")
    with pytest.raises(RunError, match="the answers ended"):
        ask_setup(console, tmp_path / "s.toml", ImportOptions())
    assert not list(tmp_path.iterdir())
