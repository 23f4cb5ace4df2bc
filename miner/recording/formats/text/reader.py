"""Text with columns of numbers: CSV (RFC 4180) and its cousins, plain or gzip, parsed by pyarrow block by block.

A block that pyarrow refuses is read again line by line, slowly, to name the line and the column, or, where the user
wants to go on, to turn what cannot be read into a gap.
"""

from __future__ import annotations

import gzip
import io
import re
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from miner.errors import RecordingError
from miner.recording.formats.base import AS_FLOATS, Block, ImportOptions, Notes, Stream, StreamLead, chosen, refuse
from miner.recording.formats.edges.changes import Change, sampled_changes
from miner.recording.formats.long_form import pivoted
from miner.recording.formats.text.decimals import Decimals
from miner.recording.formats.text.layout import MISSING, TextLayout, fields_of, lay_out, number_of
from miner.recording.formats.text.long_text import LongRows, long_layout
from miner.recording.formats.text.stamps import stamp_of

__all__ = ["open_text"]

_BLOCK_BYTES = 1 << 23
_HEAD_BYTES = 1 << 18
_TICK_S = 1e-9
"""Printed instants of changes are taken as whole nanoseconds."""

_LONGEST_LINE = 1 << 20
"""A longer line is no row of samples: without a bound, a file without line ends would be held as a whole."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class _Piece:
    """Whole lines of a file; ``first_line`` counts from 1."""

    data: bytes
    first_line: int
    done: float


def open_text(file: Path, options: ImportOptions, notes: Notes) -> Stream:
    """Open a text file with columns of numbers.

    Raises
    ------
    RecordingError
        If no line holds numbers; later, for the first value that is no number (unless ``options.keep_going``).
    """
    head = _head(file)
    try:
        layout = lay_out(head, options, file)
    except RecordingError:
        long = long_layout(head, options)
        if long is None:
            raise
        return _open_long(file, replace(long, first_line=_line_of_row(head, long.first_line)), options, notes)
    names = [name for i, name in enumerate(layout.names) if i != layout.time_index]
    leads = chosen(names, options, file)
    reader = _Reader(file, layout, tuple(leads), options, notes)
    rate = options.rate_hz if options.rate_hz is not None else layout.rate_hz
    counted = layout.time_index is not None and layout.time_factor_s is None
    if counted and rate is None:
        raise refuse(
            "the time column counts samples", "give --rate-hz", file, column=layout.names[layout.time_index or 0]
        )
    zero = layout.zero
    if layout.changes:
        sampled = sampled_changes(
            file,
            leads,
            lambda noted: _as_changes(_Reader(file, layout, tuple(leads), options, noted)),
            options,
            notes,
            tick_s=_TICK_S,
        )
        return replace(sampled, started_at=zero.text if zero else None)
    first = next((table for table, _, _ in _Reader(file, layout, tuple(leads), options, Notes()).tables()), None)
    decimals = {
        name: Decimals.fitting(first[name]) if first and AS_FLOATS not in options.plan else Decimals.floats()
        for name in leads
    }
    units = dict(zip(layout.names, layout.units, strict=True))
    return Stream(
        leads=tuple(_lead(name, decimals[name], *units[name]) for name in leads),
        rate_hz=layout.rate_hz if layout.time_index is None else None,
        blocks=_blocks(reader, decimals, rate),
        counts_samples=counted,
        started_at=zero.text if zero else None,
        zero_ns=zero.ns if zero else None,
    )


def _line_of_row(head: list[str], row: int) -> int:
    return [i for i, line in enumerate(head) if line.strip()][row]


def _open_long(file: Path, layout: TextLayout, options: ImportOptions, notes: Notes) -> Stream:
    """Open a text with one row a sample and lead."""
    assert layout.label is not None
    assert layout.time_index is not None
    time, label = layout.names[layout.time_index], layout.label
    if layout.time_factor_s is None and options.rate_hz is None:
        raise refuse("the time column counts samples", "give --rate-hz", file, column=time)
    (value,) = [name for name in layout.names if name not in (time, label)]
    reader = _Reader(file, layout, (label, value), replace(options, rate_hz=None), notes)

    def seconds(table: dict[str, Floats]) -> Floats:
        time_s = reader.time_s(table, options.rate_hz)
        assert time_s is not None
        return time_s

    rows = LongRows(reader.tables, seconds, label, value, reader.labels)
    stream = pivoted(file, rows.read, options, notes, place=rows.place, alike=True)
    unit, factor = dict(zip(layout.names, layout.units, strict=True))[value]
    return replace(
        stream,
        leads=tuple(replace(lead, scale=lead.scale * factor, unit=unit) for lead in stream.leads),
        counts_samples=layout.time_factor_s is None,
        started_at=layout.zero.text if layout.zero else None,
        zero_ns=layout.zero.ns if layout.zero else None,
    )


def _lead(name: str, decimals: Decimals, unit: str, factor: float) -> StreamLead:
    return StreamLead(name=name, type=decimals.type, scale=decimals.scale * factor, unit=unit)


def _blocks(reader: _Reader, decimals: dict[str, Decimals], rate_hz: float | None) -> Iterator[Block]:
    layout = reader.layout
    for table, place, done in reader.tables():
        time_s = reader.time_s(table, rate_hz)
        columns = {name: decimals[name].convert(table[name]) for name in decimals}
        if time_s is not None and np.isnan(time_s).any():
            known = np.flatnonzero(~np.isnan(time_s))
            name = layout.names[layout.time_index or 0]
            reader.without_time(np.flatnonzero(np.isnan(time_s)), place, name)
            columns = {name: column.take(pa.array(known)) for name, column in columns.items()}
            time_s = time_s[known]
        yield Block(columns=columns, time_s=time_s, done=done, file=reader.file, place=place)


def _as_changes(reader: _Reader) -> Iterator[Change]:
    last = -(2**62)
    for table, place, done in reader.tables():
        time_s = reader.time_s(table, None)
        assert time_s is not None
        ticks = np.rint(time_s / _TICK_S).astype(np.int64)
        bad = np.flatnonzero(~(np.diff(ticks, prepend=last) >= 0) | np.isnan(time_s))
        if bad.size:
            raise refuse("the time is missing or runs backwards", "correct the file", reader.file, **place(int(bad[0])))
        if ticks.size:
            last = int(ticks[-1])
            yield Change(leads={name: (ticks, table[name]) for name in reader.leads}, until=last, done=done)


def open_bytes(file: Path) -> IO[bytes]:
    """Open a file for reading, unpacked where it is gzip."""
    plain = file.open("rb")
    if plain.read(2) == b"\x1f\x8b":
        plain.close()
        return gzip.open(file, "rb")  # type: ignore[return-value]
    plain.seek(0)
    return plain


def _read(source: IO[bytes], n: int, file: Path) -> bytes:
    try:
        return source.read(n)
    except (OSError, EOFError, zlib.error) as error:
        raise refuse(f"cannot be read to its end ({error})", "copy it again from where it was made", file) from error


def _head(file: Path) -> list[str]:
    with open_bytes(file) as source:
        data = _read(source, _HEAD_BYTES, file)
    if not data.strip():
        raise refuse("is empty", "check how it was recorded", file)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in data:
        raise refuse("is not text of a kind that can be read (UTF-16, or no text)", "save it as UTF-8 text", file)
    lines = _decoded(data).splitlines()
    return lines[:-1] if len(data) == _HEAD_BYTES and len(lines) > 1 else lines


def _decoded(data: bytes) -> str:
    text = data.removeprefix(b"\xef\xbb\xbf")
    try:
        return text.decode("utf-8")
    except UnicodeDecodeError:
        return text.decode("latin-1")


class _Reader:
    """Reads one file from its first row of numbers on."""

    def __init__(
        self, file: Path, layout: TextLayout, leads: tuple[str, ...], options: ImportOptions, notes: Notes
    ) -> None:
        self.file, self.layout, self.leads = file, layout, leads
        self._keep_going, self._notes = options.keep_going, notes
        timed = [] if layout.time_index is None or (options.rate_hz and layout.time_factor_s) else [layout.time_index]
        self.timed = bool(timed)
        self._wanted = [layout.names[i] for i in timed] + list(leads)
        self._columns = {name: layout.names.index(name) for name in self._wanted}
        self._zero = layout.zero if timed else None
        self.labels: list[str] = []
        stamped = {self._wanted[0]: self._zero.type} if self._zero else {}
        stamped |= {layout.label: pa.string()} if layout.label else {}
        self._convert = pacsv.ConvertOptions(
            column_types=dict.fromkeys(self._wanted, pa.float64()) | stamped,
            include_columns=self._wanted,
            null_values=list(MISSING),
            strings_can_be_null=True,
            decimal_point=layout.decimal,
        )
        self._parse = pacsv.ParseOptions(delimiter="\t" if layout.delimiter == " " else layout.delimiter)
        self._names = pacsv.ReadOptions(column_names=list(layout.names))

    def tables(self) -> Iterator[tuple[dict[str, Floats], Callable[[int], dict[str, int]], float]]:
        """Yield the wanted columns, where a row is, and the share of the file that has been read."""
        for piece in self._pieces():
            columns = self._fast(piece)
            if columns is None:
                columns = self._slow(piece)
            yield columns, _lines_of(piece), piece.done

    def time_s(self, table: dict[str, Floats], rate_hz: float | None) -> Floats | None:
        """Return the instants of a table, where the file has them."""
        if not self.timed:
            return None
        time = table[self._wanted[0]]
        factor = self.layout.time_factor_s
        if factor is None:
            assert rate_hz is not None
            return time / rate_hz
        return time if factor == 1.0 else time / round(1.0 / factor)

    def without_time(self, rows: NDArray[np.int64], place: Callable[[int], dict[str, int]], name: str) -> None:
        """Refuse rows whose time is missing, or count them as gaps."""
        at = place(int(rows[0]))
        if not self._keep_going:
            raise refuse("the time is missing", _CORRECT, self.file, column=name, **at)
        self._notes.count_unreadable(rows.size, f"{self.file}, line {at.get('line')}, column '{name}'")

    def _pieces(self) -> Iterator[_Piece]:
        size = self.file.stat().st_size
        with open_bytes(self.file) as source:
            line = 1 + self.layout.first_line
            rest = _skip_lines(source, self.layout.first_line, self.file)
            while True:
                data = _read(source, _BLOCK_BYTES, self.file)
                whole, rest = _cut(rest + data, last=len(data) == 0)
                if len(rest) > _LONGEST_LINE:
                    raise refuse(
                        "the line is too long for a row of samples", "export one row a sample", self.file, line=line
                    )
                if whole:
                    yield _Piece(data=whole, first_line=line, done=min(_position(source) / max(size, 1), 1.0))
                    line += _n_lines(whole)
                if not data:
                    if whole and whole[-1:] not in b"\r\n":
                        self._notes.remark(
                            "the last line has no end; if the file was cut off, its last value may be wrong"
                        )
                    return

    def _fast(self, piece: _Piece) -> dict[str, Floats] | None:
        data = (
            piece.data
            if self.layout.delimiter != " "
            else re.sub(rb"[ \t]+", b"\t", re.sub(rb"(?m)^[ \t]+|[ \t\r]+$", b"", piece.data))
        )
        if not data.strip():
            return {name: np.empty(0) for name in self._wanted}
        try:
            table = pacsv.read_csv(
                io.BytesIO(data), read_options=self._names, parse_options=self._parse, convert_options=self._convert
            )
        except (pa.ArrowException, UnicodeDecodeError):
            return None
        columns = {name: self._numbers(name, table[name]) for name in self._wanted}
        return None if any(np.isinf(values).any() for values in columns.values()) else columns

    def _numbers(self, name: str, column: pa.ChunkedArray) -> Floats:
        """Return a parsed column as numbers: an instant as seconds, a name as its place among the names."""
        if self._zero and name == self._wanted[0]:
            return self._zero.seconds_of(column)
        if name == self.layout.label:
            encoded = column.combine_chunks().dictionary_encode()
            codes = pa.array([self._code(text) for text in encoded.dictionary.to_pylist()], pa.float64())
            return np.asarray(codes.take(encoded.indices).to_numpy(zero_copy_only=False), np.float64)
        return np.asarray(column.to_numpy(), np.float64)

    def _code(self, text: str) -> float:
        plain = " ".join(text.split())
        if plain not in self.labels:
            self.labels.append(plain)
        return float(self.labels.index(plain))

    def _slow(self, piece: _Piece) -> dict[str, Floats]:
        """Read line by line; refuse the first thing that is no number, or count it as a gap."""
        rows = []
        for number, line in enumerate(_split(piece.data), piece.first_line):
            if line.strip():
                rows.append(self._row(line, number))
        table = np.array(rows, np.float64).reshape(len(rows), len(self._wanted))
        return {name: table[:, i].copy() for i, name in enumerate(self._wanted)}

    def _row(self, line: str, number: int) -> list[float]:
        try:
            fields = fields_of(line, self.layout.delimiter)
        except Exception as error:  # noqa: BLE001 - the csv module's own error class, for a NUL or an open quote
            return self._bad_row(f"the line cannot be read ({error})", number)
        n = len(self.layout.names)
        if len(fields) != n:
            return self._bad_row(f"the line has {len(fields)} fields, the others have {n}", number)
        return [self._value(name, fields[index], number) for name, index in self._columns.items()]

    def _bad_row(self, problem: str, number: int) -> list[float]:
        if not self._keep_going:
            raise refuse(problem, _CORRECT, self.file, line=number)
        self._notes.count_unreadable(len(self.leads), f"{self.file}, line {number}")
        return [np.nan] * len(self._wanted)

    def _value(self, name: str, text: str, number: int) -> float:
        if name == self.layout.label:
            return np.nan if text.strip() in MISSING else self._code(text)
        stamped = self._zero is not None and name == self._wanted[0]
        value = self._instant(text) if stamped else number_of(text, self.layout.decimal)
        if value is not None:
            return value
        if not self._keep_going:
            what = f"an instant like {self._zero.text}" if stamped and self._zero else "a number"
            raise refuse(f"'{text.strip()[:40]}' is not {what}", _CORRECT, self.file, line=number, column=name)
        self._notes.count_unreadable(1, f"{self.file}, line {number}, column '{name}'")
        return np.nan

    def _instant(self, text: str) -> float | None:
        stamp = stamp_of(text)
        if stamp is None or self._zero is None:
            return np.nan if text.strip() in MISSING else None
        return self._zero.seconds_to(stamp)


_CORRECT = "correct the file, or import with --keep-going, which makes it a gap"


def _position(source: IO[bytes]) -> int:
    packed = getattr(source, "fileobj", None)  # of gzip: what is counted is the file, not what it unpacks to
    return int((packed or source).tell())


def _skip_lines(source: IO[bytes], n: int, file: Path) -> bytes:
    """Return what was read behind the first ``n`` lines."""
    data = _read(source, _HEAD_BYTES, file).removeprefix(b"\xef\xbb\xbf")
    lines = data.splitlines(keepends=True)
    return b"".join(lines[n:])


def _cut(data: bytes, *, last: bool) -> tuple[bytes, bytes]:
    """Cut behind the last whole line."""
    if last:
        return data, b""
    at = max(data.rfind(b"\n"), data.rfind(b"\r", 0, -1) if b"\n" not in data else -1) + 1
    return data[:at], data[at:]


def _n_lines(data: bytes) -> int:
    return data.count(b"\n") or data.count(b"\r")


def _split(data: bytes) -> list[str]:
    return _decoded(data).replace("\r\n", "\n").replace("\r", "\n").split("\n")


def _lines_of(piece: _Piece) -> Callable[[int], dict[str, int]]:
    def line_of(row: int) -> dict[str, int]:
        filled = [i for i, line in enumerate(_split(piece.data)) if line.strip()]
        return {"line": piece.first_line + (filled[row] if row < len(filled) else row)}

    return line_of
