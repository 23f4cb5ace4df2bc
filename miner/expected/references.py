"""What spans the range of usual values of an event: what the events around it show, one reference after the other.

Each is a median of neighbours, or the conditions of a neighbour; `find_around` lists them in order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.expected.context import Context
from miner.expected.measures import Measure
from miner.expected.neighbours import MEDIAN_NOISE, medians_beside, medians_of_others
from miner.expected.robust import mad_sigma
from miner.expected.usual import Usual

__all__ = ["Around", "find_around", "series_of"]

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

LONG_EVENTS, LONG_S = 25, 300.0
"""Neighbours on each side whose median is the level of one cylinder: a burst of twelve does not move it."""

TABLE_EVENTS = 13
"""Events by which a table may step sooner or later than conditions say: half of those whose median is a level, so that
a level is followed from there on."""

SHORT_EVENTS = 5
"""Neighbours on each side that a short change of level shows in, of one cylinder (own choice)."""

OTHER_EVENTS, OTHER_CYCLES = 4, 2.5
"""Events of the other cylinders on each side, and how near, that a movement of all shows in."""

LEAST_LEVEL, LEAST_FEW = 5, 3
"""Fewer neighbours than this have no level, and show no movement: two of three could be one burst."""

AROUND_TURNS, OFTEN, SHOWN_SIGMA, LARGEST_STEP = 60, 0.05, 5.0, 0.15
"""Events of a cylinder before, and after, in which others must show a step, or it itself so often; steps count from
five sigma on, since of so many each strays by three somewhere; and no table has larger ones (own choices)."""

CHANCE = 2.0
"""A reference that is off by so many of its standard errors counts for half of what it shows: chance must not widen
the range (form and number: own choice)."""


@dataclass(frozen=True, kw_only=True)
class Around:
    """What conditions and the events around each one say; all (n,), on the judged scale, NaN where not measured.

    ``off`` is what was measured less what conditions make usual; it is usual from ``low`` to ``high``. ``middle`` is
    what the events around say in the middle, ``lag`` how far tables move it from one event of a cylinder to the next.
    """

    rows: _Ints
    off: _Floats
    low: _Floats
    high: _Floats
    middle: _Floats
    lag: _Floats


def find_around(measure: Measure, usual: Usual, values: _Floats, context: Context) -> Around:
    """Return the range of usual values of each event: its references, one after the other, and what they span."""
    rows = np.flatnonzero(np.isfinite(values))
    series = series_of(measure, rows, context)
    value, at_once = (np.full(values.size, np.nan) for _ in range(2))
    value[rows], at_once[rows] = usual.at(context, rows)
    off = values - value
    before, after = _levels(off, series, context)
    middle = (before + after) / 2
    quick = np.where(context.learns, off - middle, np.nan)
    scale = _scale(off - middle)
    moves: list[tuple[_Floats, _Floats]] = []
    lag = np.zeros(values.size)
    if measure.moves == "tables":
        earlier, later = _lags(at_once, series)
        lag = np.abs(earlier) + np.abs(later)
        moves.append((_shrunk(earlier, scale), _shrunk(later, scale)))
        moves.append(_stepped_elsewhere(values, value, (before, after), series, context))
    if measure.moves in ("tables", "level") and len(series) > 1:
        moves.append(_moved_with_others(quick, scale, context, measure.reach_all))
        middle = middle + moves[-1][0] / 2 + moves[-1][1] / 2
    if measure.moves == "tables":
        moves.append(_shown_by_all(quick, series, scale) if len(series) > 2 else _shown_often(quick, series, scale))
    if measure.moves in ("place", "supply") or (measure.moves == "tables" and len(series) == 1):
        moves.append(_moved_itself(quick, series, scale, context, measure.reach))
    sides = np.array([side for pair in moves for side in pair] or [np.zeros(values.size)])
    return Around(
        rows=rows, off=off, middle=middle, lag=lag,
        low=np.minimum(before, after) + sides.min(axis=0).clip(max=0.0),
        high=np.maximum(before, after) + sides.max(axis=0).clip(min=0.0),
    )  # fmt: skip


def series_of(measure: Measure, rows: _Ints, context: Context) -> list[_Ints]:
    """Return the rows of each cylinder, or of all together where they share what is measured."""
    if measure.pooled:
        return [rows] if rows.size else []
    return [rows[context.group[rows] == group] for group in np.unique(context.group[rows])]


def _levels(off: _Floats, series: list[_Ints], context: Context) -> tuple[_Floats, _Floats]:
    """Return the level of each cylinder before and after each event; where there is none, that of the other side."""
    before, after = np.zeros((2, off.size))
    taught = np.where(context.learns, off, np.nan)
    for own in series:
        sides = medians_beside(taught[own], context.time_s[own], LONG_EVENTS, LONG_S)
        middle = float(np.median(off[own]))
        early = np.where(sides.n_before >= LEAST_LEVEL, sides.before, np.nan)
        late = np.where(sides.n_after >= LEAST_LEVEL, sides.after, np.nan)
        before[own] = np.where(np.isfinite(early), early, np.where(np.isfinite(late), late, middle))
        after[own] = np.where(np.isfinite(late), late, before[own])
    return before, after


def _lags(at_once: _Floats, series: list[_Ints]) -> tuple[_Floats, _Floats]:
    """Return how far supply and tables say otherwise for the event before and the one after of the same cylinder.

    The engine computer acts on the supply and speed of another moment than the one measured.
    """
    earlier, later = np.zeros((2, at_once.size))
    for own in series:
        here = at_once[own]
        earlier[own] = np.append(here[:1], here[:-1]) - here
        later[own] = np.append(here[1:], here[-1:]) - here
    return earlier, later


def _stepped_elsewhere(
    values: _Floats, at: _Floats, levels: tuple[_Floats, _Floats], series: list[_Ints], context: Context
) -> tuple[_Floats, _Floats]:
    """Return how far the measured level on either side is another one, as far as conditions nearby make it so.

    A table with hysteresis steps some events sooner or later than conditions say. Longer than the events whose median
    is a level it shows in the level of what is left.
    """
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    moves = np.zeros((2, values.size))
    taught = np.where(context.learns, values, np.nan)
    for own in series:
        here = at[own]
        lowest = minimum_filter1d(here, 2 * TABLE_EVENTS + 1, mode="nearest") - here
        highest = maximum_filter1d(here, 2 * TABLE_EVENTS + 1, mode="nearest") - here
        sides = medians_beside(taught[own], context.time_s[own], LONG_EVENTS, LONG_S)
        for move, level, side, n in zip(moves, levels, sides[:2], sides[2:], strict=True):
            off = np.where(n >= LEAST_LEVEL, side - here - level[own], 0.0)
            move[own] = np.clip(off, lowest, highest)
    return moves[0], moves[1]


def _moved_with_others(quick: _Floats, scale: float, context: Context, reach: float) -> tuple[_Floats, _Floats]:
    """Return how far the other cylinders have moved just before and just after each event: a load that switched."""
    sides = medians_of_others(quick, context.time_s, context.group, OTHER_EVENTS, OTHER_CYCLES * context.cycle_s)
    return (
        _beyond_doubt(sides.before, sides.n_before, scale, reach),
        _beyond_doubt(sides.after, sides.n_after, scale, reach),
    )


def _shown_by_all(quick: _Floats, series: list[_Ints], scale: float) -> tuple[_Floats, _Floats]:
    """Return how far down and up every other cylinder goes somewhere in the turns around each event.

    An engine computer goes to and fro between two cells of a table, event by event, by its own idea of speed and
    supply, which no lead tells; but for all cylinders alike. Not within a turn: one fault may hit all coils at once.
    """
    low, high = np.full(quick.size, -np.inf), np.full(quick.size, np.inf)
    known = [own[np.isfinite(quick[own])] for own in series]
    for up in (True, False):
        limit = high if up else low
        for number, other in enumerate(known):
            before, after = _furthest(np.maximum(quick[other] if up else -quick[other], 0.0))
            for own in series[:number] + series[number + 1 :]:
                place = np.searchsorted(other, own)
                far = np.maximum(before[place], after[place])
                limit[own] = np.minimum(limit[own], far) if up else np.maximum(limit[own], -far)
    return _steps(low, scale), _steps(high, scale)


def _shown_often(quick: _Floats, series: list[_Ints], scale: float) -> tuple[_Floats, _Floats]:
    """Return how far down and up a cylinder goes itself in a twentieth of the events around each one.

    Where there are hardly any others to compare with. A fault in one event of fifty is not as often.
    """
    from scipy.ndimage import rank_filter

    low, high = np.zeros((2, quick.size))
    for own in series:
        values = np.nan_to_num(quick[own])
        window = min(2 * AROUND_TURNS + 1, values.size)
        nth = int(OFTEN * window)
        low[own] = rank_filter(values, nth, size=window, mode="nearest").clip(max=0.0)
        high[own] = rank_filter(values, -1 - nth, size=window, mode="nearest").clip(min=0.0)
    return _steps(low, scale), _steps(high, scale)


def _steps(furthest: _Floats, scale: float) -> _Floats:
    """Return the movements that are steps: hardly those of a few sigma, and none larger than a table's."""
    size = np.abs(np.where(np.isfinite(furthest), furthest, 0.0))
    power = (size / (SHOWN_SIGMA * scale)) ** 6
    return np.asarray(np.sign(furthest) * np.minimum(size * power / (1.0 + power), LARGEST_STEP), dtype=np.float64)


