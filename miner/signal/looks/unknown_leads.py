"""A look at leads nobody has described: levels, noise, and the edges of what switches.

Twelve stretches of five seconds spread over the recording are enough to tell what a lead is, and are read in seconds
however long it is. They are thinned to about 100,000 samples a second: the shortest thing that matters, half a tooth of
a crank wheel at full speed, lasts eight of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from miner.recording.chunks import Chunk, iter_ranges
from miner.recording.clock import clock_of_chunks
from miner.recording.ranges import contains
from miner.recording.reader import Recording
from miner.signal.looks.levels import noise_sigma, state_levels

__all__ = ["LeadLook", "Pulses", "Stretch", "look_at_leads"]

Floats = NDArray[np.float64]

_LOOK_HZ = 100_000.0
"""Thinned rate: half a tooth of a crank wheel at full speed still has eight samples."""
_STRETCH_S, _N_STRETCHES = 5.0, 12
"""A minute in all: each stretch holds dozens of cycles, all of them idle and speed (own choice)."""
_SHORTEST_S = 25e-6
"""Shorter states are spikes and ringing (as `miner.signal.lead_work` has it)."""

_LEAST_SEPARATION_SIGMA = 8.0
"""Noise has no two levels further apart (own choice)."""
_NEAR_A_LEVEL = 0.2
"""A sample within this share of the distance of two levels is on one of them."""

_MOST_BETWEEN = 0.25
"""Share of samples between the levels up to which a lead has two of them: a dwell of 5 ms in 20 ms charged along a
ramp, or a sine, has far more."""

_LEAST_RANGE_V = 0.02
"""Two levels nearer to each other are counts of a recorder, not of a signal (own choice)."""
_WAVE_SHARE, _WAVE_BAND = 0.3, 0.1
"""Distance of the levels over the whole range under which a lead is a wave; hysteresis of a wave over its range."""
_BINS = 512
"""Cells between least and largest value: a fifth of a percent of the range each (own choice)."""
_OVER_REST, _AT_REST, _FEW = 1.5, 0.15, 1e-4
"""A coil that is let go throws its primary side to several times the supply, for some ten microseconds of ten
thousand."""
_LASTING, _STATE_SHARE = 0.005, 0.1
"""A line that is at its top for more than this share of the time, and falls by less than this share of its range under
its rest, is a logic line with an offset: a coil peaks for 50 us, fifty times a second at most, which is half of it."""
_LEAST_STEPS, _STEPS_FROM = 3.0, 1 << 17
"""Nearer than so many of the converter's steps are no two states (as `miner.signal.looks.look` has it); samples the
step is taken from."""


@dataclass(frozen=True, kw_only=True)
class Pulses:
    """Whole high states of a lead, seconds since the recording's first sample, and the stretch each lies in."""

    start_s: Floats
    stop_s: Floats
    stretch: NDArray[np.int64]

    @property
    def size(self) -> int:
        """Number of pulses."""
        return int(self.start_s.size)


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Thinned samples of one lead in volts (or its unit), NaN where missing; ``first`` is the sample at its start."""

    first: int
    start_s: float
    step_s: float
    volts: Floats


@dataclass(frozen=True, kw_only=True)
class LeadLook:
    """What a first look shows of one lead, in its unit.

    Attributes
    ----------
    low, high : float
        State levels (histogram modes).
    least, most : float
        Thousandth and 999 thousandths of the samples.
    mean, noise, peak : float
        ``peak`` is the largest sample of all.
    two_levels : bool
        Whether the samples lie on two levels, with little between.
    stretches : tuple of Stretch
    high_states, low_states : Pulses
        The states above and below the middle, spikes left out.
    seconds : float
        Seconds looked at.
    """

    column: str
    unit: str
    low: float
    high: float
    least: float
    most: float
    mean: float
    noise: float
    peak: float
    two_levels: bool
    stretches: tuple[Stretch, ...]
    high_states: Pulses
    low_states: Pulses
    seconds: float


def look_at_leads(
    recording: Recording,
    columns: Sequence[str],
    *,
    n_stretches: int = _N_STRETCHES,
    stretch_s: float = _STRETCH_S,
) -> dict[str, LeadLook]:
    """Look at the columns.

    Parameters
    ----------
    recording : Recording
        As opened.
    columns : sequence of str
        Leads to look at.
    n_stretches, stretch_s : int, float
        How many stretches are read, and how long each is.

    Raises
    ------
    RecordingError
        As `miner.recording.chunks.iter_chunks`.
    """
    stretches = _read(recording, columns, _ranges(recording, n_stretches, stretch_s))
    return {column: _look(column, recording.channels[column].unit, tuple(stretches[column])) for column in columns}


def _ranges(recording: Recording, n_stretches: int, stretch_s: float) -> list[tuple[int, int]]:
    n = recording.n_samples
    length = min(round(stretch_s * recording.rate_hz), n)
    if n <= n_stretches * length:
        return [(0, n)]
    starts = np.linspace(0, n - length, n_stretches).astype(np.int64)
    return [(int(start), int(start) + length) for start in starts]


def _read(
    recording: Recording, columns: Sequence[str], ranges: Sequence[tuple[int, int]]
) -> Mapping[str, list[Stretch]]:
    stride = max(1, int(recording.rate_hz / _LOOK_HZ))
    found: dict[str, list[Stretch]] = {column: [] for column in columns}
    held: dict[str, list[Floats]] = {column: [] for column in columns}
    opened, begins, expected = 0, 0.0, -1
    for chunk in iter_ranges(recording, columns, ranges):
        cuts = [chunk.start, *(int(b) for b in chunk.breaks), chunk.stop]
        for first, last in pairwise(cuts):
            if first != expected:
                _close(held, found, opened, begins, stride / recording.rate_hz)
                opened, begins = first, _second(chunk, first, recording)
            expected = last if last == chunk.stop else -1
            for column in columns:
                held[column].append(_thinned(chunk, column, first, last, stride, recording))
    _close(held, found, opened, begins, stride / recording.rate_hz)
    return found


def _second(chunk: Chunk, sample: int, recording: Recording) -> float:
    return float(clock_of_chunks(recording, [chunk]).to_seconds(sample))


def _close(
    held: dict[str, list[Floats]], found: dict[str, list[Stretch]], first: int, start_s: float, step_s: float
) -> None:
    for column, pieces in held.items():
        if pieces:
            found[column].append(Stretch(first=first, start_s=start_s, step_s=step_s, volts=np.concatenate(pieces)))
            pieces.clear()


def _thinned(chunk: Chunk, column: str, first: int, last: int, stride: int, recording: Recording) -> Floats:
    """Every ``stride``-th sample of the absolute grid, in the lead's unit."""
    channel = recording.channels[column]
    at = np.arange(first + -first % stride, last, stride)
    values = chunk.raw[column][at - chunk.start].astype(np.float64) * channel.scale + channel.offset
    values[contains(chunk.missing[column], at)] = np.nan
    return values


