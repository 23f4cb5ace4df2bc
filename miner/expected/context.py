"""The conditions each event happened under, and the bases a usual value may depend on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.events.columns import column_values, state_codes
from miner.expected.robust import mad_sigma, running_median

__all__ = ["MOST_EXCESS", "Basis", "Context", "build_context", "inputs_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

START_CYCLES, EDGE_CYCLES = 20.0, 1.5
"""Cycles after a start and before a stop that answer for themselves: no two starts are alike, and there are few of them
to learn from. The engine has caught within some ten (own choice)."""

FIRST_CYCLES, LAST_CYCLES = 2.0, 0.5
"""Of those, what comes before the computer knows the speed, and after the key was turned, is odd more often than not:
judged by itself, so that neither learns from the other (own choice)."""

SUPPLY_HOLDS_S = 1.0
"""The supply between two events that far apart at most (or two cycles) is read off them; it was measured during
commands only."""

EARLIER_S = (0.1, 0.4)
"""An engine computer filters the supply voltage before it reckons with it: what it was over this time counts too."""

LOGIC_V, LEVEL_TURNS, LEVEL_EVENTS = 7.0, 3, 8
"""A line with larger pulses is pulled up to the supply, logic of its own has 5 V at most; turns, and events at least,
to either side that are taken together."""

OF_THE_RECORDER, RECORDER_SHARE = {"slow_sampling", "clipped"}, 0.02
"""Qualities that rate and range of the recorder give to pulses of some length or height; where this share of the events
has them it is no fault that shortened the one pulse (own choice)."""

LIVELY_SHARE = 0.05


@dataclass(frozen=True, kw_only=True)
class Context:
    """Arrays with one entry per row of the event table, unless said otherwise.

    Attributes
    ----------
    time_s, rpm, supply_v : ndarray of float64
        ``rpm`` is smoothed over two cycles and never NaN (1 where the recording carries no speed at all);
        ``supply_v`` is NaN where not recorded; without a supply lead it is what lines pulled up to the supply say.
    supply_earlier_v : ndarray (n, 2)
        Mean supply over `EARLIER_S` before each event; as ``supply_v`` where nothing was measured then.
    log_speeds : ndarray of float32 (n, 4)
        Log of the speed as an engine computer may see it: smoothed as ``rpm``, over the cycle that ends at the event,
        over the one before that, and over the last interval between two events.
    group : ndarray of int64
        Index of the cylinder (or place in the cycle, where the cylinder cannot be told).
    labels : tuple of str
        Words for each group.
    acceleration : ndarray of float64
        Change of the log of speed over one cycle.
    since, until : ndarray of float64
        Cycles since the engine (or the recording, after a gap) started, and until it stops.
    segment : ndarray of int64
        Number of the uninterrupted stretch.
    strata : ndarray of int64
        0 calm; 1 lively: among the strongest accelerations; 2 cranking, just started, or about to stop; 3 the very
        first and last events.
    learns : ndarray of bool
        Trusted rows: nothing in their quality column but what comes with the recorder.
    cycle_s : ndarray of float64
        Length of the cycle.
    steady_pull : ndarray of float64
        As ``acceleration``, from speeds that one displaced or absent event cannot move: the noise must not grow
        with the very thing it is to tell.
    turning_deg : ndarray of float64
        By how much the crank angle between neighbouring events changes from one to the next.
    excess : ndarray of float64 (n, 3)
        By how much the interval that ends at an event, the one before it and the one after it are longer than steady
        speed makes them, as a share; 0 where there is none.
    interval_deg : ndarray of float64
        Crank angle from the event before to this one.
    firing_deg : float
        Crank angle from one firing to the next, on average.
    hours : float
        Hours from the first event to the last.
    """

    time_s: Floats
    rpm: Floats
    supply_v: Floats
    supply_earlier_v: Floats
    log_speeds: NDArray[np.float32]
    state: NDArray[np.int8]
    group: Ints
    labels: tuple[str, ...]
    acceleration: Floats
    since: Floats
    until: Floats
    segment: Ints
    strata: Ints
    learns: NDArray[np.bool_]
    cycle_s: Floats
    steady_pull: Floats
    turning_deg: Floats
    excess: Floats
    interval_deg: Floats
    firing_deg: float
    hours: float

    @property
    def n_groups(self) -> int:
        """Cylinders (or places in the cycle) with events."""
        return len(self.labels)


def build_context(events: pa.Table, setup: Setup) -> Context:
    """Read the conditions of every event; ``events`` has at least one row."""
    time_s = column_values(events, "time_s")
    group, labels = _groups(events)
    turn = len(labels)
    segment = column_values(events, "segment").astype(np.int64)
    repeat_s = 120.0 * setup.engine.pattern.cycle_deg / 720.0
    raw_rpm = _speed(events, repeat_s)
    rpm = np.maximum(running_median(raw_rpm, turn), 1.0)
    steady_rpm = np.maximum(running_median(raw_rpm, 2 * turn + 1), 1.0)
    first = np.searchsorted(segment, segment, side="left")
    last = np.searchsorted(segment, segment, side="right") - 1
    row = np.arange(time_s.size)
    acceleration = _acceleration(raw_rpm, row, first, last, turn)
    state = state_codes(events)
    since, until = (row - first) / turn, (last - row) / turn
    quick = np.quantile(np.abs(acceleration), 1 - LIVELY_SHARE)
    strata = (np.abs(acceleration) > quick).astype(np.int64)
    strata[(state == 0) | (since < START_CYCLES) | (until < EDGE_CYCLES)] = 2
    strata[(since < FIRST_CYCLES) | (until < LAST_CYCLES)] = 3
    cycle_s = np.where(rpm > 1, repeat_s / rpm, 0.1)
    recorded_v = column_values(events, "supply_v")
    seen_v = recorded_v if np.isfinite(recorded_v).any() else _level_of_fed_lines(events, group)
    supply_v = _filled(seen_v, time_s, np.maximum(2.0 * cycle_s, SUPPLY_HOLDS_S))
    interval_deg = _interval_deg(events, setup)
    interval_rpm = interval_deg / (6.0 * np.maximum(np.diff(time_s, prepend=time_s[0] - 1.0), 1e-6))
    excess = _excess(steady_rpm, interval_rpm, segment, group)
    return Context(
        time_s=time_s, rpm=rpm, supply_v=supply_v, supply_earlier_v=_earlier(supply_v, time_s, first),
        log_speeds=_log_speeds(rpm, raw_rpm, np.maximum(row - turn, first), steady_rpm / (1.0 + excess[:, 0])),
        state=state, group=group, labels=labels,
        acceleration=acceleration, since=since, until=until, segment=segment, strata=strata,
        learns=_trusted(events["quality"].to_numpy(zero_copy_only=False)), cycle_s=cycle_s,
        steady_pull=_acceleration(steady_rpm, row, first, last, turn),
        turning_deg=_turning_deg(time_s, steady_rpm, cycle_s),
        excess=excess,
        interval_deg=interval_deg, firing_deg=setup.engine.pattern.cycle_deg / setup.engine.pattern.n_slots,
        hours=max(float(time_s[-1] - time_s[0]), float(cycle_s[0])) / 3600.0,
    )  # fmt: skip


def _turning_deg(time_s: Floats, rpm: Floats, cycle_s: Floats) -> Floats:
    if rpm.size < 2:
        return np.zeros(rpm.size)
    spacing_s = np.minimum(np.abs(np.gradient(time_s)), cycle_s)
    return np.asarray(6.0 * spacing_s * np.abs(np.gradient(rpm)), dtype=np.float64)


USUAL_EVENTS = 15
MOST_EXCESS = 0.3
"""An interval longer than this by speed alone is a pause or holds an absent event."""


def _excess(steady_rpm: Floats, interval_rpm: Floats, segment: Ints, group: Ints) -> Floats:
    ending = steady_rpm / np.maximum(interval_rpm, 1e-6) - 1.0
    ending[np.abs(ending) > MOST_EXCESS] = 0.0
    ending[np.diff(segment, prepend=segment[0] - 1) != 0] = 0.0
    for coil in np.unique(group):  # one is read off its command, another off its answer, which comes later
        own = np.flatnonzero(group == coil)
        ending[own] -= running_median(ending[own], USUAL_EVENTS)
    return np.column_stack([ending, np.append(0.0, ending[:-1]), np.append(ending[1:], 0.0)])


def _trusted(quality: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Return which rows may teach: those with nothing in their quality column, or what the recorder does to many."""
    trusted = quality == ""
    for text in set(quality.tolist()) - {""}:
        rows = quality == text
        trusted |= rows & (set(text.split(",")) <= OF_THE_RECORDER and rows.mean() >= RECORDER_SHARE)
    return np.asarray(trusted, dtype=np.bool_)


