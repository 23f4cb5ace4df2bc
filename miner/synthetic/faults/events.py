"""Faults planted into ignition events: into a drive that is being made up, or into a table that was measured.

Size is a share of the usual value for times and amplitudes, volts for ripple and sag, crank degrees for uneven
intervals, further pulses for extra ones, and nothing for absent ones. A change spreads as it would in the car:
a shorter command also ends a feedback that lasts until turn-off, a moved event changes the next interval too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.schema import Column, Table
from miner.synthetic.columns import MEASURED_COLUMNS, Columns, columns_of, events_table

__all__ = [
    "EITHER_WAY", "FAULTS", "FEEDBACK_COLUMNS", "MEASURE_OF", "Tie", "apply_fault", "faults_table", "feedback_tie",
    "plant_in_events", "robust_sigma",
]  # fmt: skip

Tie = str
"""How feedback follows the command's end: ``width`` (lasts until turn-off), ``delay`` (starts there), ``none``."""

FEEDBACK_COLUMNS = ("delay_us", "feedback_width_us", "feedback_amplitude_v", "feedback_rise_us", "feedback_ripple_v")
LEAST_WIDTH_US = 40.0

EITHER_WAY = ("odd_feedback_width", "uneven_interval")
"""Kinds whose size has a sign."""

MEASURE_OF = {
    "short_on_time": "on_time_us", "long_on_time": "on_time_us", "late_feedback": "delay_us",
    "early_feedback": "delay_us", "weak_command": "amplitude_v", "distorted_command": "ripple_v",
    "weak_feedback": "feedback_amplitude_v", "odd_feedback_width": "feedback_width_us",
    "uneven_interval": "timing_residual_deg", "supply_sag": "supply_v",
}  # fmt: skip
"""The column of the event table that each graded kind of fault changes first."""

_UNITS = {"distorted_command": "V", "supply_sag": "V", "uneven_interval": "deg", "extra_pulse": "pulses"}

FAULTS = Table(
    name="truth_faults",
    row="one ignition event with a planted fault",
    columns=(
        Column(name="fault_id", type=pa.int64(), unit="", meaning="running number in time order", nullable=False),
        Column(name="burst_id", type=pa.int64(), unit="", meaning="faults planted together", nullable=False),
        Column(name="kind", type=pa.string(), unit="", meaning="what was planted", nullable=False),
        Column(name="shows_as", type=pa.string(), unit="", meaning="what the recorded leads can show of it; null: "
               "nothing"),
        Column(name="time_s", type=pa.float64(), unit="s", meaning="of the event", nullable=False),
        Column(name="event_id", type=pa.int64(), unit="", meaning="of the event in the truth", nullable=False),
        Column(name="cylinder", type=pa.int16(), unit="", meaning="of the event"),
        Column(name="size", type=pa.float64(), unit="as unit", meaning="size of the change, signed", nullable=False),
        Column(name="unit", type=pa.string(), unit="", meaning="share, V, deg, pulses or sigma", nullable=False),
    ),
)  # fmt: skip
"""What was planted where."""


@dataclass(frozen=True, kw_only=True)
class _Place:
    """Where a fault goes: the row, and the row of the same coil's next event (-1: none)."""

    row: int
    after: int
    tie: Tie


def apply_fault(columns: Columns, row: int, kind: str, size: float, *, tie: Tie, after: int = -1) -> None:
    """Change one event in place.

    Parameters
    ----------
    columns : dict of ndarray
        Event columns as from `columns_of`.
    row, after : int
        The event, and the same coil's next one (-1 without).
    kind : str
        Kind of fault.
    size : float
        Size of the change; the sign counts for ``odd_feedback_width`` and ``uneven_interval``.
    tie : {"width", "delay", "none"}
        How feedback follows the end of the command, see `feedback_tie`.
    """
    _APPLY[kind](columns, _Place(row=row, after=after, tie=tie), size)


