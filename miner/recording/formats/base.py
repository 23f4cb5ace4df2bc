"""What every format hands over: leads, a rate or instants, and blocks of samples in order.

A format is a function ``open(file, options, notes) -> Stream``. It reads its file in blocks of bounded size, converts
nothing it need not convert, and refuses what it cannot read with file, line and column. Time, types and the writing
are not its business: `miner.recording.importing` has them for all formats.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.errors import RecordingError, near_names

__all__ = [
    "AS_FLOATS",
    "BLOCK_ROWS",
    "KEEP_TIME",
    "Again",
    "Block",
    "ImportOptions",
    "Notes",
    "Stream",
    "StreamLead",
    "chosen",
    "distinct",
    "refuse",
    "rows_from",
]

BLOCK_ROWS = 1 << 18
"""Rows handed over at once: a few MB a block, whatever the file holds (own choice)."""


KEEP_TIME, AS_FLOATS = "keep the time column", "text as floats"


class Again(Exception):  # noqa: N818 - no error: the import begins once more and knows better
    """A plan made from the first rows does not hold for a later one.

    Parameters
    ----------
    finding : str
        What to do next time: ``KEEP_TIME`` or ``AS_FLOATS``.
    """

    def __init__(self, finding: str) -> None:
        self.finding = finding
        super().__init__(finding)


@dataclass(frozen=True, kw_only=True)
class ImportOptions:
    """What the user says about the files; everything has a default that the files decide.

    Attributes
    ----------
    rate_hz : float, optional
        Samples per second. A time column is then passed over, and nothing is taken from it.
    time_column : str, optional
        Which column holds the time, where its name does not tell.
    time_unit : {"s", "ms", "us", "ns", "samples"}, optional
        Unit of the time column, where the file does not tell.
    columns : tuple of str
        Leads to take; all of them by default.
    volts_full_scale : float, default=1.0
        WAV: the voltage that is written as full scale.
    keep_going : bool, default=False
        A value that cannot be read becomes a gap instead of a refusal.
    changes : bool, optional
        Text: the rows are changes that hold until the next one; found from the rows by default.
    """

    rate_hz: float | None = None
    time_column: str | None = None
    time_unit: str | None = None
    columns: tuple[str, ...] = ()
    volts_full_scale: float = 1.0
    keep_going: bool = False
    changes: bool | None = None
    plan: frozenset[str] = frozenset()
    """What an earlier attempt at the same files found out, see `Again`; not for users."""


@dataclass(frozen=True, kw_only=True)
class StreamLead:
    """One column as the file has it: unit (``V`` unless told) = raw * scale + offset."""

    name: str
    type: pa.DataType
    scale: float = 1.0
    offset: float = 0.0
    unit: str = "V"

    def field(self) -> pa.Field:
        """Return the field of the recording's Parquet file."""
        said = {"scale": repr(self.scale), "offset": repr(self.offset), "unit": self.unit}
        return pa.field(self.name, self.type, metadata=said)


@dataclass(frozen=True, kw_only=True)
class Block:
    """Rows that follow each other.

    Attributes
    ----------
    columns : mapping of str to Arrow array
        One array a lead, null where a value is missing or could not be read.
    time_s : ndarray or None
        Instants in seconds, where the file has them.
    done : float
        Share of the input that has been read, 0 to 1.
    file : Path
        Where the rows come from.
    place : callable
        Turns the number of a row in the block into where it is: ``{"row": ...}``, from 0, or ``{"line": ...}``, from 1.
    begins : bool
        Whether it is the first block of its file.
    """

    columns: Mapping[str, pa.Array]
    time_s: NDArray[np.float64] | None
    done: float
    file: Path
    place: Callable[[int], dict[str, int]]
    begins: bool = False

    @property
    def n_rows(self) -> int:
        """Rows in the block."""
        return len(next(iter(self.columns.values())))

    def of_many(self, index: int, n_files: int, *, begins: bool) -> Block:
        """Return the block as one of file ``index`` of several in a row."""
        return replace(self, done=(index + self.done) / n_files, begins=begins)


@dataclass(kw_only=True)
class Notes:
    """What is worth saying once all has been read; filled while the blocks are."""

    unreadable: int = 0
    first_unreadable: str = ""
    remarks: list[str] = field(default_factory=list)

    def remark(self, sentence: str) -> None:
        """Add a sentence, once."""
        if sentence not in self.remarks:
            self.remarks.append(sentence)

    def count_unreadable(self, n: int, where: str) -> None:
        """Count values that became gaps; the first place is kept."""
        if n and not self.unreadable:
            self.first_unreadable = where
        self.unreadable += n


@dataclass(frozen=True, kw_only=True)
class Stream:
    """One input, opened.

    Attributes
    ----------
    leads : tuple of Lead
    rate_hz : float or None
        Where the file says it; None where the blocks carry instants.
    blocks : iterator of Block
    started_at : str or None
        ISO 8601.
    seldom_changing : tuple of str
        Leads that stay on few values for long.
    counts_samples : bool
        Whether the instants are numbers of samples over the rate, so that they count though a rate is given.
    zero_ns : int or None
        What the instants count from, in nanoseconds, where that is an instant of a clock.
    """

    leads: tuple[StreamLead, ...]
    rate_hz: float | None
    blocks: Iterator[Block]
    started_at: str | None = None
    seldom_changing: tuple[str, ...] = ()
    counts_samples: bool = False
    zero_ns: int | None = None


def chosen(names: Sequence[str], options: ImportOptions, file: Path) -> list[str]:
    """Return the names to take, in the file's order; refuse names that are not there."""
    for name in options.columns:
        if name not in names:
            raise refuse("there is no such column", near_names(name, names).rstrip("?"), file, column=name)
    return [name for name in names if not options.columns or name in options.columns]


def distinct(names: Sequence[str]) -> list[str]:
    """Return the names made different from each other and from the recording's own column for time.

    Examples
    --------
    >>> distinct(["a", "a", ""])
    ['a', 'a_2', 'column_3']
    """
    taken = {"time_s"}
    found: list[str] = []
    for place, name in enumerate(names, 1):
        plain = " ".join(name.split()) or f"column_{place}"
        number, wanted = 1, plain
        while wanted in taken:
            number += 1
            wanted = f"{plain}_{number}"
        taken.add(wanted)
        found.append(wanted)
    return found


def rows_from(first: int) -> Callable[[int], dict[str, int]]:
    """Return a `Block.place` for a file whose rows are counted from 0."""
    return lambda row: {"row": first + row}


def refuse(problem: str, remedy: str, file: Path, **place: Any) -> RecordingError:
    """Return the error for an input that cannot be imported."""
    return RecordingError(problem, remedy=remedy, file=file, **place)