def _level_of_fed_lines(events: pa.Table, group: Ints) -> Floats:
    """Return what the lines that are pulled up to the supply say of it, NaN where none is: it was not recorded itself.

    The median of some turns of the lines that speak for most coils: a burst of weak pulses of one does not count as a
    sag.
    """
    level, most_coils = np.full(group.size, np.nan), 0
    for column in ("feedback_amplitude_v", "amplitude_v"):
        values = column_values(events, column)
        known = np.flatnonzero(np.isfinite(values))
        if not known.size or (middle := float(np.median(values[known]))) <= LOGIC_V:
            continue
        coils = [known[group[known] == coil] for coil in np.unique(group[known])]
        if len(coils) <= most_coils:
            continue
        most_coils = len(coils)
        for rows in coils:
            values[rows] *= middle / np.median(values[rows])
        level[:] = np.nan
        level[known] = running_median(values[known], max(LEVEL_TURNS * most_coils, LEVEL_EVENTS))
    return level


def _filled(values: Floats, time_s: Floats, holds_s: Floats) -> Floats:
    """Return the values with those in between read off the two around them, where these are close in time."""
    known = np.flatnonzero(np.isfinite(values))
    if known.size < 2:
        return values
    place = np.clip(np.searchsorted(known, np.arange(values.size)), 1, known.size - 1)
    apart_s = time_s[known[place]] - time_s[known[place - 1]]
    between = np.interp(time_s, time_s[known], values[known], left=np.nan, right=np.nan)
    return np.where(np.isfinite(values) | (apart_s > holds_s), values, between)


