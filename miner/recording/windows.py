"""Short stretches of a recording in volts, one or many, read in one ordered pass.

Usage
-----
>>> window = read_window(recording, ["lead_1"], 12.0, 12.005)  # doctest: +SKIP
>>> window.volts["lead_1"].shape == window.time_s.shape  # doctest: +SKIP
True
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from miner.recording.chunks import CHUNK_SAMPLES, Chunk, iter_ranges
from miner.recording.clock import Clock, samples_between
from miner.recording.ranges import clipped, joined
from miner.recording.reader import Recording

__all__ = ["Window", "read_window", "read_windows"]


@dataclass(frozen=True, kw_only=True)
class Window:
    """Samples ``[start, stop)`` of some columns.

    Attributes
    ----------
    time_s : ndarray of shape (stop - start,)
        Seconds since the recording's first sample.
    volts : dict of str to ndarray of shape (stop - start,), float32
        In the column's unit; NaN where missing.
    """

    start: int
    stop: int
    time_s: NDArray[np.float64]
    volts: dict[str, NDArray[np.float32]]


def read_window(
    recording: Recording, columns: Sequence[str], start_s: float, stop_s: float, *, max_samples: int = 1 << 20
) -> Window:
    """Return the samples in ``[start_s, stop_s)``, from the front at most ``max_samples`` of them.

    Raises
    ------
    RecordingError
        As `miner.recording.chunks.iter_chunks`.
    """
    start, stop = samples_between(recording, start_s, stop_s)
    return next(read_windows(recording, columns, [(start, min(stop, start + max_samples))]))


def read_windows(
    recording: Recording,
    columns: Sequence[str],
    ranges: Sequence[tuple[int, int]],
    *,
    chunk_samples: int = CHUNK_SAMPLES,
) -> Iterator[Window]:
    """Yield many windows, given as absolute half-open sample ranges, in ascending order of their ends.

    The file is read once, also where it is one single row group; windows may overlap and come in any order. Smaller
    chunks take less memory on the way.
    """
    waiting = sorted(ranges, key=lambda r: (r[1], r[0]))
    held: list[Chunk] = []
    chunks = iter_ranges(recording, columns, joined(ranges).tolist(), chunk_samples=chunk_samples)
    still_needed = list(accumulate((first for first, _ in reversed(waiting)), min))[::-1]
    for (first, last), oldest in zip(waiting, still_needed, strict=True):
        held = [chunk for chunk in held if chunk.stop > oldest]
        while first < last and (not held or held[-1].stop < last):
            held.append(next(chunks))
        yield _window(recording, columns, first, last, held)


def _window(recording: Recording, columns: Sequence[str], first: int, last: int, held: list[Chunk]) -> Window:
    time_s = Clock(recording.rate_hz).to_seconds(np.arange(first, last))
    volts = {column: np.empty(last - first, np.float32) for column in columns}
    for chunk in held:
        start, stop = max(first, chunk.start), min(last, chunk.stop)
        if start >= stop:
            continue
        to, of = slice(start - first, stop - first), slice(start - chunk.start, stop - chunk.start)
        if chunk.time_s is not None:
            time_s[to] = chunk.time_s[of]
        for column in columns:
            channel = recording.channels[column]
            with np.errstate(over="ignore", invalid="ignore"):  # what is missing holds anything, until it is set below
                volts[column][to] = chunk.raw[column][of].astype(np.float64) * channel.scale + channel.offset
            for gap in clipped(chunk.missing[column], start, stop) - first:
                volts[column][gap[0] : gap[1]] = np.nan
    return Window(start=first, stop=last, time_s=time_s, volts=volts)
