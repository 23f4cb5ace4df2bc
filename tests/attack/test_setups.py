"""Setups that are wrong on purpose: one sentence each, quickly, and never a setup that means something else."""

from __future__ import annotations

import random
import string
from pathlib import Path

import pytest

from miner.engine.setup import Setup, load_setup
from miner.errors import MAX_SENTENCE, SetupError
from tests.pipelines.small import SETUP

HEAD = "[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n"
NUMBERS = [
    "nan", "-nan", "inf", "-inf", "1e308", "-1e308", "5e-324", "0", "-1", "1" * 4300, "1" * 5000, "0x" + "f" * 5000,
    "true", '""', "[]", "{}", "1979-05-27T07:32:00Z", '"' + "x" * 5000 + '"', "[" * 3000 + "]" * 3000,
]  # fmt: skip
PLACES = [
    "[engine]\ncylinders = {}\nfiring_order = [1, 3, 4, 2]\n",
    "[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, {}]\n",
    "[engine]\ncylinders = 4\nfiring_order = {}\n",
    HEAD + "strokes = {}\n",
    HEAD + "firing_angles_deg = [0, 180, 360, {}]\n",
    HEAD + "firing_angles_deg = [{}, 180, 360, 540]\n",
    HEAD + "firing_angles_deg = {}\n",
    HEAD + "layout = {}\n",
    "sample_rate_hz = {}\n" + HEAD,
    HEAD + '[[channel]]\ncolumn = {}\nrole = "feedback"\n',
    HEAD + '[[channel]]\ncolumn = "a"\nrole = {}\n',
    HEAD + '[[channel]]\ncolumn = "a"\nrole = "command"\ncylinder = {}\n',
    HEAD + '[[channel]]\ncolumn = "a"\nrole = "feedback"\ncylinders = [{}]\n',
    HEAD + '[[channel]]\ncolumn = "a"\nrole = "feedback"\nactive = {}\n',
    "channel = {}\n" + HEAD,
    "engine = {}\n",
]


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
    draw = random.Random(seed)
    text = list(SETUP)
    for _ in range(draw.randint(1, 6)):
        at = draw.randrange(len(text))
        text[at : at + draw.choice((0, 1, 5))] = draw.choice((*string.printable, "\x00", "é", "\u202e", "[[", '"""'))
    path = tmp_path / "car.toml"
    path.write_bytes("".join(text).encode("utf-8", "surrogatepass"))
    right_or_refused(path)


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    draw = random.Random(3)
    for n in (1, 100, 10_000):
        (tmp_path / "car.toml").write_bytes(draw.randbytes(n))
        assert right_or_refused(tmp_path / "car.toml") is None
    (tmp_path / "dir.toml").mkdir()
    assert right_or_refused(tmp_path / "dir.toml") is None
    assert right_or_refused(tmp_path / ("x" * 5000)) is None