def _absent_command(columns: Columns, place: _Place, _size: float) -> None:
    for name in MEASURED_COLUMNS:
        columns[name][place.row] = np.nan
    for name in ("command_seen", "feedback_seen"):
        columns[name][place.row] = min(columns[name][place.row], 0)
    columns["extra_pulses"][place.row] = 0
    if place.after >= 0:
        columns["interval_us"][place.after] = np.nan  # nothing to measure it from


def _absent_feedback(columns: Columns, place: _Place, _size: float) -> None:
    if columns["command_seen"][place.row] != 1:  # the answer was all there was to see
        _absent_command(columns, place, 0.0)
        return
    for name in FEEDBACK_COLUMNS:
        columns[name][place.row] = np.nan
    columns["feedback_seen"][place.row] = min(columns["feedback_seen"][place.row], 0)


def _change_on_time(columns: Columns, place: _Place, share: float) -> None:
    change_us = share * columns["on_time_us"][place.row]
    columns["on_time_us"][place.row] += change_us
    columns["coil_current_peak_a"][place.row] *= 1.0 + 0.8 * share  # between a linear charge and a saturated one
    if place.tie != "none":
        columns["feedback_width_us" if place.tie == "width" else "delay_us"][place.row] += change_us
    _drop_tiny_feedback(columns, place)


def _change_delay(columns: Columns, place: _Place, share: float) -> None:
    change_us = share * columns["delay_us"][place.row]
    columns["delay_us"][place.row] += change_us
    if place.tie == "width":
        columns["feedback_width_us"][place.row] -= change_us
    _drop_tiny_feedback(columns, place)


def _drop_tiny_feedback(columns: Columns, place: _Place) -> None:
    if columns["feedback_width_us"][place.row] < LEAST_WIDTH_US:
        _absent_feedback(columns, place, 0.0)


def _scale(name: str) -> Callable[[Columns, _Place, float], None]:
    def change(columns: Columns, place: _Place, share: float) -> None:
        columns[name][place.row] *= 1.0 + share

    return change


def _distort(columns: Columns, place: _Place, size_v: float) -> None:
    for name in ("ripple_v", "quiet_ripple_v"):
        columns[name][place.row] = np.hypot(columns[name][place.row], size_v)


def _add_pulses(columns: Columns, place: _Place, size: float) -> None:
    columns["extra_pulses"][place.row] += max(round(size), 1)


def _shift(columns: Columns, place: _Place, size_deg: float) -> None:
    shift_s = size_deg / (6.0 * max(float(columns["engine_rpm"][place.row]), 50.0))
    columns["time_s"][place.row] += shift_s
    for name in ("timing_residual_deg", "timing_from_before_deg", "timing_from_after_deg"):
        columns[name][place.row] += size_deg
    columns["interval_us"][place.row] += 1e6 * shift_s
    if place.after >= 0:
        columns["interval_us"][place.after] -= 1e6 * shift_s


def _sag(columns: Columns, place: _Place, size_v: float) -> None:
    """Lower the supply of one event: the coil charges more slowly, the computer has not seen it yet."""
    usual_v = columns["supply_v"][place.row]
    slower = usual_v / max(usual_v - size_v, 2.0) if np.isfinite(usual_v) else 14.0 / max(14.0 - size_v, 2.0)
    columns["supply_v"][place.row] -= size_v
    if "sag_v" in columns:
        columns["sag_v"][place.row] += size_v
    columns["coil_current_peak_a"][place.row] /= slower
    if place.tie != "delay":
        _change_delay(columns, place, slower - 1.0)


_APPLY: dict[str, Callable[[Columns, _Place, float], None]] = {
    "absent_command": _absent_command,
    "absent_feedback": _absent_feedback,
    "short_on_time": lambda c, p, s: _change_on_time(c, p, -s),
    "long_on_time": _change_on_time,
    "late_feedback": _change_delay,
    "early_feedback": lambda c, p, s: _change_delay(c, p, -s),
    "weak_command": lambda c, p, s: _scale("amplitude_v")(c, p, -s),
    "weak_feedback": lambda c, p, s: _scale("feedback_amplitude_v")(c, p, -s),
    "odd_feedback_width": _scale("feedback_width_us"),
    "distorted_command": _distort,
    "extra_pulse": _add_pulses,
    "uneven_interval": _shift,
    "supply_sag": _sag,
}


