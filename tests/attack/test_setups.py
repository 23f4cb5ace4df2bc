"""Setups that are wrong on purpose: one sentence each, quickly, and never a setup that means something else."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

from miner.engine.setup import Setup, load_setup
from miner.errors import MAX_SENTENCE, SetupError
from tests.attack.bad_setups import NUMBERS, PLACES, bad_setup, damaged_text
from tests.attack.test_bad_recordings import check_said, mined_or_refused
from tests.pipelines.small import leads, write

LEADS = leads(4.0)


def right_or_refused(path: Path) -> Setup | None:
    try:
        return load_setup(path)
    except SetupError as error:
        said = str(error)
    assert len(said) <= MAX_SENTENCE
    assert said.isprintable()
    return None


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("number", NUMBERS, ids=lambda text: text[:12])
def test_values_of_every_kind_at_every_place(tmp_path: Path, place: str, number: str) -> None:
    path = tmp_path / "car.toml"
    path.write_text(place.format(number), encoding="utf-8")
    setup = right_or_refused(path)
    if setup is not None:  # whatever is accepted is an engine whose angles can be reckoned with
        intervals = setup.engine.pattern.intervals_deg()
        assert min(intervals) > 0.0
        assert sum(intervals) == pytest.approx(setup.engine.pattern.cycle_deg)


@pytest.mark.parametrize("seed", range(200))
def test_damaged_setups(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "car.toml"
    path.write_bytes(damaged_text(seed))
    right_or_refused(path)


def attack(folder: Path, seed: int) -> str:
    """Mine a good recording by a bad setup; return ``right`` or ``refused``, never anything else."""
    recording, setup = write(folder, dict(LEADS))
    setup.write_bytes(bad_setup(seed))
    return mined_or_refused(folder, recording, setup, f"seed {seed}")


@pytest.mark.parametrize("seed", range(60))
def test_mined_by_a_bad_setup(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], seed: int
) -> None:
    monkeypatch.setattr(sys, "argv", [])
    done = attack(tmp_path, seed)
    check_said(done, capfd.readouterr().err)


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    draw = random.Random(3)
    for n in (1, 100, 10_000):
        (tmp_path / "car.toml").write_bytes(draw.randbytes(n))
        assert right_or_refused(tmp_path / "car.toml") is None
    (tmp_path / "dir.toml").mkdir()
    assert right_or_refused(tmp_path / "dir.toml") is None
    assert right_or_refused(tmp_path / ("x" * 5000)) is None
