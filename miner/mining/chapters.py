"""A long recording is told apart and ranked in chapters of about an hour, so that memory does not grow with its length.

A chapter is tracked together with some seconds on either side and begins with a slot that the chapter before knows, so
that cylinders and cycles go on; its events are cut where nothing fires. Where the chapters lie follows from the
sections alone, and these from the recording.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.engine.cycles import Opening, Tracking, track_cycles
from miner.engine.setup import Setup
from miner.events.rows import with_column
from miner.events.table import build_events
from miner.mining.look import CHAPTER_EVENTS, LONE_EVENTS
from miner.mining.section_file import count_pulses, read_crank, read_pulses, read_start_s
from miner.schema import PULSE_ROLES, PULSES
from miner.signal.extraction import in_order

__all__ = ["count_section_events", "plan_chapters", "tell_chapters"]

MARGIN_S = 30.0
"""Tracked beyond each end of a chapter: several hundred events, more than any state of the tracking reaches."""

CUT_WITHIN_S = 2.0
"""A chapter ends in the longest pause this near before the border of its last section."""


def count_section_events(setup: Setup, section: Path) -> int:
    """Return how many events a section holds, or a little more, without reading it.

    Each event has a pulse on a command lead or on a feedback lead; repeated sparks are counted as well.
    """
    counts = Counter(count_pulses(section))
    return max(sum(counts[index] for index, _ in setup.leads(role)) for role in PULSE_ROLES)


def plan_chapters(setup: Setup, sections: Sequence[Path]) -> list[range]:
    """Return which sections make up each chapter: as few chapters as may be, with about as many events in each."""
    n_events = np.array([count_section_events(setup, section) for section in sections], dtype=np.int64)
    total = int(n_events.sum())
    n_chapters = 1 if total <= LONE_EVENTS else -(-total // CHAPTER_EVENTS)
    middle = np.cumsum(n_events) - n_events / 2
    chapter = np.floor(middle / max(total, 1) * n_chapters).astype(np.int64)
    starts = np.flatnonzero(np.diff(chapter, prepend=-1))
    return [range(*ends) for ends in zip(starts.tolist(), [*starts[1:].tolist(), len(sections)], strict=True)]


def tell_chapters(
    setup: Setup, sections: Sequence[Path], chapters: Sequence[range], gaps: pa.Table, end_s: float, *, rate_hz: float
) -> Iterator[pa.Table]:
    """Yield the events of each chapter.

    Parameters
    ----------
    setup : Setup
    sections : sequence of path
        Files of all sections, in order.
    chapters : sequence of range
        From `plan_chapters`.
    gaps : GAPS table
        Of the whole recording.
    end_s : float
        End of the recording.
    rate_hz : float
        Sample rate.

    Yields
    ------
    EVENTS table
        ``event_id`` and ``cycle`` run on from chapter to chapter.
    """
    teller = _Teller(setup, sections, gaps, end_s, rate_hz)
    for chapter in chapters:
        yield teller.tell(chapter)


class _Teller:
    """Tells one chapter after the other, and keeps what the next one goes on from."""

    def __init__(self, setup: Setup, sections: Sequence[Path], gaps: pa.Table, end_s: float, rate_hz: float) -> None:
        self._setup, self._sections, self._gaps = setup, sections, gaps
        self._end_s, self._rate_hz = end_s, rate_hz
        self._start_s = -np.inf
        self._opening: Opening | None = None
        self._next_cycle = self._next_id = 0
        self._last_segment = -1

    def tell(self, chapter: range) -> pa.Table:
        """Return the events of a chapter."""
        is_last = chapter.stop == len(self._sections)
        border_s = np.inf if is_last else read_start_s(self._sections[chapter.stop])
        pulses = self._pulses(chapter, self._start_s - MARGIN_S, border_s + MARGIN_S)
        end_s = min(self._end_s, border_s + MARGIN_S)
        tracking = track_cycles(pulses, self._gaps, self._setup, end_s=end_s, opening=self._opening)
        crank = pa.concat_tables([read_crank(section) for section in self._near(chapter)])
        events = build_events(pulses, self._gaps, tracking, self._setup, rate_hz=self._rate_hz, crank=crank)
        del crank
        time_s = events["time_s"].to_numpy()
        stop_s = np.inf if is_last else _quiet_moment(time_s, border_s)
        first, last = np.searchsorted(time_s, (self._start_s, stop_s)).tolist()
        numbered = self._number(events.slice(first, last - first), _segment_before(events, first))
        self._hand_on(tracking, numbered, stop_s)
        return numbered

    def _near(self, chapter: range) -> Sequence[Path]:
        """Return the sections of a chapter and one on either side."""
        return self._sections[max(chapter.start - 1, 0) : chapter.stop + 1]

    def _pulses(self, chapter: range, start_s: float, stop_s: float) -> pa.Table:
        """Return the pulses of a chapter and its margins, in order."""
        parts = [PULSES.empty()]
        for section in self._near(chapter):
            pulses = read_pulses(section)
            inside = pc.and_(pc.greater_equal(pulses["start_s"], start_s), pc.less(pulses["start_s"], stop_s))
            parts.append(pulses if pc.all(inside).as_py() else pulses.filter(inside))
        return in_order(pa.concat_tables(parts))

    def _number(self, events: pa.Table, segment_before: int) -> pa.Table:
        """Return the events with ``event_id``, ``segment``, and ``cycle`` where the engine had stopped, running on."""
        events = with_column(events, "event_id", self._next_id + np.arange(events.num_rows))
        events = with_column(events, "segment", events["segment"].to_numpy() + self._last_segment - segment_before)
        if self._opening is None and self._next_cycle:
            events = with_column(events, "cycle", events["cycle"].to_numpy() + self._next_cycle)
        return events

    def _hand_on(self, tracking: Tracking, events: pa.Table, stop_s: float) -> None:
        self._start_s = stop_s
        shift = self._next_cycle if self._opening is None else 0
        opening = tracking.opening_after(stop_s - MARGIN_S, stop_s) if np.isfinite(stop_s) else None
        self._opening = None if opening is None else replace(opening, cycle=opening.cycle + shift)
        self._next_id += events.num_rows
        if events.num_rows:
            self._next_cycle = int(pc.max(events["cycle"]).as_py()) + 1
            self._last_segment = events["segment"][-1].as_py()


def _segment_before(events: pa.Table, row: int) -> int:
    """Return the segment of the event before a row; for the first, or none, the one before its own."""
    if row:
        return int(events["segment"][row - 1].as_py())
    return int(events["segment"][0].as_py()) - 1 if events.num_rows else -1


def _quiet_moment(time_s: NDArray[np.float64], border_s: float) -> float:
    """Return the middle of the longest pause between events shortly before a border."""
    near = time_s[(time_s > border_s - CUT_WITHIN_S) & (time_s < border_s)]
    ends = np.concatenate([[border_s - CUT_WITHIN_S], near, [border_s]])
    longest = int(np.argmax(np.diff(ends)))
    return float(ends[longest] + ends[longest + 1]) / 2.0
