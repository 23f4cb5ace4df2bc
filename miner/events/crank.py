"""What the crank did around each event, from the marks of its wheel: how its speed changed, and how far it turned."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

__all__ = ["CrankPath", "Turning", "speed_changes_rpm", "turning_between"]

Floats = NDArray[np.float64]

PUSH_DEG = 90.0
"""From turn-off to the middle of the push: the spark comes some 20 degrees before dead centre, and combustion pushes
for some 150 after it (common practice, no source)."""

LONGEST_DEG = 180.0
"""A stroke: no combustion pushes for longer, however seldom the engine fires (geometry)."""

AROUND = 9
"""Events over which the usual on-time is taken: one that is absent or odd moves no median."""

STOOD_S = 0.5
"""Longer without a mark the crank stood: the slowest starter brings one in a fifth of that, but of a wheel with one
mark a turn (120 rpm; common practice, no source)."""

_APART_DEG = 1e6
"""Between two stretches: farther than any firing looks."""


@dataclass(frozen=True, kw_only=True)
class CrankPath:
    """Crank angle over time, running on; broken where the crank stood or was not seen.

    Attributes
    ----------
    time_s, angle_deg : ndarray of shape (n,)
        Of the marks.
    whole : ndarray of shape (n,)
        Whether the crank was followed from the mark before to this one.
    """

    time_s: Floats
    angle_deg: Floats
    whole: NDArray[np.bool_]

    @classmethod
    def of(cls, crank: pa.Table) -> CrankPath:
        """Return the path of CRANK rows."""
        time_s, rpm = (crank[name].to_numpy().astype(np.float64) for name in ("time_s", "rpm"))
        whole = np.isfinite(rpm)
        step = np.where(whole, 6.0 * np.nan_to_num(rpm) * np.diff(time_s, prepend=time_s[:1]), _APART_DEG)
        return cls(time_s=time_s, angle_deg=np.cumsum(step), whole=whole)

    def angle_at(self, time_s: Floats) -> Floats:
        """Return the angle at instants, straight between two marks; NaN where it is not known."""
        return self._between(self.time_s, self.angle_deg, time_s)

    def time_at(self, angle_deg: Floats) -> Floats:
        """Return the instants of angles; NaN where they are not known."""
        return self._between(self.angle_deg, self.time_s, angle_deg)

    def _between(self, x: Floats, y: Floats, at: Floats) -> Floats:
        if x.size < 2:
            return np.full(at.shape, np.nan)
        after = np.clip(np.searchsorted(x, np.nan_to_num(at)), 1, x.size - 1)
        share = (at - x[after - 1]) / (x[after] - x[after - 1])
        known = self.whole[after] & (share >= 0.0) & (share <= 1.0)
        return np.asarray(np.where(known, y[after - 1] + share * (y[after] - y[after - 1]), np.nan), np.float64)

    def step_deg(self) -> float:
        """Return the usual angle between two marks."""
        step = np.diff(self.angle_deg)[self.whole[1:]]
        return float(np.median(step)) if step.size else np.inf


def speed_changes_rpm(crank: pa.Table, time_s: Floats, on_time_us: Floats, interval_deg: Floats) -> Floats:
    """Return by how much the crank was faster in the firing interval driven by each event than in the one before.

    The interval that begins in the middle of the event's push is held against the one that ends there. An absent event
    is taken to have had the on-time of those around it. The difference of the mean speeds of two segments that
    follow each other is how misfires are told from the crank since R. J. Plapp, M. Klenk and W. Moser, SAE 900232
    (1990; from memory).

    Parameters
    ----------
    crank : CRANK table
        Marks in time order.
    time_s, on_time_us : ndarray of shape (n,)
        Events in time order, and their on-time, NaN where there is none.
    interval_deg : ndarray of shape (n,)
        Crank angle from each event to the next one due.

    Returns
    -------
    ndarray of shape (n,)
        rpm; NaN where the marks are too coarse or the crank was not followed.
    """
    path = CrankPath.of(crank)
    wide = np.minimum(interval_deg, LONGEST_DEG)
    turn_off = path.angle_at(time_s + _usual(on_time_us) * 1e-6)
    ends = [path.time_at(turn_off + PUSH_DEG + n * wide) for n in (-1.0, 0.0, 1.0)]
    with np.errstate(invalid="ignore", divide="ignore"):
        before, after = (wide / (6.0 * (b - a)) for a, b in pairwise(ends))
    return np.asarray(np.where(path.step_deg() <= wide / 2.0 + 1.0, after - before, np.nan), np.float64)


def _usual(values: Floats) -> Floats:
    """Return the running median over the known values around each; 0 where none is known."""
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return np.zeros(values.shape)
    half = AROUND // 2
    padded = np.pad(values[known], half, mode="edge")
    running = np.median(np.lib.stride_tricks.sliding_window_view(padded, AROUND), axis=1)
    nearest = np.clip(np.searchsorted(known, np.arange(values.size)), 0, known.size - 1)
    return np.asarray(running[nearest], np.float64)


@dataclass(frozen=True, kw_only=True)
class Turning:
    """How the crank turned between two instants.

    Attributes
    ----------
    seconds, turns : float
        While it was followed.
    stood : bool
        Whether there was a time without a mark that is too long for a crank that turns.
    first_s : float
        First mark, NaN without any.
    """

    seconds: float
    turns: float
    stood: bool
    first_s: float


def turning_between(pieces: Iterable[pa.Table], start_s: float, stop_s: float) -> Turning:
    """Return how the crank turned from ``start_s`` to ``stop_s``.

    Parameters
    ----------
    pieces : iterable of CRANK tables
        In time order, together reaching over both ends where there are marks.
    start_s, stop_s : float
    """
    seconds = turns = 0.0
    first_s, at_s, stood = np.nan, start_s, False
    for piece in pieces:
        time_s, rpm = (piece[name].to_numpy().astype(np.float64) for name in ("time_s", "rpm"))
        inside = (time_s > start_s) & (time_s <= stop_s)
        time_s, rpm = time_s[inside], np.nan_to_num(rpm[inside])
        if not time_s.size:
            continue
        if np.isnan(first_s):
            first_s = float(time_s[0])
            at_s = max(at_s, first_s - STOOD_S)  # from before the recording: nothing is said of that
        lasted = np.diff(time_s, prepend=at_s)
        moving = rpm > 0.0
        stood = stood or bool(np.any(lasted > np.where(moving, np.inf, STOOD_S)))
        seconds += float(lasted[moving].sum())
        turns += float((lasted * rpm)[moving].sum()) / 60.0
        at_s = float(time_s[-1])
    return Turning(seconds=seconds, turns=turns, stood=stood or stop_s - at_s > STOOD_S, first_s=first_s)
