"""Whatever a name holds, a message is one sentence of at most 300 characters that no terminal obeys."""

from __future__ import annotations

import io
import sys
import unicodedata

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from rich.table import Table
from rich.text import Text

from miner.errors import MAX_SENTENCE, RecordingError, plain_text
from pipelines.command import main
from pipelines.overnight.tasks import Failure
from pipelines.show.console import guarded, open_console

names = st.text(st.characters(codec=None), max_size=400)


def is_harmless(text: str) -> bool:
    return all(unicodedata.category(c) not in ("Cc", "Cs", "Zl", "Zp") for c in text) and not set(text) & set(
        "\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
    )


@given(names, names, names, names, names, st.integers(0, 10**18))
@example("\x1b]0;x\x07" * 90, "\r\n" * 90, "\x9b31m" * 90, "\u202e" * 300, "\ud800" * 300, 10**18)
def test_a_message_is_short_and_harmless(problem: str, remedy: str, file: str, column: str, key: str, row: int) -> None:
    error = RecordingError(problem, remedy=remedy, file=file, column=column, key=key, row=row)
    assert len(str(error)) <= MAX_SENTENCE
    assert is_harmless(str(error))
    failure = Failure(kind="input", problem=error.problem, remedy=error.remedy)
    assert is_harmless(failure.problem + failure.remedy)
    assert max(len(failure.problem), len(failure.remedy)) <= MAX_SENTENCE


def test_short_messages_stay_as_they_are() -> None:
    error = RecordingError("it is empty", remedy="record again", file="Fahrt nach Süden.parquet", row=3)
    assert str(error) == "Fahrt nach Süden.parquet, row 3: it is empty; record again."
    long = RecordingError("it is empty", remedy="record again", file="f" * 500)
    assert str(long).endswith(": it is empty; record again.")


@given(names)
@example("\x1b[31m\x07\n")
def test_what_is_printed_cannot_steer_the_terminal(name: str) -> None:
    console = open_console()
    console.file = io.StringIO()
    table = Table()
    table.add_column("name", overflow="fold")
    table.add_row(Text(name))
    console.print(table)
    console.print(name, markup=False, soft_wrap=True)
    assert is_harmless(console.file.getvalue().replace("\n", "").encode("utf-8", "replace").decode())


@pytest.mark.parametrize(
    "arguments",
    [
        ["mine", "\x1b[31mdrive.parquet", "--setup", "s.toml", "--out", "o", "--\x1b[2J"],
        ["mine", "\x1b[31mdrive.parquet", "--setup", "\x1b[2Js.toml", "--out", "o"],
        ["mine", "d.parquet", "--setup", "s.toml", "--out", "o", "--rate-hz", "\x1b[31m"],
        ["\x1b]0;owned\x07"],
        ["review", "\x9b31m" * 200],
        ["export", "\r\nx", "--to", "y" * 4000],
    ],
)
def test_arguments_cannot_either(
    arguments: list[str], monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["ignition-miner", *arguments])
    with pytest.raises(SystemExit) as ended:
        main()
    out, err = capfd.readouterr()
    assert ended.value.code == 2
    assert out == ""
    assert err.count("\n") == 1
    assert is_harmless(err.rstrip("\n"))
    assert len(err) <= MAX_SENTENCE + 1


def test_ctrl_c_is_told(capfd: pytest.CaptureFixture[str]) -> None:
    def interrupted() -> None:
        raise KeyboardInterrupt

    assert guarded(interrupted) == 130
    assert capfd.readouterr().err.startswith("ended by Ctrl-C")


def test_plain_text_leaves_letters_alone() -> None:
    assert plain_text("Motor µ Ω 点火 🚗") == "Motor µ Ω 点火 🚗"
