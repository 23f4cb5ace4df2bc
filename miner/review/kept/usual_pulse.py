"""The usual pulse of a cylinder at a speed: which healthy events show it, and what they show together."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.engine.arrays import ArrayFields, inside
from miner.engine.setup import Setup
from miner.events.columns import column_values, seen_values
from miner.events.rows import Rows, cylinder_values, pieces_of, single_values
from miner.recording.windows import Window

__all__ = ["N_PER_PLACE", "Cell", "HealthyEvents", "Keep", "UsualPulse", "pick_healthy", "pulse_ends_us", "span_us"]

DEFAULT_PULSE_US = 4000.0
"""Pulse and answer together where nothing could be measured; common practice, no source."""

SPEED_RANGES = (0.08, 0.2, 0.4)
"""Relative speed distance of the healthy events used for the usual pulse; the next one where there are too few."""

ENOUGH_EVENTS = 12
N_PLACES, N_PER_PLACE = 8, 4
"""Healthy events for one usual pulse come from so many places of the recording, so many in a row from each."""

USUAL_POINTS = 600
QUANTILES = (5.0, 50.0, 95.0)

_COLUMNS = (
    "time_s", "cylinder", "engine_rpm", "on_time_us", "delay_us", "feedback_width_us", "command_seen",
    "feedback_seen", "quality",
)  # fmt: skip

Floats = NDArray[np.float32]
_Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Cell:
    """A cylinder (-1 where it cannot be told) at a speed (NaN where that is not known)."""

    cylinder: int
    rpm: float


@dataclass(frozen=True, kw_only=True)
class HealthyEvents(ArrayFields):
    """Healthy events, arrays of shape (n,): what is needed to cut their pulses out of the recording."""

    time_s: NDArray[np.float64]
    rpm: Floats
    ends_us: Floats


def pulse_ends_us(events: pa.Table) -> Floats:
    """Return when pulse and answer together are over, us after turn-on, NaN where neither was measured."""
    on_time, delay, width = (single_values(events, n) for n in ("on_time_us", "delay_us", "feedback_width_us"))
    return np.asarray(np.fmax(on_time, np.nan_to_num(delay, copy=False) + width), dtype=np.float32)


def span_us(ends_us: Floats) -> float:
    """Return how long pulse and answer together usually take."""
    known = ends_us[np.isfinite(ends_us)]
    return float(np.median(known)) if len(known) else DEFAULT_PULSE_US


def pick_healthy(events: Rows, cells: Sequence[Cell], suspect_rows: _Ints) -> list[HealthyEvents]:
    """Return healthy events of each cell, near its speed and spread over the recording.

    Parameters
    ----------
    events : Rows
        Of the recording; gone through twice, piece by piece.
    cells : sequence of Cell
    suspect_rows : ndarray of shape (k,)
        Rows that are listed, and so are not taken for healthy.
    """
    suspect_rows = np.sort(suspect_rows)
    counts = np.zeros((len(cells), len(SPEED_RANGES)), dtype=np.int64)
    for by_cylinder in _healthy_pieces(events, suspect_rows):
        for k, cell in enumerate(cells):
            far = _distance(by_cylinder.get(cell.cylinder), cell.rpm)
            counts[k] += [np.count_nonzero(far <= reach) for reach in SPEED_RANGES]
    enough = counts >= ENOUGH_EVENTS
    chosen = np.where(enough.any(axis=1), enough.argmax(axis=1), len(SPEED_RANGES) - 1)
    reaches = np.asarray(SPEED_RANGES)[chosen]
    ranks = [_spread_ranks(int(counts[k, chosen[k]])) for k in range(len(cells))]
    passed = np.zeros(len(cells), dtype=np.int64)
    none = HealthyEvents(time_s=np.empty(0), rpm=np.empty(0, np.float32), ends_us=np.empty(0, np.float32))
    parts = [[none] for _ in cells]
    for by_cylinder in _healthy_pieces(events, suspect_rows):
        for k, cell in enumerate(cells):
            own = by_cylinder.get(cell.cylinder)
            if own is None:
                continue
            near = np.flatnonzero(_distance(own, cell.rpm) <= reaches[k])
            parts[k].append(own.take(near[inside(ranks[k], passed[k], near.size)]))
            passed[k] += near.size
    return [HealthyEvents.join(own) for own in parts]


def _healthy_pieces(events: Rows, suspect_rows: _Ints) -> Iterator[dict[int, HealthyEvents]]:
    """Yield, piece by piece, the events of each cylinder that nothing is to be said against."""
    start = 0
    for table in pieces_of(events, _COLUMNS):
        fine = (seen_values(table, "command_seen") != 0) & (seen_values(table, "feedback_seen") != 0)
        fine &= pc.equal(table["quality"], "").to_numpy(zero_copy_only=False).astype(np.bool_)
        fine[inside(suspect_rows, start, table.num_rows)] = False
        start += table.num_rows
        all_of_them = HealthyEvents(
            time_s=column_values(table, "time_s"),
            rpm=single_values(table, "engine_rpm"),
            ends_us=pulse_ends_us(table),
        )
        cylinder = cylinder_values(table)
        yield {int(c): all_of_them.take(fine & (cylinder == c)) for c in np.unique(cylinder)}


def _distance(own: HealthyEvents | None, rpm: float) -> Floats:
    """Return the relative distance of each event from a speed; 0 where the speed is not known."""
    if own is None:
        return np.empty(0, dtype=np.float32)
    return np.abs(own.rpm / rpm - 1) if np.isfinite(rpm) else np.zeros_like(own.rpm)


def _spread_ranks(n: int) -> _Ints:
    """Return which of ``n`` events in time order are taken."""
    places = np.linspace(0, max(n - N_PER_PLACE, 0), N_PLACES).astype(int)
    picked = np.unique((places[:, None] + np.arange(N_PER_PLACE)).ravel())
    return picked[picked < n]


Keep = Callable[[Window], None]
Ask = Callable[[float, float, Keep], None]


class UsualPulse:
    """Median and band of one cylinder at one speed, on every lead that can show it.

    Parameters
    ----------
    number : int
        Running number of the cell.
    cylinder : int or None
    healthy : HealthyEvents
        At least one.
    ask : callable
        Has its third argument called with the samples from its first to its second argument, s, some time later.
    rate_hz : float
    """

    def __init__(
        self, setup: Setup, number: int, cylinder: int | None, healthy: HealthyEvents, ask: Ask, *, rate_hz: float
    ) -> None:
        span = span_us(healthy.ends_us)
        start_us, stop_us = -0.4 * span, 1.6 * span
        step_us = max((stop_us - start_us) / USUAL_POINTS, 1e6 / rate_hz)
        self.grid_us = np.arange(start_us, stop_us, step_us)
        self.leads = [
            lead
            for lead, channel in enumerate(setup.channel)
            if channel.role != "command" or channel.cylinder == cylinder or setup.engine.layout == "paired"
        ]
        self.pulses: list[list[Floats]] = []
        known = healthy.rpm[np.isfinite(healthy.rpm)]
        self.shared = {
            "cell": number, "cylinder": cylinder, "n_events": len(healthy.time_s), "start_us": start_us,
            "step_us": step_us, "rpm_low": float(known.min(initial=np.inf)) if len(known) else 0.0,
            "rpm_high": float(known.max(initial=0.0)),
        }  # fmt: skip
        for time_s in healthy.time_s:
            ask(time_s + start_us * 1e-6, time_s + stop_us * 1e-6, self._keeper(float(time_s)))

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