def _look(column: str, unit: str, stretches: tuple[Stretch, ...]) -> LeadLook:
    joined = np.concatenate([s.volts for s in stretches]) if stretches else np.empty(0)
    known = joined[np.isfinite(joined)]
    if known.size < 10:
        nothing = Pulses(start_s=np.empty(0), stop_s=np.empty(0), stretch=np.empty(0, np.int64))
        return LeadLook(
            column=column, unit=unit, low=np.nan, high=np.nan, least=np.nan, most=np.nan, mean=np.nan, noise=np.nan,
            peak=np.nan,
            two_levels=False, stretches=stretches, high_states=nothing, low_states=nothing, seconds=0.0,
        )  # fmt: skip
    least, most = (float(x) for x in np.quantile(known, [0.001, 0.999]))
    noise = noise_sigma(known)
    low, high = _levels(known, least, most, noise)
    apart = high - low > max(_LEAST_SEPARATION_SIGMA * noise, _LEAST_RANGE_V)
    between = np.abs(known - (low + high) / 2) < (0.5 - _NEAR_A_LEVEL) * (high - low)
    if high - low < _WAVE_SHARE * (most - least):  # a wave that grows with speed has no levels but its middle
        middle, band = float(np.median(known)), _WAVE_BAND * (most - least)
    else:
        # steps of a steep signal count as noise, so the band is bounded
        middle, band = (low + high) / 2, min(max(0.1 * (high - low), 3.0 * noise), 0.25 * (high - low))
    ups, downs = _states(stretches, middle, band)
    return LeadLook(
        column=column, unit=unit, low=low, high=high, least=least, most=most, mean=float(known.mean()), noise=noise,
        peak=float(known.max()),
        two_levels=bool(apart and between.mean() < _MOST_BETWEEN * _active_share(ups, downs)), stretches=stretches,
        high_states=ups, low_states=downs, seconds=known.size * stretches[0].step_s,
    )  # fmt: skip


