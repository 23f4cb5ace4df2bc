"""The work on one section: buffers, windows, leads side by side, and the tables at the end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.recording.chunks import Chunk
from miner.recording.clock import Clock
from miner.recording.reader import Recording
from miner.schema import CRANK, GAPS, PULSES
from miner.signal.buffers import SampleBuffer
from miner.signal.extraction import Extraction, merge_gaps
from miner.signal.lead_work import LeadWork, PulseWork, SurveyWork
from miner.signal.leads import LeadProfile, LeadSpec
from miner.signal.measure import CLIPPED, CUT_OFF, NEAR_GAP, SLOW
from miner.signal.sections import Section, window_samples
from miner.signal.wheels.work import WheelCourse, WheelWork

__all__ = ["SectionWork"]

Floats = NDArray[np.float64]

_WINDOWS_AT_ONCE = 8
"""Windows worked on in one go: about 0.8 s, so that the threads rarely wait for each other (own choice)."""

_AVERAGED = (("supply", "supply_v"), ("ground", "ground_v"))
"""Role of a lead whose mean is taken over each pulse, and its column of PULSES."""

_FLAG_NAMES = ((CLIPPED, "clipped"), (NEAR_GAP, "near_gap"), (SLOW, "slow_sampling"), (CUT_OFF, "cut_off"))

_QUALITY_NAMES = np.array(
    [",".join(name for bit, name in _FLAG_NAMES if value & bit) for value in range(16)], dtype=object
)
"""What stands in the quality column for each sum of flags."""


class SectionWork:
    """Takes the chunks of one section in order; hands out its extraction.

    Parameters
    ----------
    recording, section, leads, profiles
        As `miner.signal.extract.extract_section`.
    pool : ThreadPoolExecutor
        Where the leads are worked on side by side; results do not depend on it.
    """

    def __init__(
        self,
        recording: Recording,
        section: Section,
        leads: Sequence[LeadSpec],
        profiles: Mapping[int, LeadProfile],
        pool: ThreadPoolExecutor,
    ) -> None:
        self._recording, self._section, self._pool = recording, section, pool
        self._window = window_samples(recording.rate_hz)
        self._at = section.read_start
        self._time = SampleBuffer(np.dtype(np.float64), section.read_start)
        self._clock = Clock(recording.rate_hz)
        self._pulse_leads = [PulseWork(recording, section, s, profiles[s.index]) for s in leads if s.has_pulses]
        self._other_leads = [_survey(recording, section, s, profiles) for s in leads if not s.has_pulses]
        self._wheels = [work for work in self._other_leads if isinstance(work, WheelWork)]
        self._averaged = {
            role: next(w for w in self._other_leads if w.spec.role == role)
            for role, _ in _AVERAGED
            if any(w.spec.role == role for w in self._other_leads)
        }
        self._currents = [w for w in self._other_leads if w.spec.role == "coil_current"]
        self._order = [spec.index for spec in leads]
        self._rows: list[dict[str, NDArray[Any]]] = []
        self._n_pulses = 0
        self._gaps: list[tuple[int, Floats, Floats]] = []
        self._window_start_s: list[Floats] = []

    @property
    def _leads(self) -> list[LeadWork]:
        return [*self._pulse_leads, *self._other_leads]

    @property
    def n_pulses(self) -> int:
        """Pulses found so far."""
        return self._n_pulses

    @property
    def is_done(self) -> bool:
        """Whether everything that starts in the section has been measured."""
        until = max([self._section.stop, *(wheel.until for wheel in self._wheels)])
        return self._at >= until and not any(lead.is_open for lead in self._pulse_leads)

    def feed(self, chunk: Chunk) -> None:
        """Take in the part of a chunk that the section reads, and work on the windows it completes."""
        start, stop = max(chunk.start, self._section.read_start), min(chunk.stop, self._section.read_stop)
        if start >= stop or self.is_done:
            return
        inside = slice(start - chunk.start, stop - chunk.start)
        breaks = chunk.breaks[(chunk.breaks >= start) & (chunk.breaks < stop)]
        for lead in self._leads:
            lead.take(chunk.raw[lead.spec.column][inside], chunk.missing[lead.spec.column], breaks)
        if chunk.time_s is not None:
            self._time.append(chunk.time_s[inside])
        at_end = stop == self._recording.n_samples
        # one sample more than the windows need: a gap that ends with a window is told with its first good sample
        ready = stop if at_end else (stop - 1) // self._window * self._window
        ending = at_end or stop == self._section.read_stop or ready >= self._section.stop
        if ready > self._at and (ending or ready - self._at >= _WINDOWS_AT_ONCE * self._window):
            self._advance(ready, at_end)

    def _advance(self, ready: int, at_end: bool) -> None:
        first, self._at = self._at, ready
        if self._recording.has_time:
            held = self._time.base + np.arange(self._time.values.size)
            self._clock = Clock(self._recording.rate_hz, held, self._time.values)
        list(self._pool.map(lambda lead: lead.advance(first, ready, at_end), self._leads))
        self._note_windows(first, ready)
        self._note_gaps(first, ready)
        for wheel in self._wheels:
            wheel.keep(self._clock.to_seconds(wheel.fresh))
        for lead in self._pulse_leads:
            self._note_pulses(lead)
        keep = min([lead.keep_from for lead in self._pulse_leads], default=ready)
        for one in self._leads:
            one.drop_before(min(keep, ready))
        self._time.drop_before(min(keep, ready) - 1)

    def _owned(self, first: int, last: int) -> tuple[int, int]:
        return max(first, self._section.start), min(last, self._section.stop)

    def _note_windows(self, first: int, last: int) -> None:
        a, b = self._owned(first, last)
        if a < b:
            self._window_start_s.append(self._clock.to_seconds(np.arange(a, b, self._window)))

    def _note_gaps(self, first: int, last: int) -> None:
        a, b = self._owned(first, last)
        for lead in self._leads:
            self._note_ranges(lead.spec.index, lead.missing_in(a, b))
            self._note_ranges(lead.spec.index, lead.lost_owned())
        breaks = self._leads[0].breaks_in(a, b)
        if breaks.size:
            self._note_ranges(-1, np.stack([breaks, breaks], axis=1))

    def _note_ranges(self, lead: int, ranges: NDArray[np.int64]) -> None:
        """Note ranges as seconds from the last good sample before to the first good one after."""
        if ranges.size:
            before = np.maximum(ranges[:, 0] - 1, 0)
            self._gaps.append((lead, self._clock.to_seconds(before), self._clock.to_seconds(ranges[:, 1])))

    def _note_pulses(self, lead: PulseWork) -> None:
        found = lead.found()
        if not found["start"].size:
            return
        start_s, stop_s = self._clock.to_seconds(found["start"]), self._clock.to_seconds(found["stop"])
        rows: dict[str, NDArray[Any]] = {
            "lead": np.full(start_s.size, lead.spec.index, np.int16),
            "start_sample": found["start"],
            "start_s": start_s,
            "stop_s": stop_s,
            "duration_us": self._width_us(found["start"], found["stop"]),
            "amplitude_v": found["amplitude_v"],
            "off_level_v": found["off_level_v"],
            "rise_us": self._width_us(found["rise_10"], found["rise"]),
            "fall_us": self._width_us(found["fall_90"], found["fall"]),
            "ripple_v": found["ripple_v"],
            "quiet_ripple_v": found["quiet_ripple_v"],
            "quality": _QUALITY_NAMES[found["flags"].astype(np.int64)],
        }
        starts = np.ceil(found["start"]).astype(np.int64)
        stops = np.floor(found["stop"]).astype(np.int64) + 1
        for role, column in _AVERAGED:
            rows[column] = np.full(start_s.size, np.nan)
            if role in self._averaged:
                rows[column] = self._averaged[role].over(starts, stops)[:, 0]
        for role, column, sign in (("supply", "supply_droop_v", -1.0), ("ground", "ground_rise_v", 1.0)):
            rows[column] = np.full(start_s.size, np.nan)
            if role in self._averaged and lead.spec.role == "command":
                rows[column] = sign * self._averaged[role].rise_over(starts, stops)
        rows["coil_charges"] = self._charges(lead, starts, stops)
        peaks = [work.over(starts, stops)[:, 1] for work in self._currents]
        rows["coil_currents_a"] = np.stack(peaks, axis=1) if peaks else np.empty((start_s.size, 0))
        self._rows.append(rows)
        self._n_pulses += start_s.size

    def _charges(self, lead: PulseWork, starts: NDArray[np.int64], stops: NDArray[np.int64]) -> Floats:
        """Return what each current lead shows of the charging, side by side; an answer is no on-time."""
        if lead.spec.role != "command":
            return np.full((starts.size, 5 * len(self._currents)), np.nan)
        each = [work.charges_over(starts, stops, self._recording.rate_hz) for work in self._currents]
        return np.concatenate(each, axis=1) if each else np.empty((starts.size, 0))

    def _width_us(self, start: Floats, stop: Floats) -> Floats:
        if not self._recording.has_time:
            return (stop - start) / self._recording.rate_hz * 1e6
        return (self._clock.to_seconds(stop) - self._clock.to_seconds(start)) * 1e6

    def finish(self) -> Extraction:
        """Return the section's extraction; no chunk may follow."""
        indexed = {work.spec.index: work for work in self._leads}
        crank = next((wheel.course() for wheel in self._wheels if wheel.spec.role == "crank"), None)
        return Extraction(
            pulses=_pulse_table([_with_angles(row, crank) for row in self._rows]),
            crank=CRANK.empty() if crank is None else crank.marks(self._section.start, self._section.stop),
            gaps=_gap_table(self._gaps),
            window_start_s=np.concatenate(self._window_start_s or [np.empty(0)]),
            window_samples=self._window,
            envelope={i: indexed[i].envelope() for i in self._order},
            tracks={work.spec.index: work.track() for work in self._other_leads},
            leads={work.spec.index: work.quality() for work in self._pulse_leads},
            columns={i: indexed[i].spec.column for i in self._order},
        )


