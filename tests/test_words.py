"""One name for one thing, and numbers as people read them."""

import doctest
import re

import pytest

from miner import words
from miner.expected.measures import MEASURES
from miner.schema import EVENTS, KINDS, QUALITIES


def test_examples_hold():
    assert doctest.testmod(words).failed == 0
    assert doctest.testmod(words).attempted > 10


def test_every_kind_quality_and_measure_has_a_name():
    assert set(words.KIND_MEANINGS) == set(KINDS)
    assert set(words.QUALITY_NAMES) == set(QUALITIES)
    assert {m.column for m in MEASURES} <= set(words.MEASURE_NAMES)
    assert {m.label for m in MEASURES} == {_capital(words.measure_name(m.column)) for m in MEASURES}
    assert set(words.MEASURE_MEANINGS) <= set(words.MEASURE_NAMES)
    assert set(words.MEASURE_NAMES) <= {c.name for c in EVENTS.columns}
    assert not re.search("_", " ".join(words.MEASURE_NAMES.values()) + " ".join(words.KIND_MEANINGS.values()))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


@pytest.mark.parametrize(("n", "text"), [(0, "0 gaps"), (1, "1 gap"), (2, "2 gaps"), (1000, "1,000 gaps")])
def test_counts_have_the_right_plural(n, text):
    assert words.counted(n, "gap") == text


@pytest.mark.parametrize("time_s", [0.0, 0.0004, 59.9994, 59.9996, 3599.9999, 3600.0, 86_399.5, 90_000.25])
def test_the_clock_can_be_read_back(time_s):
    h, m, s = words.clock(time_s).split(":")
    assert float(s) < 60
    assert int(m) < 60
    assert 3600 * int(h) + 60 * int(m) + float(s) == pytest.approx(time_s, abs=5.1e-4)


def test_time_of_day_keeps_the_recordings_own_offset():
    assert words.time_of_day("2024-03-12T07:40:00+01:00", 0.0) == "07:40:00"
    assert words.time_of_day("2024-03-12T07:40:00Z", 3600.0) == "08:40:00"
    assert words.time_of_day("2024-03-12", 61.0) == "00:01:01"


def test_no_unit_is_written_with_a_u():
    assert words.with_unit(12.0, "us").endswith(" µs")
