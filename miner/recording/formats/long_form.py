"""One row a sample and lead: put side by side while it is read; rows that are changes become samples."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.recording.formats.base import Block, ImportOptions, Notes, Stream, StreamLead, chosen, refuse, rows_from
from miner.recording.formats.edges.changes import Change, sampled_changes

__all__ = ["Triples", "pivoted"]

Floats = NDArray[np.float64]
Place = Callable[[int], dict[str, int]]
Triples = Callable[[], Iterator[tuple[Floats, pa.Array, Floats, float]]]
"""Begins anew and yields (seconds, names of leads, values, share read)."""

_TICK_S = 1e-9
_ALL_TOGETHER = 0.6
"""Share of leads with a value at an instant from which on the rows are samples; changes seldom come together."""


def pivoted(
    file: Path, triples: Triples, options: ImportOptions, notes: Notes, *, place: Place = lambda row: {"row": row},
    alike: bool = False,
) -> Stream:  # fmt: skip
    """Return rows of (time, lead, value), sorted by time, as leads side by side.

    Parameters
    ----------
    place : callable
        Where a row is, see `Block.place`; asked only of rows just read.
    alike : bool
        Refuse an instant that not every lead has once, unless the user wants to go on; then what lacks is a gap.

    Raises
    ------
    RecordingError
        If the rows are not sorted by time, or a lead appears that the first rows do not have.
    """
    first = next(triples(), None)
    if first is None or not first[0].size:
        raise refuse("holds no samples", "check how it was recorded", file)
    names = sorted({str(name) for name in first[1].unique().to_pylist() if name is not None})
    leads = chosen(names, options, file)
    filled = first[0].size / max(np.unique(first[0]).size, 1) / max(len(names), 1)
    are_changes = filled < _ALL_TOGETHER and not alike if options.changes is None else options.changes
    if are_changes and len(names) > 1:
        return sampled_changes(
            file, leads, lambda _: _changes(file, triples, leads, place), options, notes, tick_s=_TICK_S
        )
    return Stream(
        leads=tuple(StreamLead(name=name, type=pa.float64()) for name in leads),
        rate_hz=None,
        blocks=_blocks(file, triples, names, leads, place, alike=alike and not options.keep_going),
    )


def _changes(file: Path, triples: Triples, leads: list[str], place: Place) -> Iterator[Change]:
    row, last = 0, -np.inf
    for time_s, names, values, done in triples():
        _check_order(file, time_s, last, row, place)
        ticks = np.rint(time_s / _TICK_S).astype(np.int64)
        here = {name: np.asarray(pc.equal(names, name).fill_null(False)) for name in leads}
        if ticks.size:
            yield Change(
                leads={name: (ticks[mine], values[mine]) for name, mine in here.items()},
                until=int(ticks[-1]),
                done=done,
            )
            last = float(time_s[-1])
        row += time_s.size


def _check_order(file: Path, time_s: Floats, last: float, row: int, place: Place) -> None:
    bad = np.flatnonzero(~(np.diff(time_s, prepend=last) >= 0))
    if bad.size:
        raise refuse("the time is missing or runs backwards", "sort the rows by time", file, **place(row + int(bad[0])))


def _blocks(
    file: Path, triples: Triples, names: list[str], leads: list[str], where: Place, *, alike: bool
) -> Iterator[Block]:
    held: tuple[Floats, NDArray[np.int64], Floats] = (np.empty(0), np.empty(0, np.int64), np.empty(0))
    row, last, first = 0, -np.inf, 0
    for time_s, written, values, done in triples():
        _check_order(file, time_s, last, row, where)
        place = _places(file, written, names, row, where)
        begins = row - held[0].size
        row, last = row + time_s.size, float(time_s[-1]) if time_s.size else last
        rows = tuple(np.concatenate(pair) for pair in zip(held, (time_s, place, values), strict=True))
        cut = int(np.searchsorted(rows[0], rows[0][-1])) if rows[0].size else 0
        held = tuple(part[cut:] for part in rows)  # type: ignore[assignment]
        if alike:
            _check_alike(file, rows[0][:cut], rows[1][:cut], names, where, begins)
        block = _wide(file, rows[0][:cut], rows[1][:cut], rows[2][:cut], names, leads, done, first)
        first += block.n_rows
        yield block
    if alike:
        _check_alike(file, held[0], held[1], names, where, row - held[0].size)
    yield _wide(file, *held, names, leads, 1.0, first)


def _places(file: Path, written: pa.Array, names: list[str], row: int, where: Place) -> NDArray[np.int64]:
    index = pc.index_in(written, value_set=pa.array(names, written.type))
    if index.null_count:
        at = int(np.flatnonzero(np.asarray(index.is_null()))[0])
        if not written[at].is_valid:
            raise refuse("the name of the lead is missing", "correct the file", file, **where(row + at))
        raise refuse(
            f"the lead '{written[at]}' is not among the first rows",
            "export all leads from the start",
            file,
            **where(row + at),
        )
    return np.asarray(index.to_numpy(zero_copy_only=False), np.int64)


def _check_alike(
    file: Path, time_s: Floats, place: NDArray[np.int64], names: list[str], where: Place, begins: int
) -> None:
    """Refuse the first instant at which a lead is missing or comes twice."""
    instants, first, at = np.unique(time_s, return_index=True, return_inverse=True)
    counts = np.bincount(at * len(names) + place, minlength=instants.size * len(names)).reshape(-1, len(names))
    bad = np.argwhere(counts != 1)
    if bad.size:
        row, lead = int(bad[0][0]), int(bad[0][1])
        problem = "no value" if counts[row, lead] == 0 else f"{counts[row, lead]} values"
        raise refuse(
            f"the lead '{names[lead]}' has {problem} at the instant that begins here",
            "export every lead once at the same instants, or each lead as a column; --keep-going makes gaps of "
            "missing values",
            file,
            **where(begins + int(first[row])),
        )


def _wide(
    file: Path, time_s: Floats, place: NDArray[np.int64], values: Floats, names: list[str], leads: list[str],
    done: float, first: int,
) -> Block:  # fmt: skip
    instants, at = np.unique(time_s, return_inverse=True)
    table = np.full((len(names), instants.size), np.nan)
    table[place, at] = values
    columns = {name: pa.array(table[names.index(name)], from_pandas=True) for name in leads}
    return Block(columns=columns, time_s=instants, done=done, file=file, place=rows_from(first))
