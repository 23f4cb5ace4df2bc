"""Errors a user can act on, as a tree.

::

    MinerError                 one sentence with file, column, row or key, and the remedy
    |-- RecordingError         the recording cannot be opened, read or trusted
    |-- SetupError             the setup file does not describe this engine or these leads
    |-- SignalError            a lead carries nothing that can be measured
    |-- FindingsError          findings cannot be written or read back
    `-- RunError               a run cannot start or go on (second run, cluster lost, budget too small)

The command line prints ``str(error)`` and ends with exit code 2; nothing else reaches the user.
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import Path

__all__ = [
    "FindingsError",
    "MinerError",
    "RecordingError",
    "RunError",
    "SetupError",
    "SignalError",
    "near_names",
]


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
        self.problem = problem
        self.remedy = remedy
        self.file = None if file is None else str(file)
        self.column = column
        self.row = row
        self.line = line
        self.key = key
        super().__init__(self._sentence())

    def _sentence(self) -> str:
        place = [self.file] if self.file else []
        place += [f"key '{self.key}'"] if self.key else []
        place += [f"line {self.line}"] if self.line is not None else []
        place += [f"column '{self.column}'"] if self.column else []
        place += [f"row {self.row}"] if self.row is not None else []
        where = ", ".join(place)
        return f"{where}: {self.problem}; {self.remedy}." if where else f"{self.problem}; {self.remedy}."

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
