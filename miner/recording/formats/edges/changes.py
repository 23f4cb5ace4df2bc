"""Changes that hold until the next one (VCD, lists of edges) as samples, without losing the time of an edge.

Where all changes lie on a grid of at most 5 MS/s, the sample rate is that of the grid (or a multiple of it, from 250
kS/s on) and every sample is the value it had. Otherwise the rate is 250 kS/s, and the sample next to an edge takes a
value between the two levels, such that the straight line between the samples crosses the middle at the instant of the
edge: the 50 % instants that everything is measured by are kept to 2**-15 of a sample (0.12 ns). Changes less than two
samples apart cannot both be kept in this way; they are counted and told. Long runs of one value shrink to nothing in
the Parquet file.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.recording.formats.base import Block, ImportOptions, Notes, Stream, StreamLead, refuse, rows_from
from miner.words import counted

__all__ = ["Change", "sampled_changes"]

Floats = NDArray[np.float64]

_FASTEST_GRID_HZ = 5e6
"""Up to here the grid of the changes becomes the sample rate: what one core reads of such lines in real time and
more."""

_RATE_HZ = 250_000.0
"""Rate for changes at any instant: 4 us, a sixth of the shortest pulse that is not passed over as a spike."""

_FULL = 32000
"""Counts of the upper level: a crossing is placed to half a count over a slope of at least half the levels a sample."""

_BLOCK_SAMPLES = 1 << 20

_LONGEST_S, _LONGEST_STEP_S = 600.0, 60.0
"""Changes that are further apart than a minute on the average are no ignition; they would become a huge recording."""


@dataclass(frozen=True, kw_only=True)
class Change:
    """Changes in order of time.

    Attributes
    ----------
    leads : mapping of str to (ndarray of shape (n,), ndarray of shape (n,))
        Per lead ticks that do not descend, and the value from then on; NaN where unknown.
    until : int
        Tick up to which everything is known with this.
    done : float
        As in `Block`.
    """

    leads: Mapping[str, tuple[NDArray[np.int64], Floats]]
    until: int
    done: float


@dataclass(kw_only=True)
class _Survey:
    """What a first pass over the changes shows."""

    first: int = 2**62
    last: int = -(2**62)
    grid: int = 0
    """Greatest common divisor of all steps, in ticks."""
    before: dict[str, int] = field(default_factory=dict)
    n_changes: int = 0
    levels: dict[str, set[float]]

    def take(self, change: Change) -> None:
        for name, (ticks, values) in change.leads.items():
            if not ticks.size:
                continue
            self.first = min(self.first, int(ticks[0]))
            # steps from one change to the next: their divisor, with the first one's place, is that of all places
            self.grid = math.gcd(self.grid, int(np.gcd.reduce(np.diff(ticks, prepend=self.before.get(name, ticks[0])))))
            self.grid = math.gcd(self.grid, int(ticks[0]) - self.first)
            self.before[name] = int(ticks[-1])
            self.n_changes += ticks.size
            if len(self.levels[name]) <= 2:
                self.levels[name].update(float(v) for v in np.unique(values[~np.isnan(values)])[:3])
        self.last = max(self.last, change.until)


def sampled_changes(
    file: Path,
    leads: Sequence[str],
    changes: Callable[[Notes], Iterator[Change]],
    options: ImportOptions,
    notes: Notes,
    *,
    tick_s: float,
) -> Stream:
    """Return changes as a stream of samples; they are read twice, first to find their grid.

    Parameters
    ----------
    changes : callable
        Begins anew to yield the changes in order; what it has to say goes into the notes it gets.
    tick_s : float
        Seconds in a tick.
    """
    survey = _Survey(levels={name: set() for name in leads})
    for change in changes(Notes()):
        survey.take(change)
    if survey.last <= survey.first:
        raise refuse("holds no changes", "check how it was recorded", file)
    seconds = (survey.last - survey.first) * tick_s
    if seconds > _LONGEST_S + _LONGEST_STEP_S * survey.n_changes:
        raise refuse(
            f"lasts {seconds:.3g} s with {survey.n_changes} changes, as if an instant had a digit too many",
            "correct the instants, or cut the file into recordings", file,
        )  # fmt: skip
    grid_hz = 1.0 / (max(survey.grid, 1) * tick_s)
    on_grid = grid_hz <= _FASTEST_GRID_HZ and options.rate_hz is None
    rate_hz = _rounded(grid_hz * math.ceil(_RATE_HZ / grid_hz)) if on_grid else options.rate_hz or _RATE_HZ
    lines = {name: _Line(name, survey.levels[name], on_grid) for name in leads}
    per_sample = 1.0 / (rate_hz * tick_s)

    def blocks() -> Iterator[Block]:
        sampler = _Sampler(lines, survey.first, per_sample)
        for change in changes(notes):
            yield from sampler.take(change, file)
        yield from sampler.finish(survey.last, file)
        _tell(lines, rate_hz, notes, on_grid)

    return Stream(
        leads=tuple(line.lead for line in lines.values()),
        rate_hz=rate_hz,
        blocks=blocks(),
        seldom_changing=tuple(leads),
    )


def _rounded(rate: float) -> float:
    return float(f"{rate:.12g}")


def _tell(lines: Mapping[str, _Line], rate_hz: float, notes: Notes, on_grid: bool) -> None:
    close = sum(line.n_close for line in lines.values())
    if close and not on_grid:
        notes.remark(
            f"{counted(close, 'change lies', 'changes lie')} less than {2e6 / rate_hz:g} µs from the one before, "
            "exact to a sample only; --rate-hz with a higher rate is finer"
        )


class _Line:
    """One lead: its type, and the value it has at the moment."""

    def __init__(self, name: str, levels: set[float], on_grid: bool) -> None:
        self.n_close = 0
        self.between = not on_grid and len(levels) <= 2
        low, high = (min(levels, default=0.0), max(levels, default=1.0))
        self._low, self._span = low, (high - low) or 1.0
        whole = all(v == int(v) and abs(v) < 2**15 for v in levels) and len(levels) <= 2
        if self.between:
            self.lead = StreamLead(name=name, type=pa.int16(), scale=self._span / _FULL, offset=low)
        else:
            self.lead = StreamLead(name=name, type=pa.int16() if whole else pa.float64())
        self.held = math.nan

    def samples(self, at: Floats, values: Floats, first: int, n: int) -> pa.Array:
        """Return ``n`` samples from index ``first`` on; ``at`` are places of changes, the first at or before it."""
        counts = np.round((values - self._low) / self._span * _FULL) if self.between else values
        starts = np.clip(np.ceil(at).astype(np.int64) - first, 0, n)
        lengths = np.diff(starts, append=n)
        unknown = np.isnan(counts)
        out = np.repeat(np.where(unknown, 0.0, counts).astype(self.lead.type.to_pandas_dtype()), lengths)
        if self.between:
            self._soften(out, at, counts, first)
        return pa.array(out, mask=np.repeat(unknown, lengths) if unknown[lengths > 0].any() else None)

    def _soften(self, out: NDArray[Any], at: Floats, counts: Floats, first: int) -> None:
        """Move the crossing of the middle between two samples to where the edge is."""
        before, after, edge = counts[:-1], counts[1:], at[1:]
        turns = (before != after) & ~np.isnan(before) & ~np.isnan(after)
        before, after, edge = before[turns], after[turns], edge[turns]
        left = np.floor(edge)
        part = edge - left
        early = part < 0.5
        # the line from a value v at the left to `after` crosses the middle at `part`, or that from `before` to v
        moved = np.where(early, (0.5 - part) / (1.0 - part), 1.0 - 0.5 / np.maximum(part, 0.5))
        value = np.where(early, before + (after - before) * moved, after - (after - before) * moved)
        index = np.where(early, left, left + 1).astype(np.int64) - first
        inside = (index >= 0) & (index < out.size)
        out[index[inside]] = np.rint(value[inside])


class _Sampler:
    """Turns changes into blocks of samples."""

    def __init__(self, lines: Mapping[str, _Line], first_tick: int, ticks_per_sample: float) -> None:
        self._lines, self._origin, self._per_sample = lines, first_tick, ticks_per_sample
        self._next = 0
        self._held: dict[str, tuple[Floats, Floats]] = {
            name: (np.array([-np.inf]), np.array([np.nan])) for name in lines
        }

    def take(self, change: Change, file: Path) -> Iterator[Block]:
        """Take changes, and yield the samples that no later change can touch."""
        for name, line in self._lines.items():
            if name in change.leads:
                self._hold(name, line, *change.leads[name])
        yield from self._until(math.floor(self._at(change.until)) - 1, change.done, file)

    def _at(self, tick: Any) -> Any:
        return (tick - self._origin) / self._per_sample

    def _hold(self, name: str, line: _Line, ticks: NDArray[np.int64], values: Floats) -> None:
        """Keep the changes of a lead: of several at one instant the last, and none to the value it has already."""
        if not ticks.size:
            return
        old_at, old_values = self._held[name]
        last = np.append(ticks[1:] != ticks[:-1], True)
        at, values = self._at(ticks[last]), values[last]
        before = np.concatenate((old_values[-1:], values[:-1]))
        new = (values != before) & ~(np.isnan(values) & np.isnan(before))
        at, values = at[new], values[new]
        line.n_close += int(np.count_nonzero(np.diff(at, prepend=old_at[-1]) < 2.0))
        self._held[name] = (np.concatenate((old_at, at)), np.concatenate((old_values, values)))

    def _until(self, stop: int, done: float, file: Path) -> Iterator[Block]:
        while self._next < stop:
            n = min(stop - self._next, _BLOCK_SAMPLES)
            columns = {name: self._cut(name, line, n) for name, line in self._lines.items()}
            yield Block(columns=columns, time_s=None, done=done, file=file, place=rows_from(self._next))
            self._next += n

    def _cut(self, name: str, line: _Line, n: int) -> pa.Array:
        at, values = self._held[name]
        end = self._next + n
        stop = int(np.searchsorted(at, end + 1.0, side="left"))  # an edge just behind touches the last sample
        samples = line.samples(np.maximum(at[:stop], self._next - 2.0), values[:stop], self._next, n)
        done = max(int(np.searchsorted(at, end - 2.0, side="right")) - 1, 0)
        self._held[name] = (at[done:], values[done:])
        return samples

    def finish(self, last_tick: int, file: Path) -> Iterator[Block]:
        """Yield the samples up to the end."""
        yield from self._until(math.floor(self._at(last_tick)) + 2, 1.0, file)