def _levels(known: Floats, least: float, most: float, noise: float) -> tuple[float, float]:
    """Return the two state levels; of a line that rests high and is thrown far up, those it is drawn to and rests at.

    The largest values of such a line, the primary side of a coil, would else be taken for the upper level.
    """
    lower, upper = state_levels(known[(known >= least) & (known <= most)])
    if most <= least:
        return lower, upper
    counts, edges = np.histogram(known, bins=_BINS, range=(least, most))
    usual = int(np.argmax(counts))
    rest = float(edges[usual] + edges[usual + 1]) / 2
    below, above = known[known < 0.5 * rest], known[known > _OVER_REST * rest]
    rests = np.count_nonzero(np.abs(known - rest) < _AT_REST * rest) > 0.4 * known.size
    drawn_down = _FEW * known.size < below.size < 0.4 * known.size
    if rest > 0 and rests and drawn_down and _FEW * known.size < above.size < 0.2 * known.size:
        low = float(np.median(below))
        lasts = np.count_nonzero(known > (least + most) / 2) > _LASTING * known.size
        a_state = not lasts or rest - low > _STATE_SHARE * (most - least)
        step = float(np.diff(np.unique(known[:_STEPS_FROM])).min(initial=np.inf))
        if a_state and rest - low > max(_LEAST_SEPARATION_SIGMA * noise, _LEAST_STEPS * min(step, most - least)):
            return low, rest
    return lower, upper


def _active_share(ups: Pulses, downs: Pulses) -> float:
    """Return the share of time in the shorter one of the states; what lies between the levels is held against it."""
    high, low = (float((x.stop_s - x.start_s).sum()) for x in (ups, downs))
    return min(high, low) / (high + low) if high + low > 0 else 0.0


def _states(stretches: Sequence[Stretch], middle: float, band: float) -> tuple[Pulses, Pulses]:
    """Return the whole states above and below the middle; a band of hysteresis keeps noise from switching."""
    pieces = [_turns(s, middle, band) for s in stretches]
    ups: list[tuple[Floats, Floats, NDArray[np.int64]]] = []
    downs: list[tuple[Floats, Floats, NDArray[np.int64]]] = []
    for number, (at, rising) in enumerate(pieces):
        for want, rows in ((True, ups), (False, downs)):
            first = rising[:-1] == want
            rows.append((at[:-1][first], at[1:][first], np.full(int(first.sum()), number)))
    return tuple(_joined(rows) for rows in (ups, downs))  # type: ignore[return-value]


def _joined(rows: list[tuple[Floats, Floats, NDArray[np.int64]]]) -> Pulses:
    start, stop, stretch = (np.concatenate([row[i] for row in rows]) if rows else np.empty(0) for i in range(3))
    return Pulses(start_s=start, stop_s=stop, stretch=stretch.astype(np.int64))


def _turns(stretch: Stretch, middle: float, band: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the instants of turns, interpolated, and whether each rises; states shorter than a spike are closed."""
    x = stretch.volts - middle
    side = np.where(x > band / 2, 1, np.where(x < -band / 2, -1, 0)).astype(np.int8)
    decided = np.flatnonzero(side)
    if decided.size < 2:
        return np.empty(0), np.empty(0, bool)
    new = np.flatnonzero(np.diff(side[decided])) + 1
    at = decided[new]
    rising = side[at] > 0
    at, rising = _without_spikes(at, rising, _SHORTEST_S / stretch.step_s)
    before = np.maximum(at - 1, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.clip(np.nan_to_num(x[at] / (x[at] - x[before]), nan=0.0, posinf=0.0, neginf=0.0), 0.0, 1.0)
    return stretch.start_s + (at - part) * stretch.step_s, rising


def _without_spikes(
    at: NDArray[np.int64], rising: NDArray[np.bool_], shortest: float
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Drop pairs of turns that enclose a state that is too short."""
    keep = np.ones(at.size, bool)
    for i in _short_states(at, shortest):
        if keep[i] and keep[i + 1]:
            keep[i] = keep[i + 1] = False
    at, rising = at[keep], rising[keep]
    same = np.flatnonzero(np.diff(rising.astype(np.int8)) == 0) + 1
    return np.delete(at, same), np.delete(rising, same)


def _short_states(at: NDArray[np.int64], shortest: float) -> Iterator[int]:
    yield from np.flatnonzero(np.diff(at) < shortest).tolist()
