"""Tables of any shape as leads side by side.

::

    one row a sample            time, lead_1, lead_2          time as a number, a timestamp, a duration, or none
    one row a stretch           time, [lead_1 ...], [lead_2 ...]      lists of samples
    one row a sample and lead   time, name of the lead, value         sorted by time
    one row a change            the same, but only what changes       see `miner.recording.formats.edges.changes`
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.recording.formats.arrays import RATE_NAMES, time_factor
from miner.recording.formats.base import (
    Block,
    ImportOptions,
    Notes,
    Stream,
    StreamLead,
    chosen,
    distinct,
    refuse,
    rows_from,
)
from miner.recording.formats.long_form import pivoted

__all__ = ["Batches", "shaped"]

_AS_THEY_ARE = frozenset({pa.int8(), pa.int16(), pa.int32(), pa.uint8(), pa.uint16(), pa.float32(), pa.float64()})
_UNIT_FACTORS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


@dataclass(frozen=True, kw_only=True)
class Batches:
    """A table that is read batch by batch; ``read`` begins anew and yields (batch, share read)."""

    file: Path
    schema: pa.Schema
    read: Callable[[], Iterator[tuple[pa.RecordBatch, float]]]


def shaped(table: Batches, options: ImportOptions, notes: Notes) -> Stream:
    """Return a table as a stream, whatever its shape.

    Raises
    ------
    RecordingError
        If no column can be a lead, or rows of one lead after another are not sorted by time.
    """
    names = [f.name for f in table.schema if _is_text(f.type)]
    time = _time_field(table, options)
    values = [f for f in table.schema if _is_number(f.type) and f.name != getattr(time, "name", None)]
    lists = [f for f in table.schema if _is_list(f.type) and _is_number(f.type.value_type)]
    if len(names) == 1 and len(values) == 1 and time is not None:
        clock = _Clock(time, options)
        return pivoted(table.file, _triples(table, clock, names[0], values[0].name), options, notes)
    if lists:
        return _of_lists(table, lists, time, options)
    if not values:
        shown = ", ".join(f"'{f.name}' ({f.type})" for f in table.schema) or "none"
        raise refuse(
            f"has no column of samples, its columns are {shown}", "export numbers, a column a lead", table.file
        )
    return _side_by_side(table, values, time, options)


def _is_text(kind: pa.DataType) -> bool:
    if pa.types.is_dictionary(kind):
        kind = kind.value_type
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _is_number(kind: pa.DataType) -> bool:
    return bool(
        pa.types.is_integer(kind)
        or pa.types.is_floating(kind)
        or pa.types.is_boolean(kind)
        or pa.types.is_decimal(kind)
    )


def _is_list(kind: pa.DataType) -> bool:
    return bool(pa.types.is_list(kind) or pa.types.is_large_list(kind) or pa.types.is_fixed_size_list(kind))


def _is_clock(kind: pa.DataType) -> bool:
    return bool(pa.types.is_timestamp(kind) or pa.types.is_duration(kind))


def _time_field(table: Batches, options: ImportOptions) -> pa.Field | None:
    if options.time_column is not None:
        if options.time_column not in table.schema.names:
            raise refuse("there is no such column", "check --time-column", table.file, column=options.time_column)
        return table.schema.field(options.time_column)
    fields = [f for f in table.schema if _is_clock(f.type)]
    fields += [f for f in table.schema if _is_number(f.type) and time_factor(f.name) is not None]
    return fields[0] if fields else None


class _Clock:
    """Turns a column of times into seconds since its first value, so that float64 holds them."""

    def __init__(self, field: pa.Field, options: ImportOptions) -> None:
        self.name, self._type = field.name, field.type
        self._zero: int | None = None
        unit = (field.metadata or {}).get(b"unit", b"").decode("utf-8", "replace")
        self._factor = _UNIT_FACTORS.get(options.time_unit or "", time_factor(field.name, unit) or 1.0)
        if _is_clock(field.type):
            self._factor = _UNIT_FACTORS[field.type.unit]

    def seconds(self, batch: pa.RecordBatch) -> NDArray[np.float64]:
        """Return the instants of a batch, NaN where missing."""
        column = batch.column(self.name)
        if _is_clock(self._type):
            column = column.cast(pa.int64())
        known = column.drop_null()
        if self._zero is None and len(known):
            whole = pa.types.is_integer(known.type)
            self._zero = known[0].as_py() if whole else 0
        counts = column
        if pa.types.is_integer(column.type) and self._zero:
            counts = pc.subtract(column.cast(pa.int64()), pa.scalar(self._zero, pa.int64()))
        ticks = np.asarray(counts.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False), np.float64)
        return ticks if self._factor == 1.0 else ticks / round(1.0 / self._factor)


def _metadata(table: Batches) -> dict[str, str]:
    return {
        k.decode("utf-8", "replace"): v.decode("utf-8", "replace") for k, v in (table.schema.metadata or {}).items()
    }


def _stated_rate(table: Batches) -> float | None:
    said = _metadata(table)
    for name in RATE_NAMES:
        try:
            rate = float(said.get(name, "nan"))
        except ValueError:
            continue
        if np.isfinite(rate) and rate > 0:
            return rate
    return None


def _lead(name: str, field: pa.Field, kind: pa.DataType, file: Path) -> StreamLead:
    said = {k.decode("utf-8", "replace"): v.decode("utf-8", "replace") for k, v in (field.metadata or {}).items()}
    numbers = {}
    for key, default in (("scale", "1"), ("offset", "0")):
        try:
            numbers[key] = float(said.get(key, default))
        except ValueError as error:
            raise refuse(f"the {key} '{said[key]}' is no number", "correct it", file, column=field.name) from error
    stored = kind if kind in _AS_THEY_ARE else pa.int8() if pa.types.is_boolean(kind) else pa.float64()
    stored = pa.float32() if pa.types.is_float16(kind) else stored
    return StreamLead(
        name=name, type=stored, scale=numbers["scale"], offset=numbers["offset"], unit=said.get("unit", "V")
    )


def _stored(column: pa.Array, lead: StreamLead, file: Path, first: int) -> pa.Array:
    if column.type == lead.type:
        return column
    try:
        return column.cast(lead.type)
    except pa.ArrowInvalid as error:
        raise refuse(
            "a number is too large for a sample", "check how it was recorded", file, column=lead.name, row=first
        ) from error


def _side_by_side(table: Batches, values: list[pa.Field], time: pa.Field | None, options: ImportOptions) -> Stream:
    sources = _sources(values, options, table.file)
    leads = tuple(_lead(name, f, f.type, table.file) for name, f in sources.items())
    rate, said = _stated_rate(table), _metadata(table)

    def blocks() -> Iterator[Block]:
        first, clock = 0, None if time is None else _Clock(time, options)
        for batch, done in table.read():
            columns = {x.name: _stored(batch.column(sources[x.name].name), x, table.file, first) for x in leads}
            time_s = None if clock is None else clock.seconds(batch)
            yield Block(columns=columns, time_s=time_s, done=done, file=table.file, place=rows_from(first))
            first += batch.num_rows

    return Stream(
        leads=leads, rate_hz=rate if time is None else None, blocks=blocks(), started_at=said.get("started_at")
    )


def _sources(fields: list[pa.Field], options: ImportOptions, file: Path) -> Mapping[str, pa.Field]:
    """Return the field of each lead by the name it gets."""
    named = dict(zip(distinct([f.name for f in fields]), fields, strict=True))
    return {name: named[name] for name in chosen(list(named), options, file)}


def _of_lists(table: Batches, lists: list[pa.Field], time: pa.Field | None, options: ImportOptions) -> Stream:
    """Return lists of samples laid end to end; the time of a row is that of its first sample."""
    sources = _sources(lists, options, table.file)
    leads = tuple(_lead(name, f, f.type.value_type, table.file) for name, f in sources.items())
    rate = (
        options.rate_hz
        or _stated_rate(table)
        or (None if time is None else _rate_of_lists(table, sources, time, options))
    )

    def blocks() -> Iterator[Block]:
        first, clock = 0, None if time is None else _Clock(time, options)
        for batch, done in table.read():
            rows, columns = _laid_out(batch, sources, leads, table.file, first)
            time_s = None
            if clock is not None and rate is not None:
                time_s = np.repeat(clock.seconds(batch), rows) + _within(rows) / rate
            yield Block(columns=columns, time_s=time_s, done=done, file=table.file, place=rows_from(first))
            first += int(rows.sum())

    said = _metadata(table)
    return Stream(
        leads=leads,
        rate_hz=rate if time is None else None,
        blocks=blocks(),
        started_at=said.get("started_at"),
        counts_samples=time is not None,
    )


def _laid_out(
    batch: pa.RecordBatch, sources: Mapping[str, pa.Field], leads: tuple[StreamLead, ...], file: Path, first: int
) -> tuple[NDArray[np.int64], dict[str, pa.Array]]:
    columns, lengths = {}, None
    for lead in leads:
        column = batch.column(sources[lead.name].name)
        mine = np.asarray(pc.list_value_length(column).fill_null(0).to_numpy(zero_copy_only=False), np.int64)
        lengths = mine if lengths is None else lengths
        bad = np.flatnonzero(mine != lengths)
        if bad.size:
            raise refuse("the lists of one row differ in length", "export all leads alike", file, column=lead.name,
                         row=int(bad[0]))  # fmt: skip
        columns[lead.name] = _stored(column.drop_null().flatten(), lead, file, first)
    assert lengths is not None
    return lengths, columns


def _within(lengths: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the place of each sample within its list."""
    total = int(lengths.sum())
    return np.arange(total) - np.repeat(np.cumsum(lengths) - lengths, lengths)


