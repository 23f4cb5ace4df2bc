"""One view of the leads: true samples when close, exact smallest and largest values when far.

A view is what lies between two times, told in about as many numbers as the picture has pixels. Blocks are aligned
to the recording's first sample, so that panning does not make the picture flicker.
"""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.memory import Kept, give_back
from miner.recording.clock import Clock
from miner.recording.reader import Recording
from miner.recording.windows import Window, read_windows
from miner.review.envelope import extremes_of_blocks
from miner.review.source import ReviewSource

__all__ = ["View", "ViewReader"]

SAMPLES_PER_PIXEL = 16
"""Up to so many, the page gets true samples; the picture cannot show more anyway."""

TILE_SAMPLES = 1 << 18
FINE_BLOCK = 16
"""Samples a block in a tile: a view with fewer samples a pixel is read as true samples or from these blocks."""

TILES_KEPT, SAMPLE_TILES_KEPT = 48, 4
"""Tiles at hand as blocks, and as true samples: 50 MB with four leads. The widest view
that is made of them lies on 30; a close view lies on two, and has two beside it."""

QUICK_BLOCKS = 64
"""A quick view that needs unread tiles is made of the envelope, if it has so many blocks there."""

MARGIN = 1 / 6
"""Share of a view at each side that lies beyond the picture: the page asks for half a picture more than it shows."""

MAY_MISS = 0.1
"""Share of a view at each side that its first, quick picture may lack besides."""

LONGEST_WINDOW_S = 0.5
"""No stored window of true samples is longer."""

Floats = NDArray[np.float32]
Level = dict[int, tuple[Floats, Floats]]
T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class View:
    """What the leads show between two times.

    Attributes
    ----------
    step : int
        1 for true samples; else samples a block, and ``values`` holds min, max, min, max ...
    times_s : ndarray of shape (n,), float64
        Time of each sample, or of the first sample of each block.
    values : dict of int to ndarray of shape (n,) or (2 n,), float32
        Per lead; NaN where nothing was recorded.
    exact : bool
        False if a sharper picture can be had by asking without ``quick``.
    partial : bool
        True if true samples are missing because the recording is.
    """

    step: int
    times_s: NDArray[np.float64]
    values: dict[int, Floats]
    exact: bool = True
    partial: bool = False


