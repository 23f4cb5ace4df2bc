"""Stream a recording in order, in bounded memory, decoding ahead of the work.

A chunk owns the absolute half-open sample range ``[start, stop)``; chunks tile what was asked for. Their lengths follow
the file's pages and row groups and mean nothing: no result may depend on them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.errors import RecordingError
from miner.recording.parts import Part, open_file, unreadable
from miner.recording.ranges import clipped, runs_of
from miner.recording.reader import TIME_COLUMN, Recording, require_columns
from miner.recording.timing import GAP_STEPS

__all__ = ["CHUNK_SAMPLES", "Chunk", "iter_chunks", "iter_ranges"]

CHUNK_SAMPLES = 1 << 19
"""Most samples per lead in one chunk; measured: pages of this size decode faster than longer ones (cache)."""

_DECODE_AHEAD = 3
"""Chunks decoded before they are asked for."""

_NO_SAMPLE = 1e12
"""A float this large, or no number at all, is a sample that is missing (own choice: none measures it, and squares
of what is smaller stay far from what a float can hold)."""

Intervals = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Chunk:
    """Samples ``[start, stop)`` of some columns.

    Attributes
    ----------
    raw : mapping of str to ndarray of shape (stop - start,)
        As stored, counts or floats; where missing, any value.
    missing : mapping of str to ndarray of shape (k, 2)
        Per column, absolute half-open ranges of null, NaN, infinite or absurdly large samples.
    time_s : ndarray of shape (stop - start,) or None
        Only with a time column: seconds since the recording's first sample.
    breaks : ndarray of int64
        Absolute indices i with a time gap between sample i - 1 and sample i.
    """

    start: int
    stop: int
    raw: Mapping[str, NDArray[Any]]
    missing: Mapping[str, Intervals]
    time_s: NDArray[np.float64] | None
    breaks: NDArray[np.int64]


def iter_chunks(
    recording: Recording,
    columns: Sequence[str],
    *,
    start: int = 0,
    stop: int | None = None,
    chunk_samples: int = CHUNK_SAMPLES,
) -> Iterator[Chunk]:
    """Yield the samples ``[start, stop)`` in order; a thread decodes ahead of the caller.

    Raises
    ------
    RecordingError
        If a column is not there, the time column runs backwards, repeats or is null (names the row), or the file is
        damaged.
    """
    stop = recording.n_samples if stop is None else min(stop, recording.n_samples)
    return iter_ranges(recording, columns, [(start, stop)], chunk_samples=chunk_samples)


def iter_ranges(
    recording: Recording,
    columns: Sequence[str],
    ranges: Sequence[tuple[int, int]],
    *,
    chunk_samples: int = CHUNK_SAMPLES,
) -> Iterator[Chunk]:
    """Yield the samples of many ranges in one pass.

    Row groups that no range touches are passed over; a single row group of many GB is read once, not once a range.

    Parameters
    ----------
    ranges : sequence of (int, int)
        Absolute, half-open, within the recording, ascending and apart. No chunk reaches over two of them.

    Raises
    ------
    RecordingError
        As `iter_chunks`.
    """
    require_columns(recording, columns)
    wanted = [(first, last) for first, last in ranges if first < last]
    if not wanted:
        return iter(())
    return _decoded_ahead(_chunks(recording, tuple(columns), wanted, chunk_samples))


def _decoded_ahead(chunks: Iterator[Chunk]) -> Iterator[Chunk]:
    with ThreadPoolExecutor(1, thread_name_prefix="decode") as pool:
        ahead = deque(pool.submit(next, chunks, None) for _ in range(_DECODE_AHEAD))
        while (chunk := ahead.popleft().result()) is not None:
            ahead.append(pool.submit(next, chunks, None))
            yield chunk


def _chunks(
    recording: Recording, columns: tuple[str, ...], ranges: list[tuple[int, int]], most: int
) -> Iterator[Chunk]:
    firsts = {first for first, _ in ranges if first > 0 and recording.has_time}
    read = [(first - (first in firsts), last) for first, last in ranges]  # one more: a time gap right at the start
    last_s, expected = -np.inf, -1
    for part, at, batch in _batches(recording, columns, read, most):
        raw, missing = {}, {}
        for name in columns:
            raw[name], missing[name] = _samples(batch.column(name), at)
        time_s, breaks = None, np.empty(0, np.int64)
        if recording.has_time:
            time_s = _instants(batch.column(TIME_COLUMN), recording, part, at)
            breaks = _time_gaps(time_s, last_s if at == expected else -np.inf, recording, part, at)
            last_s, expected = float(time_s[-1]), at + batch.num_rows
        chunk = Chunk(start=at, stop=at + batch.num_rows, raw=raw, missing=missing, time_s=time_s, breaks=breaks)
        chunk = _without_first(chunk) if at + 1 in firsts else chunk
        if chunk.stop > chunk.start:
            yield chunk


def _batches(
    recording: Recording, columns: tuple[str, ...], ranges: list[tuple[int, int]], most: int
) -> Iterator[tuple[Part, int, pa.RecordBatch]]:
    """Yield (part, absolute first sample, batch) that tile the ranges."""
    wanted = [*columns, TIME_COLUMN] if recording.has_time else list(columns)
    for part in recording.parts:
        for groups in _runs_of_groups(part, ranges):
            at, end = part.group_starts[groups[0]], part.group_stop(groups[-1])
            end = max(last for _, last in _inside(ranges, at, end))
            with open_file(part.path) as file:
                batches = file.iter_batches(most, row_groups=groups, columns=wanted, use_threads=True)
                while at < end:
                    batch = _next_batch(batches, part, at)
                    for first, last in _inside(ranges, at, at + batch.num_rows):
                        yield part, first, batch.slice(first - at, last - first)
                    at += batch.num_rows


def _runs_of_groups(part: Part, ranges: list[tuple[int, int]]) -> Iterator[list[int]]:
    """Yield the row groups that ranges touch, neighbours together: a batch may reach from one into the next."""
    run: list[int] = []
    for group, start in enumerate(part.group_starts):
        if any(True for _ in _inside(ranges, start, part.group_stop(group))):
            run.append(group)
        elif run:
            yield run
            run = []
    if run:
        yield run


def _inside(ranges: list[tuple[int, int]], start: int, stop: int) -> Iterator[tuple[int, int]]:
    """Yield the parts of ascending ranges that lie within ``[start, stop)``."""
    for i in range(bisect_right(ranges, start, key=lambda r: r[1]), len(ranges)):
        if ranges[i][0] >= stop:
            return
        yield max(ranges[i][0], start), min(ranges[i][1], stop)


def _next_batch(batches: Iterator[pa.RecordBatch], part: Part, at: int) -> pa.RecordBatch:
    try:
        return next(batches)
    except (pa.ArrowException, OSError, StopIteration) as error:
        raise unreadable(part, at) from error


def _samples(column: pa.Array, at: int) -> tuple[NDArray[Any], Intervals]:
    """Return the stored values and the absolute ranges that are missing."""
    if column.null_count:
        bad = column.is_null().to_numpy(zero_copy_only=False)
        values = column.fill_null(0).to_numpy()
    else:
        bad, values = None, column.to_numpy()
    if values.dtype.kind == "f" and values.size:
        with np.errstate(invalid="ignore"):
            suspicious = not (values.min() > -_NO_SAMPLE and values.max() < _NO_SAMPLE)
        if suspicious:
            none = ~(np.abs(values) < _NO_SAMPLE)
            bad = none if bad is None else bad | none
    return values, np.empty((0, 2), np.int64) if bad is None else runs_of(bad, at)


def _instants(column: pa.Array, recording: Recording, part: Part, at: int) -> NDArray[np.float64]:
    values: NDArray[np.float64] = column.to_numpy(zero_copy_only=False) - recording.first_time_s
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        raise _time_error("the time is missing", part, at + int(bad[0]))
    return values


def _time_gaps(
    time_s: NDArray[np.float64], last_s: float, recording: Recording, part: Part, at: int
) -> NDArray[np.int64]:
    steps = np.diff(time_s, prepend=last_s)
    bad = np.flatnonzero(steps <= 0.0)
    if bad.size:
        what = "repeats" if steps[bad[0]] == 0.0 else "runs backwards"
        raise _time_error(f"the time {what}", part, at + int(bad[0]))
    breaks = np.flatnonzero(steps > GAP_STEPS / recording.rate_hz) + at
    return breaks if np.isfinite(last_s) else breaks[breaks > at]


def _time_error(problem: str, part: Part, sample: int) -> RecordingError:
    return RecordingError(
        problem,
        remedy="record again, or cut the recording before this row",
        file=part.path,
        column=TIME_COLUMN,
        row=sample - part.start,
    )


def _without_first(chunk: Chunk) -> Chunk:
    """Drop the one sample that was read only to see the step after it."""
    keep = chunk.start + 1
    return Chunk(
        start=keep,
        stop=chunk.stop,
        raw={name: values[1:] for name, values in chunk.raw.items()},
        missing={name: clipped(ranges, keep, chunk.stop) for name, ranges in chunk.missing.items()},
        time_s=None if chunk.time_s is None else chunk.time_s[1:],
        breaks=chunk.breaks,
    )