def _rate_of_lists(
    table: Batches, sources: Mapping[str, pa.Field], time: pa.Field, options: ImportOptions
) -> float | None:
    """Return the samples a row over the seconds to the next row, where that is the same for most rows."""
    batch = next((batch for batch, _ in table.read()), None)
    if batch is None or batch.num_rows < 2:
        return None
    lengths = pc.list_value_length(batch.column(next(iter(sources.values())).name)).fill_null(0)
    counts = np.asarray(lengths.to_numpy(zero_copy_only=False), np.float64)
    steps = np.diff(_Clock(time, options).seconds(batch))
    good = steps > 0
    return float(f"{np.median(counts[:-1][good] / steps[good]):.9g}") if good.any() else None


def _triples(
    table: Batches, clock: _Clock, name: str, value: str
) -> Callable[[], Iterator[tuple[NDArray[np.float64], pa.Array, NDArray[np.float64], float]]]:
    """Return a function that yields (seconds, names of the leads, values, share read) of a long table."""

    def read() -> Iterator[tuple[NDArray[np.float64], pa.Array, NDArray[np.float64], float]]:
        for batch, done in table.read():
            names: Any = batch.column(name)
            names = names.dictionary_decode() if pa.types.is_dictionary(names.type) else names
            values = batch.column(value).cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
            yield clock.seconds(batch), names, np.asarray(values, np.float64), done

    return read
