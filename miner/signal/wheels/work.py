"""One wheel of one section: its teeth as the windows pass, its marks and the angles of the pulses at the end."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.recording.reader import Recording
from miner.schema import CRANK
from miner.signal.lead_work import SurveyWork
from miner.signal.leads import LeadProfile, LeadSpec, Wheel
from miner.signal.sections import Section
from miner.signal.wheels.teeth import FADE_S, no_teeth_yet, pass_teeth
from miner.signal.wheels.turns import Course, place_teeth

__all__ = ["AHEAD_S", "MARK_DEG", "WheelCourse", "WheelWork"]

Floats = NDArray[np.float64]

AHEAD_S = 3.0
"""Teeth are read so far behind the end of a section, so that its last pulses lie between two teeth."""

MARK_DEG = 30.0
"""Crank angle between two marks: six to a firing of four cylinders, three to one of eight (own choice)."""

_SPIKE_S = 10e-6
"""Half-waves that are shorter are no teeth but what a coil's turn-off leaves on the line; the half-wave of a wheel of
60 teeth at 9,000 rpm lasts 55 us."""


@dataclass(frozen=True, kw_only=True)
class WheelCourse:
    """Where the crank was: teeth with a place, as samples, instants and angles."""

    sample: Floats
    time_s: Floats
    course: Course
    wheel: Wheel

    def angles_at(self, time_s: Floats) -> Floats:
        """Return the crank angle behind the wheel's reference, straight between two teeth; NaN where it is not known.

        Wheels that repeat within a turn tell it within that part of one.
        """
        at = self.time_s
        if at.size < 2:
            return np.full(time_s.shape, np.nan)
        after = np.clip(np.searchsorted(at, time_s, side="right"), 1, at.size - 1)
        before = after - 1
        inside = (time_s >= at[before]) & (time_s <= at[after])
        same = self.course.stretch[before] == self.course.stretch[after]
        share = (time_s - at[before]) / (at[after] - at[before])
        angle = self.course.angle_deg[before] + share * (self.course.angle_deg[after] - self.course.angle_deg[before])
        known = inside & same & self.course.is_known[after]
        return np.asarray(np.where(known, np.mod(angle, self.wheel.turn_deg), np.nan), np.float64)

    def marks(self, start: int, stop: int) -> pa.Table:
        """Return the CRANK rows of the marks that lie in the samples ``[start, stop)``."""
        step_deg = max(MARK_DEG, self.wheel.turn_deg / self.wheel.teeth)
        parts = [self._marks_of(rows, step_deg) for rows in _stretches(self.course.stretch)]
        columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]} if parts else {}
        if not columns:
            return CRANK.empty()
        own = (columns["sample"] >= start) & (columns["sample"] < stop)
        for name in ("n_missing", "n_extra"):
            columns[name] = columns[name].astype(np.int16)
        return CRANK.validate(
            pa.table({c.name: pa.array(columns[c.name][own], c.type, from_pandas=True) for c in CRANK.columns})
        )

    def _marks_of(self, rows: slice, step_deg: float) -> dict[str, Floats]:
        """Return the marks of one stretch."""
        angle, course = self.course.angle_deg[rows], self.course
        first, last = math.ceil(angle[0] / step_deg - 1e-9), math.floor(angle[-1] / step_deg + 1e-9)
        mark = np.arange(first, last + 1, dtype=np.float64) * step_deg
        time_s = np.interp(mark, angle, self.time_s[rows])
        known = bool(course.is_known[rows][0])
        counts = {
            name: np.diff(np.cumsum(values[rows])[np.searchsorted(angle, mark + 1e-6) - 1], prepend=0.0)
            for name, values in (("n_missing", course.n_missing), ("n_extra", course.n_extra))
        }
        return {
            "sample": np.interp(mark, angle, self.sample[rows]),
            "time_s": time_s,
            "rpm": np.concatenate(([np.nan], step_deg / (6.0 * np.diff(time_s))))[: mark.size],
            "angle_deg": np.mod(mark, self.wheel.turn_deg) if known else np.full(mark.size, np.nan),
            **counts,
        }


def _stretches(stretch: NDArray[np.int64]) -> list[slice]:
    ends = np.flatnonzero(np.diff(stretch)) + 1
    bounds = [0, *ends.tolist(), stretch.size]
    return [slice(a, b) for a, b in pairwise(bounds) if b - a > 1]


class WheelWork(SurveyWork):
    """A lead on a wheel."""

    def __init__(self, recording: Recording, section: Section, spec: LeadSpec, profile: LeadProfile) -> None:
        super().__init__(recording, section, spec)
        assert profile.wheel is not None
        self.wheel = profile.wheel
        scale, offset, rate_hz = self.channel.scale, self.channel.offset, recording.rate_hz
        self._sign = math.copysign(1.0, scale) * (1.0 if profile.active == "high" else -1.0)
        self._middle = self._sign * (profile.off_v - offset) / scale
        self._floor = profile.wheel.floor_v / abs(scale)
        self._least_run = max(1, math.ceil(_SPIKE_S * rate_hz))
        self._fade = math.exp(-1.0 / (FADE_S * rate_hz))
        self._ints, self._floats = no_teeth_yet()
        self._fresh: tuple[Floats, NDArray[np.bool_]] = (np.empty(0), np.empty(0, np.bool_))
        self._sample: list[Floats] = []
        self._time_s: list[Floats] = []
        self._broken: list[NDArray[np.bool_]] = []
        self.until = min(section.stop + math.ceil(AHEAD_S * rate_hz / self.window) * self.window, section.read_stop)

    def advance(self, first: int, last: int, at_end: bool) -> None:
        """Take envelope and track of the windows, and their teeth."""
        super().advance(first, last, at_end)
        last = min(last, self.until)
        room = max((last - first) // 2 + 1, 0)
        out, broken = np.empty(room), np.empty(room, np.bool_)
        n = 0
        if last > first:
            n = pass_teeth(
                self.buffer.values, self.buffer.base, first, last, self.gaps.ranges, self._sign, self._middle,
                self._floor, self._least_run, self._fade, self._ints, self._floats, out, broken,
            )  # fmt: skip
        self._fresh = out[:n].copy(), broken[:n].copy()

    @property
    def fresh(self) -> Floats:
        """Places of the teeth of the last windows, in samples."""
        return self._fresh[0]

    def keep(self, time_s: Floats) -> None:
        """Keep the teeth of the last windows with their instants."""
        self._sample.append(self._fresh[0])
        self._broken.append(self._fresh[1])
        self._time_s.append(time_s)

    def course(self) -> WheelCourse:
        """Return where the crank was in the section and its margins."""
        time_s, sample = np.concatenate(self._time_s or [np.empty(0)]), np.concatenate(self._sample or [np.empty(0)])
        broken = np.concatenate(self._broken or [np.empty(0, np.bool_)])
        course = place_teeth(time_s, broken, self.wheel)
        return WheelCourse(sample=sample[course.tooth], time_s=time_s[course.tooth], course=course, wheel=self.wheel)
