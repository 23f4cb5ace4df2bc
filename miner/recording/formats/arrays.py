"""Named arrays of one length, however they are stored: which are leads, which is the time, what is the rate.

NPY, NPZ, HDF5 and MDF hold arrays; this module turns them into a stream. An array is read by slices, never as a whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.recording.formats.base import (
    BLOCK_ROWS,
    Block,
    ImportOptions,
    Stream,
    StreamLead,
    chosen,
    distinct,
    refuse,
    rows_from,
)

__all__ = ["RATE_NAMES", "Arrays", "NamedArray", "is_numeric", "stream_of", "time_factor"]

RATE_NAMES = ("sample_rate_hz", "sample_rate", "sampling_rate", "rate_hz", "fs", "samplerate")
"""Names of a number, or an attribute, that is the rate."""

_TIME_NAMES = ("time_s", "time", "times", "t", "t_s", "timestamp", "timestamps")
_FACTORS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "ns": 1e-9}

_AS_THEY_ARE = {"int8", "int16", "int32", "uint8", "uint16", "float32", "float64"}


@dataclass(frozen=True, kw_only=True)
class NamedArray:
    """One array: its name, type, and a function that reads rows ``[start, stop)``."""

    name: str
    dtype: np.dtype[Any]
    n_rows: int
    read: Callable[[int, int], NDArray[Any]]
    scale: float = 1.0
    offset: float = 0.0
    unit: str = "V"


@dataclass(frozen=True, kw_only=True)
class Arrays:
    """All arrays of a file, and what it says of its rate and start."""

    columns: Sequence[NamedArray]
    rate_hz: float | None = None
    started_at: str | None = None
    numbers: Mapping[str, float] = field(default_factory=dict)


def is_numeric(dtype: np.dtype[Any]) -> bool:
    """Whether samples can have this type."""
    return dtype.kind in "iufb"


def time_factor(name: str, unit: str = "") -> float | None:
    """Return the seconds in a unit of an array that by its name is the time; None where it is none.

    Examples
    --------
    >>> time_factor("time_us"), time_factor("lead_1")
    (1e-06, None)
    """
    plain, short = name.lower(), unit.strip().lower()
    for stem in _TIME_NAMES:
        if plain == stem:
            return _FACTORS.get(short, 1.0)
    stem, _, tail = plain.rpartition("_")
    return _FACTORS.get(tail) if stem in _TIME_NAMES else None


def stream_of(arrays: Arrays, options: ImportOptions, file: Path) -> Stream:
    """Return the arrays of the longest common length as a stream.

    Raises
    ------
    RecordingError
        If there are no numbers, or arrays of several lengths could each be meant.
    """
    columns = _of_one_length([c for c in arrays.columns if c.n_rows > 1], options, file)
    time = _time(columns, options, file)
    names = distinct([c.name for c in columns if c is not time])
    named = dict(zip(names, [c for c in columns if c is not time], strict=True))
    leads = [named[name] for name in chosen(names, options, file)]
    if not leads:
        raise refuse("holds no arrays of samples beside the time", "check how it was recorded", file)
    rate = arrays.rate_hz if arrays.rate_hz is not None else next(
        (arrays.numbers[name] for name in RATE_NAMES if name in arrays.numbers), None
    )  # fmt: skip
    wanted = {name: named[name] for name in chosen(names, options, file)}
    return Stream(
        leads=tuple(_lead(name, column) for name, column in wanted.items()),
        rate_hz=rate if time is None else None,
        blocks=_blocks(wanted, time, options, file),
        started_at=arrays.started_at,
    )


def _of_one_length(columns: list[NamedArray], options: ImportOptions, file: Path) -> list[NamedArray]:
    if options.columns:
        kept = [c for c in columns if c.name in options.columns or time_factor(c.name) is not None]
        lengths = {c.n_rows for c in kept if c.name in options.columns}
        columns = [c for c in kept if c.n_rows in lengths] if lengths else columns
    lengths = {c.n_rows for c in columns}
    if not lengths:
        raise refuse("holds no arrays of numbers", "check how it was recorded", file)
    if len(lengths) > 1:
        shown = ", ".join(f"'{c.name}' {c.n_rows}" for c in columns[:6])
        raise refuse(f"holds arrays of different lengths ({shown})", "name those to take with --column", file)
    return columns


def _time(columns: list[NamedArray], options: ImportOptions, file: Path) -> NamedArray | None:
    if options.time_column is not None:
        for column in columns:
            if column.name == options.time_column:
                return column
        raise refuse("there is no such array", "check --time-column", file, column=options.time_column)
    return next((c for c in columns if time_factor(c.name) is not None), None)


def _lead(name: str, column: NamedArray) -> StreamLead:
    return StreamLead(
        name=name, type=_stored_type(column.dtype), scale=column.scale, offset=column.offset, unit=column.unit
    )


def _stored_type(dtype: np.dtype[Any]) -> pa.DataType:
    name = dtype.newbyteorder("=").name
    if name in _AS_THEY_ARE:
        return pa.from_numpy_dtype(np.dtype(name))
    if name == "bool":
        return pa.int8()
    return pa.float32() if name == "float16" else pa.float64()


def _blocks(
    leads: Mapping[str, NamedArray], time: NamedArray | None, options: ImportOptions, file: Path
) -> Iterator[Block]:
    n_rows = next(iter(leads.values())).n_rows
    for first in range(0, n_rows, BLOCK_ROWS):
        stop = min(first + BLOCK_ROWS, n_rows)
        columns = {
            name: _stored(column.read(first, stop), column, _stored_type(column.dtype), file, first)
            for name, column in leads.items()
        }
        time_s = None
        if time is not None:
            factor = _FACTORS.get(options.time_unit or "", time_factor(time.name, time.unit) or 1.0)
            time_s = np.asarray(time.read(first, stop), np.float64)
            time_s = time_s if factor == 1.0 else time_s / round(1.0 / factor)
        yield Block(columns=columns, time_s=time_s, done=stop / n_rows, file=file, place=rows_from(first))


def _stored(values: NDArray[Any], column: NamedArray, kind: pa.DataType, file: Path, first: int) -> pa.Array:
    """Return values as they are stored; integers that a float64 cannot hold are refused."""
    native = np.ascontiguousarray(values, values.dtype.newbyteorder("="))
    if native.dtype.kind in "iu" and native.dtype.itemsize == 8 and native.size:
        large = np.flatnonzero((native > 2**53) | (native < -(2**53 - 1) - 1 if native.dtype.kind == "i" else False))
        if large.size:
            raise refuse(
                "the number is too large for a sample", "check how it was recorded", file, column=column.name,
                row=first + int(large[0]),
            )  # fmt: skip
    target = native.astype(kind.to_pandas_dtype())
    return pa.array(target, from_pandas=True) if target.dtype.kind == "f" else pa.array(target)