class ViewReader:
    """Reads views; keeps what it read lately. Safe to call from several threads.

    Parameters
    ----------
    source : ReviewSource
    """

    def __init__(self, source: ReviewSource) -> None:
        self.source = source
        self._blocks_of: Kept[Level] = Kept(TILES_KEPT)
        self._samples_of: Kept[Window] = Kept(SAMPLE_TILES_KEPT)
        self._reading = threading.Lock()
        self._ahead = ThreadPoolExecutor(1, thread_name_prefix="ahead")

    def view(self, start_s: float, stop_s: float, n_pixels: int, *, quick: bool = False) -> View:
        """Return what lies in ``[start_s, stop_s]``, one sample or block beyond at each side where there is one."""
        source = self.source
        first = max(source.clock.nearest(start_s) - 1, 0)
        last = min(source.clock.nearest(stop_s) + 2, source.n_samples)
        if last <= first:
            return View(step=1, times_s=np.empty(0), values={})
        per_pixel = (last - first) / n_pixels
        if source.recording is None:
            return self._stored(start_s, stop_s, first, last, per_pixel)
        if per_pixel <= SAMPLES_PER_PIXEL:
            unread = any(tile not in self._samples_of for tile in _tiles_over(first, last))
            window = self._window_under(start_s, stop_s) if quick and unread else None
            return window or self._true_samples(source.recording, first, last)
        if per_pixel >= self.source.envelope.block_samples:
            return self._far(first, last, per_pixel)
        enough = last - first >= QUICK_BLOCKS * source.envelope.block_samples and source.envelope.levels[0]
        if quick and enough and any(tile not in self._blocks_of for tile in _tiles_over(first, last)):
            return self._far(first, last, per_pixel, exact=False)
        return self._middle(source.recording, first, last, per_pixel)

    def _true_samples(self, recording: Recording, first: int, last: int) -> View:
        tiles = [self._samples(recording, tile) for tile in _tiles_over(first, last)]
        place = slice(first - tiles[0].start, last - tiles[0].start)
        times = np.concatenate([tile.time_s for tile in tiles])[place]
        values = {
            lead.index: np.concatenate([tile.volts[lead.column] for tile in tiles])[place] for lead in self.source.leads
        }
        self._read_ahead(recording, first, last)
        return _with_breaks(View(step=1, times_s=times, values=values), self.source.rate_hz)

    def _window_under(self, start_s: float, stop_s: float) -> View | None:
        """Return a stored window of true samples that fills the picture, so that nothing has to be decoded first.

        What lies at its edges, and beyond them, may be missing: it follows with the sharper picture.
        """
        edge = (stop_s - start_s) * (MARGIN + MAY_MISS)
        spans = self.source.stored_spans
        for event_id, window_start_s in spans.items():
            if window_start_s > start_s + edge:
                break
            if window_start_s < start_s - LONGEST_WINDOW_S:
                continue
            table = self.source.true_windows
            view = stored_view(
                table.filter(pc.equal(table["event_id"], event_id)), self.source.clock, true_samples=True
            )
            if len(view.times_s) and view.times_s[-1] >= stop_s - edge:
                shown = _cut(view, start_s, stop_s)
                return replace(_with_breaks(shown, self.source.rate_hz), exact=False)
        return None

    def _samples(self, recording: Recording, tile: int) -> Window:
        columns = [lead.column for lead in self.source.leads]
        start = tile * TILE_SAMPLES
        stop = min(start + TILE_SAMPLES, self.source.n_samples)
        chunks = TILE_SAMPLES // 2

        def make() -> Window:
            return next(read_windows(recording, columns, [(start, stop)], chunk_samples=chunks))

        with self._reading:  # who wants the same tile waits for it; decoding has threads of its own
            return self._samples_of.get(tile, make)

    def _read_ahead(self, recording: Recording, first: int, last: int) -> None:
        """Read the tiles at both sides while the person looks, so that the next pan need not wait."""
        for tile in (last // TILE_SAMPLES + 1, first // TILE_SAMPLES - 1):
            if 0 <= tile * TILE_SAMPLES < self.source.n_samples and tile not in self._blocks_of:
                self._ahead.submit(self._tile, recording, tile)
        self._ahead.submit(give_back)

    def _far(self, first: int, last: int, per_pixel: float, *, exact: bool = True) -> View:
        step, level = self.source.envelope.pick(per_pixel)
        return self._blocks(step, level, 0, first, last, exact=exact)

    def _blocks(
        self,
        step: int,
        level: Level,
        offset: int,
        first: int,
        last: int,
        *,
        exact: bool = True,
    ) -> View:
        """Cut blocks out of a level whose block 0 starts at sample ``offset``."""
        low, high = (first - offset) // step, -(-(last - offset) // step)
        starts = offset + np.arange(low, high) * step
        values = {lead: _interleave(a[low:high], b[low:high], high - low) for lead, (a, b) in level.items()}
        return View(step=step, times_s=self.source.clock.to_seconds(starts), values=values, exact=exact)

    def _middle(self, recording: Recording, first: int, last: int, per_pixel: float) -> View:
        """Join the fine blocks of the tiles under the view, and make them as coarse as the picture needs."""
        tiles = _tiles_over(first, last)
        parts = [self._tile(recording, tile) for tile in tiles]
        join = max(int(per_pixel) // FINE_BLOCK, 1)
        join = 1 << (join.bit_length() - 1)  # a power of two fits into a tile
        level = {}
        for lead in parts[0]:
            low = np.concatenate([part[lead][0] for part in parts])
            high = np.concatenate([part[lead][1] for part in parts])
            level[lead] = (extremes_of_blocks(low, join)[0], extremes_of_blocks(high, join)[1])
        if len(tiles) <= 2:
            self._read_ahead(recording, first, last)
        return self._blocks(FINE_BLOCK * join, level, tiles[0] * TILE_SAMPLES, first, last)

    def _tile(self, recording: Recording, tile: int) -> Level:
        def make() -> Level:
            volts = self._samples(recording, tile).volts
            return {lead.index: extremes_of_blocks(volts[lead.column], FINE_BLOCK) for lead in self.source.leads}

        return self._blocks_of.get(tile, make)

    def _stored(self, start_s: float, stop_s: float, first: int, last: int, per_pixel: float) -> View:
        """Without the recording: stored windows when close, the envelope when far."""
        block = self.source.envelope.block_samples
        if per_pixel < block / 8:
            for event_id, window_start_s in self.source.stored_spans.items():
                if window_start_s > stop_s:
                    break
                table = self.source.stored_windows(event_id)
                view = _cut(stored_view(table, self.source.clock, true_samples=True), start_s, stop_s)
                if len(view.times_s):
                    return view
        step, level = self.source.envelope.pick(per_pixel)
        view = self._blocks(step, level, 0, first, last)
        return View(step=step, times_s=view.times_s, values=view.values, partial=per_pixel < block)


def _tiles_over(first: int, last: int) -> range:
    return range(first // TILE_SAMPLES, (last - 1) // TILE_SAMPLES + 1)


def stored_view(table: pa.Table, clock: Clock, *, true_samples: bool) -> View:
    """Return the stored window of one suspect as a view."""
    table = table.filter(pc.equal(table["step"], 1) if true_samples else pc.not_equal(table["step"], 1))
    if not table.num_rows:
        return View(step=1, times_s=np.empty(0), values={}, partial=True)
    step, start_s = table["step"][0].as_py(), table["start_s"][0].as_py()
    leads = table["lead"].to_pylist()
    values = {
        lead: np.asarray(table["values"][i].values.to_numpy(zero_copy_only=False), np.float32)
        for i, lead in enumerate(leads)
    }
    n = len(next(iter(values.values()))) // (1 if step == 1 else 2)
    first = clock.nearest(start_s)
    return View(step=step, times_s=clock.to_seconds(first + np.arange(n) * step), values=values, partial=True)


def _cut(view: View, start_s: float, stop_s: float) -> View:
    first, last = np.searchsorted(view.times_s, [start_s, stop_s])
    width = 1 if view.step == 1 else 2
    return View(
        step=view.step,
        times_s=view.times_s[first:last],
        values={lead: values[first * width : last * width] for lead, values in view.values.items()},
        partial=view.partial,
    )


def _interleave(low: Floats, high: Floats, n: int) -> Floats:
    out = np.full(2 * n, np.nan, np.float32)
    out[0 : 2 * len(low) : 2], out[1 : 2 * len(high) : 2] = low, high
    return out


def _with_breaks(view: View, rate_hz: float) -> View:
    """Put a NaN into every step of time that is longer than 1.5 sample periods, so that no line crosses it."""
    jumps = np.flatnonzero(np.diff(view.times_s) * rate_hz > 1.5) + 1
    if not len(jumps):
        return view
    times = np.insert(view.times_s, jumps, view.times_s[jumps - 1] + 1 / rate_hz)
    values = {lead: np.insert(v, jumps, np.float32(np.nan)) for lead, v in view.values.items()}
    return View(step=1, times_s=times, values=values)