def _furthest(size: _Floats) -> tuple[_Floats, _Floats]:
    """Return the largest of so many values before each place (n + 1), and of those from it on, the nearest left out."""
    from scipy.ndimage import maximum_filter1d

    padded = np.concatenate([np.zeros(AROUND_TURNS + 1), size, np.zeros(AROUND_TURNS + 1)])
    trailing = maximum_filter1d(padded, AROUND_TURNS, origin=(AROUND_TURNS - 1) // 2)  # ends at the place
    before = trailing[AROUND_TURNS - 1 :][: size.size + 1]
    after = trailing[2 * AROUND_TURNS + 1 :][: size.size + 1]
    return before, after


def _moved_itself(
    quick: _Floats, series: list[_Ints], scale: float, context: Context, reach: float
) -> tuple[_Floats, _Floats]:
    """Return how far the few events of the same series before and after each one have moved."""
    before, after = np.zeros((2, quick.size))
    for own in series:
        sides = medians_beside(quick[own], context.time_s[own], SHORT_EVENTS, LONG_S)
        before[own] = _beyond_doubt(sides.before, sides.n_before, scale, reach)
        after[own] = _beyond_doubt(sides.after, sides.n_after, scale, reach)
    return before, after


def _beyond_doubt(median: _Floats, count: _Ints, scale: float, reach: float) -> _Floats:
    """Return the movements without what chance makes of so few, and no further than a healthy thing moves."""
    error = CHANCE * MEDIAN_NOISE * scale / np.sqrt(np.maximum(count, 1))
    return np.clip(_shrunk(np.where(count >= LEAST_FEW, median, 0.0), error), -reach, reach)


def _scale(quick: _Floats) -> float:
    return max(mad_sigma(quick[np.isfinite(quick)]), 1e-12)


def _shrunk(x: _Floats, doubt: _Floats | float) -> _Floats:
    square = x * x
    return np.asarray(x * square / np.maximum(square + np.asarray(doubt) ** 2, 1e-300), dtype=np.float64)
