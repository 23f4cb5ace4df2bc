"""What mining keeps for the review: windows of the top suspects, and each cylinder's usual pulse.

The size is bounded: at most `N_WINDOWS` suspects, `MAX_TRUE_SAMPLES` samples and `N_WIDE_BLOCKS` blocks per lead
each, and one usual pulse for each cylinder and speed that a kept suspect has.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.events.rows import Rows, cylinder_values, first_id, rows_between, single_values
from miner.findings.store import Findings
from miner.recording.clock import Clock
from miner.recording.reader import Recording
from miner.recording.windows import Window, read_windows
from miner.review.envelope import extremes_of_blocks
from miner.review.kept.sections import keep_sections, measure_table
from miner.review.kept.usual_pulse import N_PER_PLACE, Cell, Keep, UsualPulse, pick_healthy, pulse_ends_us, span_us
from miner.review.source import RECORDING_FILE, clock_of, shown_recording
from miner.review.tables import CLOCK, USUAL, USUAL_VALUES, WINDOWS
from miner.schema import GAPS
from miner.signal.extraction import Extraction

__all__ = ["build_windows", "speed_cell"]

N_WINDOWS = 100
MAX_TRUE_SAMPLES = 12_000
N_WIDE_BLOCKS = 1000
CELLS_PER_OCTAVE = 4
NEAR_COLUMNS = ("time_s", "cylinder", "engine_rpm", "on_time_us", "delay_us", "feedback_width_us")
N_NEAR = 200
"""Events of the same cylinder next to a suspect that tell how long its pulse should be."""

Floats = NDArray[np.float32]


def build_windows(
    folder: str | Path,
    recording: Recording,
    setup: Setup,
    sections: Iterable[Extraction],
    gaps: pa.Table,
    events: Rows,
    suspects: pa.Table,
    *,
    scores: pa.Table | None = None,
) -> None:
    """Write everything the review needs besides the findings themselves into the findings folder.

    Parameters
    ----------
    folder : path
        The findings folder.
    sections : iterable of Extraction
        Of the successive parts of the recording; pulses are not looked at.
    gaps : GAPS table
        Of the whole recording.
    events, suspects : Rows and pyarrow.Table
        As declared in `miner.schema`; suspects worst first.
    scores : pyarrow.Table, optional
        ``scores`` of the ranking: ``usual_<measure>`` and ``distance_<measure>`` of each event.

    Raises
    ------
    FindingsError
        If the folder cannot be written.
    """
    findings = Findings(folder)
    findings.write_json(RECORDING_FILE, shown_recording(recording, setup))
    findings.write_table(GAPS, gaps)
    keep_sections(findings, sections, with_clock=recording.has_time)
    findings.write_table(USUAL_VALUES, measure_table(suspects, scores))
    clock = clock_of(recording.rate_hz, gaps, findings.read_table(CLOCK))
    windows, usual = _read(recording, setup, events, suspects, clock)
    findings.write_table(WINDOWS, pa.Table.from_pylist(windows, schema=WINDOWS.schema))
    findings.write_table(USUAL, pa.Table.from_pylist(usual, schema=USUAL.schema))


Rendered = list[dict[str, Any]]


def _read(
    recording: Recording, setup: Setup, events: Rows, suspects: pa.Table, clock: Clock
) -> tuple[Rendered, Rendered]:
    """Return the rows of WINDOWS and of USUAL; the recording is gone through once."""
    picker = _Picker(clock, _Sweep(recording, [channel.column for channel in setup.channel]))
    shown = suspects.slice(0, N_WINDOWS).sort_by("time_s").to_pylist()  # neighbours lie in the same row groups
    rows = suspects["event_id"].to_numpy() - first_id(events)
    speeds: dict[tuple[int, int], list[float]] = {}
    windows = []
    for suspect in shown:
        near = _near(events, suspect["event_id"] - first_id(events), setup.engine.pattern.n_slots)
        windows.append(_Window(picker, suspect, near))
        rpm = float(single_values(near, "engine_rpm")[0])
        cylinder = -1 if suspect["cylinder"] is None else suspect["cylinder"]
        speeds.setdefault((cylinder, speed_cell(rpm)), []).append(rpm)
    cells = [Cell(cylinder=key[0], rpm=float(np.median(speeds[key]))) for key in sorted(speeds)]
    usual = [
        UsualPulse(setup, number, None if cell.cylinder < 0 else cell.cylinder, healthy, picker.want,
                   rate_hz=clock.rate_hz)
        for number, (cell, healthy) in enumerate(zip(cells, pick_healthy(events, cells, rows), strict=True))
        if len(healthy.time_s) >= N_PER_PLACE
    ]  # fmt: skip
    picker.sweep.run()
    kept = [row for window in windows for row in window.rows]
    kept.sort(key=lambda row: (row["event_id"], row["step"], row["lead"]))
    return kept, [row for pulse in usual for row in pulse.rows()]


def speed_cell(rpm: float | None) -> int:
    """Return the running number of the speed range of an event: quarter octaves; -1 where the speed is unknown."""
    return -1 if rpm is None or not rpm > 0 else round(np.log2(rpm) * CELLS_PER_OCTAVE)


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

    clock: Clock
    sweep: _Sweep

    def want(self, start_s: float, stop_s: float, keep: Keep) -> None:
        """Ask for the samples in ``[start_s, stop_s]`` and one more at each side."""
        self.sweep.want(self.clock.nearest(start_s) - 1, self.clock.nearest(stop_s) + 2, keep)


def _near(events: Rows, row: int, n_slots: int) -> pa.Table:
    """Return the events of one event's cylinder that are nearest to it in time."""
    first = max(row - N_NEAR * n_slots, 0)
    around = rows_between(events, first, row + N_NEAR * n_slots + 1, NEAR_COLUMNS)
    cylinder, time_s = cylinder_values(around), around["time_s"].to_numpy()
    own = np.flatnonzero(cylinder == cylinder[row - first])
    far_s = np.abs(time_s[own] - time_s[row - first])
    return around.take(pa.array(own[np.argsort(far_s, kind="stable")[:N_NEAR]]))


class _Window:
    """Rows of one suspect: true samples around its pulse, and the whole window in blocks."""

    def __init__(self, picker: _Picker, suspect: dict[str, Any], near: pa.Table) -> None:
        self.event_id = suspect["event_id"]
        self.rows: list[dict[str, Any]] = []
        pulse_s = span_us(pulse_ends_us(near)) * 1e-6
        reach_s = MAX_TRUE_SAMPLES / picker.clock.rate_hz
        start_s = suspect["time_s"] - min(0.4 * pulse_s, 0.3 * reach_s)
        picker.want(start_s, start_s + min(2.0 * pulse_s, reach_s), self._keep_samples)
        picker.want(suspect["window_start_s"], suspect["window_end_s"], self._keep_blocks)

    def _keep_samples(self, window: Window) -> None:
        self._keep(window, 1, list(window.volts.values()))

    def _keep_blocks(self, window: Window) -> None:
        step = max(-(-len(window.time_s) // N_WIDE_BLOCKS), 2)
        blocks = (extremes_of_blocks(values, step) for values in window.volts.values())
        self._keep(window, step, [np.stack(ends, axis=1).ravel() for ends in blocks])

    def _keep(self, window: Window, step: int, kept: list[Floats]) -> None:
        if not len(window.time_s):
            return
        self.rows += [
            {"event_id": self.event_id, "lead": lead, "step": step, "start_s": window.time_s[0], "values": values}
            for lead, values in enumerate(kept)
        ]
