"""What mining keeps for the review: windows of the top suspects, and each cylinder's usual pulse.

The size is bounded: at most `N_WINDOWS` suspects, `MAX_TRUE_SAMPLES` samples and `N_WIDE_BLOCKS` blocks per lead
each, and one usual pulse for each cylinder and speed that a kept suspect has.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.findings.store import Findings
from miner.recording.reader import Recording
from miner.recording.windows import Window, read_windows
from miner.review.envelope import block_extremes
from miner.review.keep import clock_table, envelope_tables, measure_table, track_table
from miner.review.source import RECORDING_FILE, TimeMap, describe_recording
from miner.review.tables import CLOCK, ENVELOPE, MEASURES, TRACKS, USUAL, WINDOWS
from miner.schema import GAPS
from miner.signal.extraction import Envelope, Extraction
from miner.suspicion.measures import column_values, seen_values
from miner.suspicion.rows import Rows, cylinder_values, first_id, gather, single_values

__all__ = ["build_windows", "speed_cell"]

N_WINDOWS = 100
MAX_TRUE_SAMPLES = 12_000
N_WIDE_BLOCKS = 1000
DEFAULT_PULSE_US = 4000.0
"""Pulse and answer together where nothing could be measured; common practice, no source."""

SPEED_RANGES = (0.08, 0.2, 0.4)
"""Relative speed distance of the healthy events used for the usual pulse; the next one where there are too few."""

CELLS_PER_OCTAVE = 4
ENOUGH_EVENTS = 12
N_PLACES, N_PER_PLACE = 8, 4
"""Healthy events for one usual pulse come from so many places of the recording, so many in a row from each."""

N_NEAR = 200
"""Events of the same cylinder next to a suspect that tell how long its pulse should be."""

USUAL_POINTS = 600
QUANTILES = (5.0, 50.0, 95.0)

Floats = NDArray[np.float32]


def build_windows(
    folder: str | Path,
    recording: Recording,
    setup: Setup,
    extraction: Extraction,
    events: Rows,
    suspects: pa.Table,
    *,
    envelopes: Iterable[Mapping[int, Envelope]] | None = None,
    scores: pa.Table | None = None,
) -> None:
    """Write everything the review needs besides the findings themselves into the findings folder.

    Parameters
    ----------
    folder : path
        The findings folder.
    extraction : Extraction
        Of the whole recording.
    events, suspects : Rows and pyarrow.Table
        As declared in `miner.schema`; suspects worst first.
    envelopes : iterable of mapping of int to Envelope, optional
        Of successive sections, where the extraction is without.
    scores : pyarrow.Table, optional
        ``scores`` of the ranking: ``usual_<measure>`` and ``distance_<measure>`` of each event.

    Raises
    ------
    FindingsError
        If the folder cannot be written.
    """
    findings = Findings(folder)
    findings.write_json(RECORDING_FILE, describe_recording(recording, setup))
    findings.write_table(GAPS, extraction.gaps)
    clock = clock_table(extraction) if recording.has_time else CLOCK.empty()
    findings.write_table(CLOCK, clock)
    with findings.writing_table(ENVELOPE) as write:
        for table in envelope_tables([extraction.envelope] if envelopes is None else envelopes):
            write(table)
    findings.write_table(TRACKS, track_table(extraction))
    findings.write_table(MEASURES, measure_table(suspects, scores))
    times = TimeMap(recording.rate_hz, extraction.gaps, clock)
    columns = [channel.column for channel in setup.channel]
    picker = _Picker(times, _Events.of(events), _Sweep(recording, columns))
    windows = [_Window(picker, suspect) for suspect in suspects.slice(0, N_WINDOWS).to_pylist()]
    usual = list(_usual_pulses(picker, setup, suspects))
    picker.sweep.run()
    rows = [row for window in windows for row in window.rows]
    rows.sort(key=lambda row: (row["event_id"], row["step"], row["lead"]))
    findings.write_table(WINDOWS, pa.Table.from_pylist(rows, schema=WINDOWS.schema))
    findings.write_table(USUAL, pa.Table.from_pylist([r for u in usual for r in u.rows()], schema=USUAL.schema))


def speed_cell(rpm: float | None) -> int:
    """Return the running number of the speed range of an event: quarter octaves; -1 where the speed is unknown."""
    return -1 if rpm is None or not rpm > 0 else round(np.log2(rpm) * CELLS_PER_OCTAVE)


@dataclass(frozen=True, kw_only=True)
class _Events:
    """What is needed of every event; NaN and cylinder -1 for null. A day has millions: the types are small."""

    first_id: int
    time_s: NDArray[np.float64]
    cylinder: NDArray[np.int16]
    rpm: Floats
    ends_us: Floats  # of pulse and answer together, after turn-on
    fine: NDArray[np.bool_]  # both pulses where there are leads for them, and nothing to be said against the row

    @classmethod
    def of(cls, events: Rows) -> _Events:
        on_time, delay, width = (
            gather(events, name, single_values) for name in ("on_time_us", "delay_us", "feedback_width_us")
        )
        seen = [gather(events, name, seen_values) != 0 for name in ("command_seen", "feedback_seen")]
        return cls(
            first_id=first_id(events),
            time_s=gather(events, "time_s", column_values),
            cylinder=gather(events, "cylinder", cylinder_values),
            rpm=gather(events, "engine_rpm", single_values),
            ends_us=np.fmax(on_time, np.nan_to_num(delay, copy=False) + width),
            fine=seen[0] & seen[1] & gather(events, "quality", _is_empty),
        )

    @cached_property
    def of_cylinder(self) -> dict[int, NDArray[np.int64]]:
        """Rows of each cylinder, ascending."""
        return {int(c): np.flatnonzero(self.cylinder == c) for c in np.unique(self.cylinder)}

    def near(self, cylinder: int, time_s: float, n: int) -> NDArray[np.int64]:
        """Return rows of the ``n`` events of a cylinder nearest in time."""
        rows = self.of_cylinder.get(cylinder, np.empty(0, np.int64))
        at = int(np.searchsorted(self.time_s[rows], time_s))
        rows = rows[max(at - n, 0) : at + n]
        return rows[np.argsort(np.abs(self.time_s[rows] - time_s), kind="stable")[:n]]

    def pulse_span_us(self, rows: NDArray[np.int64]) -> float:
        """Return how long pulse and answer together usually take for these events."""
        ends = self.ends_us[rows]
        ends = ends[np.isfinite(ends)]
        return float(np.median(ends)) if len(ends) else DEFAULT_PULSE_US


def _is_empty(events: pa.Table, column: str) -> NDArray[np.bool_]:
    return np.asarray(pc.equal(events[column], "").to_numpy(zero_copy_only=False), dtype=np.bool_)


Keep = Callable[[Window], None]


class _Sweep:
    """Collects which short stretches of a recording are wanted, and by whom, and reads all in one pass."""

    def __init__(self, recording: Recording, columns: list[str]) -> None:
        self.recording = recording
        self.columns = columns
        self.wanted: list[tuple[int, int, Keep]] = []

    def want(self, first: int, last: int, keep: Keep) -> None:
        """Have ``keep`` called with samples ``[first, last)``, cut to the recording."""
        first = min(max(first, 0), self.recording.n_samples)
        self.wanted.append((first, max(min(last, self.recording.n_samples), first), keep))

    def run(self) -> None:
        """Read everything that is wanted."""
        wanted = sorted(self.wanted, key=lambda piece: (piece[1], piece[0]))  # the order in which windows come
        ranges = [(first, last) for first, last, _ in wanted]
        windows = read_windows(self.recording, self.columns, ranges)
        for window, (_, _, keep) in zip(windows, wanted, strict=True):
            keep(window)


@dataclass(frozen=True)
class _Picker:
    """What is needed to find pieces of the recording."""

    times: TimeMap
    events: _Events
    sweep: _Sweep

    def want(self, start_s: float, stop_s: float, keep: Keep) -> None:
        """Ask for the samples in ``[start_s, stop_s]`` and one more at each side."""
        self.sweep.want(self.times.sample_at(start_s) - 1, self.times.sample_at(stop_s) + 2, keep)


class _Window:
    """Rows of one suspect: true samples around its pulse, and the whole window in blocks."""

    def __init__(self, picker: _Picker, suspect: dict[str, Any]) -> None:
        self.picker = picker
        self.event_id = suspect["event_id"]
        self.rows: list[dict[str, Any]] = []
        events = picker.events
        near = events.near(_number(suspect["cylinder"]), suspect["time_s"], N_NEAR)
        span_s = events.pulse_span_us(near) * 1e-6
        reach_s = MAX_TRUE_SAMPLES / picker.times.rate_hz
        start_s = suspect["time_s"] - min(0.4 * span_s, 0.3 * reach_s)
        picker.want(start_s, start_s + min(2.0 * span_s, reach_s), self._keep_samples)
        picker.want(suspect["window_start_s"], suspect["window_end_s"], self._keep_blocks)

    def _keep_samples(self, window: Window) -> None:
        self._keep(window, 1, list(window.volts.values()))

    def _keep_blocks(self, window: Window) -> None:
        step = max(-(-len(window.time_s) // N_WIDE_BLOCKS), 2)
        blocks = (block_extremes(values, step) for values in window.volts.values())
        self._keep(window, step, [np.stack(ends, axis=1).ravel() for ends in blocks])

    def _keep(self, window: Window, step: int, kept: list[Floats]) -> None:
        if not len(window.time_s):
            return
        self.rows += [
            {"event_id": self.event_id, "lead": lead, "step": step, "start_s": window.time_s[0], "values": values}
            for lead, values in enumerate(kept)
        ]


def _number(cylinder: int | None) -> int:
    return -1 if cylinder is None else cylinder


def _usual_pulses(picker: _Picker, setup: Setup, suspects: pa.Table) -> Iterator[_UsualPulse]:
    """Yield the usual pulse of every cylinder and speed that a kept suspect has."""
    healthy = picker.events.fine.copy()
    healthy[suspects["event_id"].to_numpy() - picker.events.first_id] = False
    wanted: dict[tuple[int, int], list[float]] = {}
    for suspect in suspects.slice(0, N_WINDOWS).to_pylist():
        rpm = float(picker.events.rpm[suspect["event_id"] - picker.events.first_id])
        wanted.setdefault((suspect["cylinder"] or 0, speed_cell(rpm)), []).append(rpm)
    for number, ((cylinder, _), speeds) in enumerate(sorted(wanted.items())):
        rows = _same_speed(picker, healthy, cylinder or None, float(np.median(speeds)))
        if len(rows) >= N_PER_PLACE:
            yield _UsualPulse(picker, setup, number, cylinder or None, rows)


def _same_speed(picker: _Picker, healthy: NDArray[np.bool_], cylinder: int | None, rpm: float) -> NDArray[np.int64]:
    """Return rows of healthy events of the cylinder near the speed, spread over the recording."""
    mine = healthy & (picker.events.cylinder == _number(cylinder))
    speeds = picker.events.rpm
    rows = np.flatnonzero(mine)
    if np.isfinite(rpm):
        for reach in SPEED_RANGES:
            rows = np.flatnonzero(mine & (np.abs(speeds / rpm - 1) <= reach))
            if len(rows) >= ENOUGH_EVENTS:
                break
    places = np.linspace(0, max(len(rows) - N_PER_PLACE, 0), N_PLACES).astype(int)
    picked = np.unique((places[:, None] + np.arange(N_PER_PLACE)).ravel())
    out: NDArray[np.int64] = rows[picked[picked < len(rows)]]
    return out


class _UsualPulse:
    """Median and band of one cylinder at one speed, on every lead that can show it."""

    def __init__(
        self, picker: _Picker, setup: Setup, number: int, cylinder: int | None, rows: NDArray[np.int64]
    ) -> None:
        self.picker = picker
        span_us = picker.events.pulse_span_us(rows)
        self.start_us, stop_us = -0.4 * span_us, 1.6 * span_us
        self.step_us = max((stop_us - self.start_us) / USUAL_POINTS, 1e6 / picker.times.rate_hz)
        self.grid_us = np.arange(self.start_us, stop_us, self.step_us)
        self.leads = [
            lead
            for lead, channel in enumerate(setup.channel)
            if channel.role != "command" or channel.cylinder == cylinder or setup.engine.layout == "paired"
        ]
        self.pulses: list[list[Floats]] = []
        speeds = picker.events.rpm[rows]
        known = speeds[np.isfinite(speeds)]
        self.shared = {
            "cell": number, "cylinder": cylinder, "n_events": len(rows), "start_us": self.start_us,
            "step_us": self.step_us, "rpm_low": float(known.min(initial=np.inf)) if len(known) else 0.0,
            "rpm_high": float(known.max(initial=0.0)),
        }  # fmt: skip
        for time_s in picker.events.time_s[rows]:
            picker.want(time_s + self.start_us * 1e-6, time_s + stop_us * 1e-6, self._keeper(float(time_s)))

    def _keeper(self, time_s: float) -> Keep:
        def keep(window: Window) -> None:
            """Put the leads on the grid, linear between samples, NaN beyond the recording."""
            at_us = (window.time_s - time_s) * 1e6
            volts = list(window.volts.values())
            self.pulses.append(
                [np.interp(self.grid_us, at_us, volts[lead], left=np.nan, right=np.nan) for lead in self.leads]
            )

        return keep

    def rows(self) -> Iterator[dict[str, Any]]:
        """Yield one row per lead, once everything was read."""
        for place, lead in enumerate(self.leads):
            low, median, high = _quantiles(np.stack([pulse[place] for pulse in self.pulses]))
            yield {**self.shared, "lead": lead, "low": low, "median": median, "high": high}


def _quantiles(stack: NDArray[np.float64]) -> Sequence[Floats]:
    """Return the 5, 50 and 95 % quantiles over the events at each point, NaN where no event has a value."""
    out = np.full((len(QUANTILES), stack.shape[1]), np.nan, np.float32)
    ordered = np.sort(stack, axis=0)  # NaN goes last
    known = np.isfinite(stack).sum(axis=0)
    for n in np.unique(known[known > 0]):
        out[:, known == n] = np.percentile(ordered[:n, known == n], QUANTILES, axis=0)
    return list(out)