def _earlier(supply_v: Floats, time_s: Floats, first: Ints) -> Floats:
    """Return (n, k) means over the times of `EARLIER_S` before each event, within its stretch."""
    known = np.isfinite(supply_v)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, supply_v, 0.0))])
    counts = np.concatenate([[0], np.cumsum(known)])
    row = np.arange(time_s.size)
    columns = []
    for earlier_s in EARLIER_S:
        start = np.maximum(np.minimum(np.searchsorted(time_s, time_s - earlier_s), row - 1), first)
        n = counts[row] - counts[start]
        columns.append(np.where(n > 0, (sums[row] - sums[start]) / np.maximum(n, 1), supply_v))
    return np.stack(columns, axis=1)


def _groups(events: pa.Table) -> tuple[Ints, tuple[str, ...]]:
    cylinder = column_values(events, "cylinder")
    slot = column_values(events, "slot")
    key = np.where(np.isfinite(cylinder), cylinder, 1000 + slot).astype(np.int64)
    keys, group = np.unique(key, return_inverse=True)
    labels = tuple(f"cylinder {k}" if k < 1000 else f"place {k - 999} of the cycle" for k in keys.tolist())
    return group.astype(np.int64), labels


def _acceleration(rpm: Floats, row: Ints, first: Ints, last: Ints, turn: int) -> Floats:
    """Return the change of the log of speed from the cycle that ends at each event to the one that begins there."""
    log_rpm = np.log(rpm)
    ends = row + turn > last
    later = np.where(ends, row, row + turn)
    earlier = np.where(ends, np.maximum(row - turn, first), row)
    return np.asarray(log_rpm[later] - log_rpm[earlier], dtype=np.float64)


def _speed(events: pa.Table, repeat_s: float) -> Floats:
    """Return the speed over the cycle that ends at each event, gaps filled in, 1 where there is none at all."""
    rpm = column_values(events, "engine_rpm")
    if not np.isfinite(rpm).any():
        rpm = repeat_s * 1e6 / column_values(events, "interval_us")
    known = np.isfinite(rpm) & (rpm > 0)
    if not known.any():
        return np.ones(rpm.size)
    rows = np.arange(rpm.size)
    return np.maximum(np.interp(rows, rows[known], rpm[known]), 1.0)


def _interval_deg(events: pa.Table, setup: Setup) -> Floats:
    """Return the crank angle since the event before, of whatever cylinder: less than a cycle, or one."""
    pattern = setup.engine.pattern
    angle = np.append(np.asarray(pattern.angles_deg, dtype=np.float64), np.nan)
    at_deg = angle[np.nan_to_num(column_values(events, "slot"), nan=-1).astype(np.int64)]
    turned_deg = np.mod(np.diff(at_deg, prepend=at_deg[:1]), pattern.cycle_deg)
    turned_deg[turned_deg == 0] = pattern.cycle_deg
    return np.asarray(turned_deg, dtype=np.float64)


def _log_speeds(rpm: Floats, raw_rpm: Floats, cycle_before: Ints, last_rpm: Floats) -> NDArray[np.float32]:
    return np.asarray(np.log(np.column_stack([rpm, raw_rpm, raw_rpm[cycle_before], last_rpm])), dtype=np.float32)


