"""Errors a user can act on, as a tree.

::

    MinerError                 one sentence with file, column, row or key, and the remedy
    |-- RecordingError         the recording cannot be opened, read or trusted
    |-- SetupError             the setup file does not describe this engine or these leads
    |-- SignalError            a lead carries nothing that can be measured
    |-- FindingsError          findings cannot be written or read back
    `-- RunError               a run cannot start or go on (second run, cluster lost, budget too small)

The command line prints ``str(error)`` and ends with exit code 2; nothing else reaches the user. Whatever a name holds,
the sentence has at most `MAX_SENTENCE` characters and none that a terminal would obey.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import Path

__all__ = [
    "MAX_SENTENCE",
    "FindingsError",
    "MinerError",
    "RecordingError",
    "RunError",
    "SetupError",
    "SignalError",
    "near_names",
    "plain_text",
    "shortened",
]

MAX_SENTENCE = 300
"""Characters of one message: four lines of a terminal, more is not read."""

_MAX_FILE, _MAX_NAME = 90, 40
"""Characters shown of a file with its folders, and of a key or a column, where the whole sentence is too long."""

_OBEYED = re.compile("[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""Control characters, marks that turn the direction of writing, line separators, halves of surrogate pairs."""


class MinerError(Exception):
    """Base of all errors that name a place and a remedy.

    Parameters
    ----------
    problem : str
        What is wrong, as a clause without full stop.
    remedy : str
        What the user can do about it, as a clause without full stop.
    file : path, optional
        File or folder concerned.
    column : str, optional
        Column of the recording concerned.
    row : int, optional
        Row of the file concerned, counted from 0.
    line : int, optional
        Line of a text file concerned, counted from 1.
    key : str, optional
        Key of the setup or settings concerned, for example ``engine.firing_order``.
    """

    def __init__(
        self,
        problem: str,
        *,
        remedy: str,
        file: str | Path | None = None,
        column: str | None = None,
        row: int | None = None,
        line: int | None = None,
        key: str | None = None,
    ) -> None:
        self.problem = plain_text(problem)
        self.remedy = plain_text(remedy)
        self.file = None if file is None else plain_text(str(file))
        self.column = None if column is None else plain_text(column)
        self.row = row
        self.line = line
        self.key = None if key is None else plain_text(key)
        super().__init__(self._sentence())

    def _sentence(self) -> str:
        whole = self._joined(self._place(MAX_SENTENCE, MAX_SENTENCE), self.problem, self.remedy)
        if len(whole) <= MAX_SENTENCE:
            return whole
        place = self._place(_MAX_FILE, _MAX_NAME)
        room = MAX_SENTENCE - len(self._joined(place, "", ""))
        remedy = shortened(self.remedy, max(room // 2, room - len(self.problem)))
        return self._joined(place, shortened(self.problem, room - len(remedy)), remedy)

    def _place(self, max_file: int, max_name: int) -> str:
        place = [shortened(self.file, max_file)] if self.file else []
        place += [f"key '{shortened(self.key, max_name)}'"] if self.key else []
        place += [f"line {self.line}"] if self.line is not None else []
        place += [f"column '{shortened(self.column, max_name)}'"] if self.column else []
        place += [f"row {self.row}"] if self.row is not None else []
        return ", ".join(place)

    @staticmethod
    def _joined(place: str, problem: str, remedy: str) -> str:
        return f"{place}: {problem}; {remedy}." if place else f"{problem}; {remedy}."

    def __reduce__(self) -> tuple[object, ...]:
        """Survive the trip from a worker process."""
        return _rebuild, (type(self), self.problem, self.remedy, self.file, self.column, self.row, self.key, self.line)


def _rebuild(
    kind: type[MinerError],
    problem: str,
    remedy: str,
    file: str | None,
    column: str | None,
    row: int | None,
    key: str | None,
    line: int | None = None,
) -> MinerError:
    return kind(problem, remedy=remedy, file=file, column=column, row=row, line=line, key=key)


class RecordingError(MinerError):
    """The recording cannot be opened, read or trusted."""


class SetupError(MinerError):
    """The setup file does not describe this engine or these leads."""


class SignalError(MinerError):
    """A lead carries nothing that can be measured."""


class FindingsError(MinerError):
    """Findings cannot be written or read back."""


class RunError(MinerError):
    """A run cannot start or go on."""


def plain_text(text: str) -> str:
    r"""Return a text without characters that a terminal obeys or that break a line; each becomes a replacement mark.

    Examples
    --------
    >>> plain_text("a\x1b[31mb\nc")
    'a\ufffd[31mb\ufffdc'
    """
    return _OBEYED.sub("\ufffd", text)


def shortened(text: str, most: int) -> str:
    """Return a text of at most so many characters, the middle of a longer one left out.

    Examples
    --------
    >>> shortened("abcdefghijklmnop", 9)
    'abc...nop'
    """
    if len(text) <= most:
        return text
    head = max(most - 3, 0) // 2
    return f"{text[:head]}...{text[len(text) - max(most - 3 - head, 0) :]}"


def near_names(wanted: str, known: Iterable[str]) -> str:
    """Return a clause that offers the known names nearest to a misspelt one.

    Examples
    --------
    >>> near_names("laed_1", ["lead_1", "time_s"])
    "did you mean 'lead_1'?"
    """
    names = list(known)
    near = get_close_matches(wanted, names, n=3, cutoff=0.5)
    if near:
        return "did you mean " + " or ".join(f"'{name}'" for name in near) + "?"
    return "known are " + ", ".join(f"'{name}'" for name in names) if names else "there are none"