def _survey(recording: Recording, section: Section, spec: LeadSpec, profiles: Mapping[int, LeadProfile]) -> SurveyWork:
    profile = profiles.get(spec.index)
    if profile is not None and profile.wheel is not None:
        return WheelWork(recording, section, spec, profile)
    return SurveyWork(recording, section, spec)


def _with_angles(row: dict[str, NDArray[Any]], crank: WheelCourse | None) -> dict[str, NDArray[Any]]:
    """Add where the crank was at the ends of the pulses."""
    for name, at in (("wheel_on_deg", "start_s"), ("wheel_off_deg", "stop_s")):
        row[name] = np.full(row[at].shape, np.nan) if crank is None else crank.angles_at(row[at])
    return row


def _pulse_table(rows: list[dict[str, NDArray[Any]]]) -> pa.Table:
    if not rows:
        return PULSES.empty()
    columns = {c.name: np.concatenate([row[c.name] for row in rows]) for c in PULSES.columns}
    order = np.lexsort((columns["lead"], columns["start_s"]))
    return PULSES.validate(pa.table({c.name: _array(columns[c.name][order], c.type) for c in PULSES.columns}))


def _array(values: NDArray[Any], kind: pa.DataType) -> pa.Array:
    """Return an Arrow array, NaN as null; a row of a matrix becomes a list."""
    if values.ndim == 1:
        return pa.array(values, kind, from_pandas=True)
    ends = np.arange(values.shape[0] + 1, dtype=np.int32) * values.shape[1]
    return pa.ListArray.from_arrays(ends, pa.array(values.ravel(), from_pandas=True))


def _gap_table(gaps: list[tuple[int, Floats, Floats]]) -> pa.Table:
    if not gaps:
        return GAPS.empty()
    lead = np.concatenate([np.full(start.size, index) for index, start, _ in gaps])
    return merge_gaps(
        pa.table(
            {
                "lead": pa.array(lead, pa.int16(), mask=lead < 0),
                "start_s": np.concatenate([start for _, start, _ in gaps]),
                "stop_s": np.concatenate([stop for _, _, stop in gaps]),
            }
        )
    )