class Basis:
    """Columns that a usual value may depend on along straight lines.

    Knots and scales are those of the events it was made for.

    The log of on-time is smooth in the log of speed and in one over the supply voltage (coil charge:
    t = -L/R ln(1 - IR/V)), so straight lines with a few kinks follow it.

    Parameters
    ----------
    context : Context
    supply : bool
        Whether the supply voltage is among the conditions.
    most_excess : float
        By which the last intervals count at most.
    """

    def __init__(self, context: Context, *, supply: bool, most_excess: float = MOST_EXCESS) -> None:
        self._speed_knots = _Hinges.over(np.log(context.rpm), (0.05, 0.2, 0.4, 0.6, 0.8, 0.95), n_even=8)
        recorded = supply and bool(np.isfinite(context.supply_v).any())
        self._charge_knots = _Hinges.over(_charge(context.supply_v), (0.1, 0.5, 0.9)) if recorded else None
        self._most_excess = most_excess
        self._states = np.unique(context.state)[:-1]
        self._calm = max(mad_sigma(context.acceleration), 1e-4)
        self._n_groups = context.n_groups

    def supply_effect(self, coefficients: Floats, supply_v: Floats) -> Floats:
        """Return what the coefficients of `lines` make of the supply alone (n,); 0 where it is no condition."""
        if self._charge_knots is None:
            return np.zeros(supply_v.size)
        first = 1 + self._speed_knots.n_columns
        columns = self._charge_knots.columns(_charge(supply_v))
        effect = sum((c * x for c, x in zip(coefficients[first:], columns, strict=False)), np.zeros(supply_v.size))
        return np.asarray(effect, dtype=np.float64)

    def lines(self, context: Context, rows: Ints) -> Floats:
        """Return (rows, p) columns: cylinder, speed, supply, state, acceleration, intervals, time to start and stop."""
        speed, pull = np.log(context.rpm[rows]), context.acceleration[rows]
        columns = [np.ones(rows.size), *self._speed_knots.columns(speed)]
        if self._charge_knots is not None:
            charge, span = _charge(context.supply_v[rows]), max(self._charge_knots.span, 1e-9)
            columns += self._charge_knots.columns(charge)
            columns += list(np.nan_to_num(_charge(context.supply_earlier_v[rows]) - charge[:, None]).T / span)
        pull = np.clip(pull / self._calm, -10, 10) / 10
        columns += [pull, pull * (speed - self._speed_knots.middle)]
        columns += list(10.0 * np.clip(context.excess[rows, :2], -self._most_excess, self._most_excess).T)
        columns += [(context.state[rows] == code).astype(np.float64) for code in self._states]
        since, until = context.since[rows], context.until[rows]
        columns += [np.exp(-since / 2), np.exp(-since / 15), np.exp(-2 * until)]
        columns += [(context.group[rows] == group).astype(np.float64) for group in range(1, self._n_groups)]
        return np.stack(columns, axis=1)


def _charge(supply_v: Floats) -> Floats:
    return 1.0 / np.where(supply_v > 1, supply_v, np.nan)


def inputs_of(context: Context, rows: Ints) -> NDArray[np.float32]:
    """Return (rows, q) of what an engine computer may look a value up by, for trees: -1 where it was not recorded."""
    columns: list[NDArray[Any]] = [
        context.log_speeds[rows], context.supply_v[rows], context.supply_earlier_v[rows], context.acceleration[rows],
        context.state[rows], np.minimum(context.since[rows], 50.0), np.minimum(context.until[rows], 10.0),
    ]  # fmt: skip
    return np.asarray(np.nan_to_num(np.column_stack(columns), nan=-1.0), dtype=np.float32)


@dataclass(frozen=True, kw_only=True)
class _Hinges:
    """A straight line with kinks at quantiles, and evenly over the range, scaled to a range of about one."""

    middle: float
    span: float
    knots: tuple[float, ...]

    @classmethod
    def over(cls, x: Floats, quantiles: tuple[float, ...], n_even: int = 0) -> _Hinges:
        known = x[np.isfinite(x)]
        span = float(np.ptp(known)) if known.size else 0.0
        if span < 1e-9:
            return cls(middle=0.0, span=0.0, knots=())
        low, high = np.quantile(known, (0.005, 0.995))
        knots = np.concatenate([np.quantile(known, quantiles), np.linspace(low, high, n_even)])
        knots = np.unique(np.round(knots / span, 2)) * span
        inside = (knots > known.min()) & (knots < known.max())
        return cls(middle=float(np.median(known)), span=span, knots=tuple(knots[inside].tolist()))

    @property
    def n_columns(self) -> int:
        return 1 + len(self.knots) if self.span else 0

    def columns(self, x: Floats) -> list[Floats]:
        if self.span == 0.0:
            return []
        x = np.where(np.isfinite(x), x, self.middle)
        return [(x - self.middle) / self.span] + [np.maximum(x - k, 0.0) / self.span for k in self.knots]