def shows_as(columns: Columns, kind: str, row: int, tie: Tie) -> str | None:
    """Return what the recorded leads can show of a fault planted in a row, None for nothing."""
    command, feedback = columns["command_seen"][row] >= 0, columns["feedback_seen"][row] >= 0
    width = "odd_feedback_width" if feedback and tie == "width" else None
    match kind:
        case "short_on_time" | "long_on_time":
            return kind if command else width
        case "weak_command" | "distorted_command":
            return kind if command else None
        case "absent_command":
            return kind if command else ("absent_feedback" if feedback else None)
        case "extra_pulse" | "uneven_interval":
            return kind if command or feedback else None
        case "supply_sag" if np.isfinite(columns["supply_v"][row]):
            return kind
        case "supply_sag":
            return "late_feedback" if command and feedback and tie != "delay" else width
        case "late_feedback" | "early_feedback":
            return kind if command and feedback else width
    return kind if feedback else None


def feedback_tie(columns: Columns) -> Tie:
    """Tell from a table how feedback follows the command's end: what is steadier than its parts is tied."""
    on_us, delay_us, width_us = columns["on_time_us"], columns["delay_us"], columns["feedback_width_us"]
    if _spread(on_us - delay_us) < 0.5 * _spread(delay_us):
        return "delay"
    return "width" if _spread(on_us - delay_us - width_us) < 0.5 * _spread(width_us) else "none"


def _spread(values: NDArray[np.float64]) -> float:
    good = values[np.isfinite(values)]
    return 1.4826 * float(np.median(np.abs(good - np.median(good)))) if len(good) > 2 else float("inf")


def robust_sigma(columns: Columns, name: str) -> float:
    """Return the usual event-to-event scatter of a measure: 1.4826 MAD of the difference to the coil's neighbours.

    An event less the mean of the two beside it has 1.5 times its own variance, hence the division.
    """
    out = []
    for slot in np.unique(columns["slot"]):
        values = columns[name][columns["slot"] == slot]
        out.append(_spread(values[1:-1] - 0.5 * (values[:-2] + values[2:])) / np.sqrt(1.5))
    good = [value for value in out if np.isfinite(value)]
    return float(np.median(good)) if good else float("nan")


def next_of_coil(columns: Columns) -> NDArray[np.int64]:
    """Return for each row the row of the same slot's next event, -1 without."""
    after = np.full(len(columns["slot"]), -1)
    for slot in np.unique(columns["slot"]):
        rows = np.flatnonzero(columns["slot"] == slot)
        after[rows[:-1]] = rows[1:]
    return after


def faults_table(columns: Columns, planted: Sequence[tuple[int, str, float, str, int]], tie: Tie) -> pa.Table:
    """Return `FAULTS` from (row, kind, size, unit, burst) in any order; ``event_id`` is the row's."""
    ordered = sorted(planted, key=lambda fault: (float(columns["time_s"][fault[0]]), fault[0]))
    rows = np.array([fault[0] for fault in ordered], np.int64)
    cylinder = columns["cylinder"][rows]
    shown = [shows_as(columns, kind, row, tie) for row, kind, *_ in ordered]
    return FAULTS.validate(
        pa.table(
            {
                "fault_id": pa.array(range(len(ordered)), pa.int64()),
                "burst_id": pa.array([fault[4] for fault in ordered], pa.int64()),
                "kind": pa.array([fault[1] for fault in ordered], pa.string()),
                "shows_as": pa.array(shown, pa.string()),
                "time_s": columns["time_s"][rows],
                "event_id": pa.array(columns["event_id"][rows], pa.int64()),
                "cylinder": pa.array(cylinder, pa.int16(), mask=cylinder < 0),
                "size": pa.array([fault[2] for fault in ordered], pa.float64()),
                "unit": pa.array([fault[3] for fault in ordered], pa.string()),
            }
        )
    )


