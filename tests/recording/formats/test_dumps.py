"""Value change dumps: the example of pyvcd's documentation, odd dumps, and pyvcd's own tokens as the slow reference."""

from __future__ import annotations

import io
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize

from miner.errors import RecordingError
from miner.recording.formats.base import ImportOptions, Notes
from miner.recording.formats.edges import vcd
from tests.recording.formats.written import imported, read_back

GOLDEN = """\
$date today $end
$timescale 1 ns $end
$scope module a $end
$scope module b $end
$scope module c $end
$var integer 8 ! counter $end
$var real 64 " x $end
$upscope $end
$upscope $end
$upscope $end
$enddefinitions $end
#0
$dumpvars
b1010 !
r1.23 "
$end
#1
b1100 !
#2
b1110 !
#3
b10000 !
#4
b10010 !
#5
r3.21 "
"""
"""Output of the example in the README of pyvcd 0.5.1 (https://github.com/SanDisk-Open-Source/pyvcd)."""

HEAD = """\
$timescale 1us $end
$scope module engine $end
$var wire 1 ! coil $end
$var wire 1 " crank $end
$upscope $end
$enddefinitions $end
"""


def dump(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "a.vcd"
    path.write_text(text, encoding="ascii")
    return path


def test_example_of_pyvcd(tmp_path: Path) -> None:
    done = imported(dump(tmp_path, GOLDEN), rate_hz=1e9)
    back = read_back(done)
    assert list(back) == ["counter", "x"]
    assert back["counter"][:6].tolist() == [10, 12, 14, 16, 18, 18]
    np.testing.assert_allclose(back["x"][[0, 1, 2, 3, 4]], 1.23, rtol=1e-6)
    assert back["x"][-1] == pytest.approx(3.21)


def test_unknown_states_are_gaps(tmp_path: Path) -> None:
    done = imported(dump(tmp_path, HEAD + '#0\nx!\n0"\n#10\n1!\n#20\nz!\n#30\n0!\n#40\n'), rate_hz=1e6)
    back = read_back(done)
    assert np.flatnonzero(np.isnan(back["coil"])).tolist() == [*range(10), *range(20, 30)]
    assert not np.isnan(back["crank"]).any()


def test_grid_of_the_dump_is_the_rate(tmp_path: Path) -> None:
    done = imported(dump(tmp_path, HEAD + '#0\n0!\n0"\n#10\n1!\n#26\n0!\n1"\n#40\n'))
    assert done.rate_hz == 500_000.0
    back = read_back(done)
    assert np.flatnonzero(back["coil"]).tolist() == [5, 6, 7, 8, 9, 10, 11, 12]


def test_a_long_pause_costs_nothing(tmp_path: Path) -> None:
    done = imported(dump(tmp_path, HEAD + '#0\n0!\n0"\n#100\n1!\n#3100\n0!\n#60000001\n'))
    assert done.n_samples == 15_000_002
    assert done.path.stat().st_size < 100_000  # of 60 MB of samples


def test_spikes_that_are_lost_are_told(tmp_path: Path) -> None:
    head = HEAD.replace("1us", "1ns")
    done = imported(dump(tmp_path, head + '#0\n0!\n0"\n#100003\n1!\n#100010\n0!\n#900000\n'))
    assert "1 change lies less than 8 µs from the one before" in done.remarks[0]
    assert not imported(dump(tmp_path, head + '#0\n0!\n0"\n#100003\n1!\n#200010\n0!\n#900000\n')).remarks


BAD = {
    "no declarations": ("$timescale 1 ns $end\n#0\n1!\n", "no \\$enddefinitions"),
    "no timescale": (HEAD.replace("$timescale 1us $end\n", "") + "#0\n1!\n#5\n0!\n", "no \\$timescale"),
    "no signals": ("$timescale 1 ns $end\n$enddefinitions $end\n#0\n", "declares no signals"),
    "no changes": (HEAD, "holds no changes"),
    "undeclared": (HEAD + "#0\n1!\n#7\n1?\n", r"line 10: '1\?' is no change of a declared signal"),
    "backwards": (HEAD + "#7\n1!\n#5\n0!\n", r"line 9: '#5' is no change .* its time runs backwards"),
    "garbage": (HEAD + "#0\n1!\nhello\n#5\n0!\n", r"line 9: 'hello'"),
    "bad vector": (HEAD + "#0\nb12 !\n#5\n0!\n", r"line 8: 'b12'"),
}


@pytest.mark.parametrize("kind", BAD)
def test_what_cannot_be_read_is_refused_with_its_line(kind: str, tmp_path: Path) -> None:
    text, message = BAD[kind]
    with pytest.raises(RecordingError, match=message):
        imported(dump(tmp_path, text))
    assert not list(tmp_path.glob("out*"))


def test_keep_going_makes_a_gap_until_the_next_change(tmp_path: Path) -> None:
    done = imported(dump(tmp_path, HEAD + '#0\n1!\n0"\n#4\n?!\n#9\n0!\n#12\n1"\n#20\n'), keep_going=True, rate_hz=1e6)
    back = read_back(done)
    assert np.flatnonzero(np.isnan(back["coil"])).tolist() == [4, 5, 6, 7, 8]
    assert done.n_unreadable == 1
    assert "line 11" in done.remarks[0]


def slow_changes(data: bytes) -> dict[str, list[tuple[int, float]]]:
    """Return the changes by code, from pyvcd's tokens."""
    now, found = 0, {}
    states = {"0": 0.0, "1": 1.0}
    for token in tokenize(io.BytesIO(data)):
        if token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            code, value = token.scalar_change
            found.setdefault(code, []).append((now, states.get(value, math.nan)))
        elif token.kind is TokenKind.CHANGE_VECTOR:
            code, number = token.vector_change
            found.setdefault(code, []).append((now, float(number) if isinstance(number, int) else math.nan))
        elif token.kind is TokenKind.CHANGE_REAL:
            code, real = token.real_change
            found.setdefault(code, []).append((now, real))
    return found


CHANGE = st.one_of(
    st.tuples(st.just("!"), st.sampled_from("01xzXZ")),
    st.tuples(st.just('"'), st.sampled_from(["b0 ", "b101 ", "B11 ", "bx1 "])),
    st.tuples(st.just("#1"), st.floats(-9, 9).map(lambda v: f"r{v!r} ")),
)


@settings(max_examples=80, deadline=None)
@given(
    steps=st.lists(st.tuples(st.integers(0, 10**6), st.lists(CHANGE, max_size=4)), min_size=1), block=st.integers(3, 60)
)
def test_same_changes_as_the_slow_reader(
    steps: list[tuple[int, list[tuple[str, str]]]], block: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    text = '$timescale 1 ns $end\n$var wire 1 ! a $end\n$var reg 8 " b $end\n'
    text += "$var real 64 #1 c $end\n$enddefinitions $end\n"
    now = 0
    for step, changes in steps:
        now += step
        text += f"#{now}\n$comment between $end\n" + "".join(f"{value}{code}\n" for code, value in changes)
    path = dump(tmp_path_factory.mktemp("vcd"), text)
    signals, _ = vcd._declared(vcd._header(path)[0], path)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(vcd, "_BLOCK_BYTES", block)
        pieces = list(vcd._changes(path, vcd._header(path)[1], signals, set(signals), ImportOptions(), Notes()))
    expected = slow_changes(text.encode())
    for code, name in signals.items():
        found = [pair for piece in pieces for pair in zip(*(part.tolist() for part in piece.leads[name]), strict=True)]
        np.testing.assert_equal(found, expected.get(code.decode(), []))