def unit_of(kind: str) -> str:
    """Return the unit of a kind's size."""
    return _UNITS.get(kind, "share")


def plant_in_events(
    events: pa.Table,
    kinds_sizes: Sequence[tuple[str, float]],
    rng: np.random.Generator,
    *,
    in_sigma: bool = False,
    cylinder: int | None = None,
    distance: int = 12,
) -> tuple[pa.Table, pa.Table]:
    """Plant one fault each into a copy of an event table, at rows drawn at random.

    Parameters
    ----------
    events : pa.Table
        `EVENTS`, measured or made up.
    kinds_sizes : sequence of (str, float)
        Kind and size of each fault.
    rng : numpy Generator
        Where the rows come from.
    in_sigma : bool, default=False
        Sizes of graded kinds count usual event-to-event scatters (`robust_sigma`) of the measure.
    cylinder : int, optional
        Only this cylinder's events.
    distance : int, default=12
        Least number of events between two planted ones.

    Returns
    -------
    events, truth : pa.Table
        The changed table, in the order of the given one, and `FAULTS`. A fault for which no row is left that could
        show it is left out.
    """
    columns = columns_of(events)
    tie, after = feedback_tie(columns), next_of_coil(columns)
    sigmas = {kind: robust_sigma(columns, MEASURE_OF[kind]) for kind, _ in kinds_sizes if kind in MEASURE_OF}
    free = np.array([q == "" for q in columns["quality"]], np.bool_)
    free[:distance] = free[-distance:] = False
    planted: list[tuple[int, str, float, str, int]] = []
    for kind, size in kinds_sizes:
        rows = np.flatnonzero(free & _could_show(columns, kind))
        rows = rows if cylinder is None else rows[columns["cylinder"][rows] == cylinder]
        if not len(rows):
            continue
        row = int(rng.choice(rows))
        change = _signed(kind, size, rng)
        if in_sigma and kind in sigmas:
            change = _from_sigma(columns, row, kind, change, sigmas[kind])
        apply_fault(columns, row, kind, change, tie=tie, after=int(after[row]))
        planted.append((row, kind, size, "sigma" if in_sigma and kind in sigmas else unit_of(kind), len(planted)))
        free[max(row - distance, 0) : row + distance + 1] = False
    return events_table(columns), faults_table(columns, planted, tie)


def _could_show(columns: Columns, kind: str) -> NDArray[np.bool_]:
    """Return the rows with what the kind changes."""
    seen = (columns["command_seen"] == 1) | (columns["feedback_seen"] == 1)
    if kind in MEASURE_OF and kind != "supply_sag":
        return np.asarray(np.isfinite(columns[MEASURE_OF[kind]]) & seen)
    if kind == "absent_feedback":
        return np.asarray(columns["feedback_seen"] == 1)
    if kind == "supply_sag":
        return np.asarray(seen & (np.isfinite(columns["supply_v"]) | np.isfinite(columns["delay_us"])))
    return np.asarray(columns["command_seen"] == 1) if (columns["command_seen"] == 1).any() else seen


def _signed(kind: str, size: float, rng: np.random.Generator) -> float:
    return size * (1.0 if kind not in EITHER_WAY or rng.random() < 0.5 else -1.0)


def _from_sigma(columns: Columns, row: int, kind: str, n_sigma: float, sigma: float) -> float:
    """Return the size in the kind's own unit that moves its measure by a number of scatters."""
    usual = float(columns[MEASURE_OF[kind]][row])
    if kind == "distorted_command":  # ripples add as squares
        return float(np.sqrt(max((usual + n_sigma * sigma) ** 2 - usual**2, 0.0)))
    return n_sigma * sigma / (1.0 if unit_of(kind) in ("V", "deg") else usual)
