"""One fault planted into the samples of a recording, using nothing but the samples themselves.

`miner.synthetic.faults.events` changes a row of the event table; this changes the waveform so that the row should come
out changed by as much, to show that the first is a fair short-cut. Edges are moved by whole samples and gaps are filled
with samples of the same state from beside them, so that noise, edge shape and ringing stay those of the recording.

Usage
-----
>>> size = plant_in_samples(EventSamples(command=pulse, feedback=answer), "short_on_time", 0.1, tie="width",
...                         rate_hz=200_000.0)  # doctest: +SKIP
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.synthetic.faults.events import Tie

__all__ = ["AFTER_S", "BEFORE_S", "EventSamples", "NoRoomError", "PulseSamples", "plant_in_samples"]

BEFORE_S, AFTER_S = 30e-6, 120e-6
"""What belongs to an edge, ahead of and behind its half-way crossing: ringing and crosstalk of the turn-off die away
in some tens of microseconds (common practice, no source)."""

LEAST_SAMPLES = 3
RIPPLE_S, RIPPLE_SAMPLES = 27.4e-6, 8
"""Period of a planted ripple: 8 samples at least, so that its effective value is that of a sine."""

EXTRA_PAUSE_S, EXTRA_LENGTH_S = 350e-6, 600e-6
"""An extra pulse begins this long after the pulse ended, and lasts this long, or a third of the pulse if that is
shorter (own choice)."""

_Floats = NDArray[np.float64]


class NoRoomError(Exception):
    """There is no room beside this pulse for a fault of this size."""


@dataclass(frozen=True, kw_only=True)
class PulseSamples:
    """One pulse on one lead.

    Attributes
    ----------
    volts : ndarray of shape (n,), float64
        Samples of the lead, changed in place.
    start, stop : int
        First sample behind the half-way crossing of each edge: on in ``[start, stop)``.
    floor, limit : int
        The lead is in its off-state, and nobody else's, in ``[floor, start)`` and ``[stop, limit)``.
    rate_hz : float
        Samples per second.
    """

    volts: _Floats
    start: int
    stop: int
    floor: int
    limit: int
    rate_hz: float

    @property
    def _before(self) -> int:
        return max(LEAST_SAMPLES, round(BEFORE_S * self.rate_hz))

    @property
    def _after(self) -> int:
        """Samples that belong to an edge behind it; less where the pulse itself is short."""
        return max(LEAST_SAMPLES, min(round(AFTER_S * self.rate_hz), (self.stop - self.start) // 4))

    def _inside(self) -> _Floats:
        """Return samples of the on-state, both edges left out."""
        return self._known(self.start + self._after, self.stop - self._before)

    def _off(self) -> _Floats:
        """Return samples of the off-state, from before the pulse if there are enough, else from behind it."""
        before = self.volts[self.floor : self.start - self._before]
        return before if before.size >= LEAST_SAMPLES else self._known(self.stop + self._after, self.limit)

    def _known(self, first: int, last: int) -> _Floats:
        if last - first < LEAST_SAMPLES:
            raise NoRoomError
        return self.volts[first:last]

    def erase(self) -> None:
        """Leave the off-state where the pulse was."""
        first, last = self.start - self._before, self.stop + self._after
        self._require(first, last)
        self.volts[first:last] = np.resize(self._off(), last - first)

    def move(self, n_samples: int) -> None:
        """Move the whole pulse; positive is later."""
        off = self._off().copy()
        self._shift(self.start - self._before, self.stop + self._after, n_samples, off, off)

    def move_start(self, n_samples: int) -> None:
        """Move the edge that begins the pulse."""
        self._keep_width(-n_samples)
        first, last = self.start - self._before, self.start + self._after
        self._shift(first, last, n_samples, self._off().copy(), self._inside().copy())

    def move_stop(self, n_samples: int) -> None:
        """Move the edge that ends the pulse."""
        self._keep_width(n_samples)
        first, last = self.stop - self._before, self.stop + self._after
        self._shift(first, last, n_samples, self._inside().copy(), self._off().copy())

    def weaken(self, share: float) -> None:
        """Lower the on-state towards the off-state by a share; edges in proportion, noise of the on-state as it is."""
        off_v, step_v = float(np.median(self._off())), float(np.median(self._inside()) - np.median(self._off()))
        first, last = self.start - self._before, self.stop + self._after
        self._require(first, last)
        height = np.clip((self.volts[first:last] - off_v) / step_v, 0.0, 1.0)
        flat = slice(self.start - first + self._before, self.stop - first - self._before)
        height[flat] = 1.0
        self.volts[first:last] -= share * step_v * height

    def ripple(self, size_v: float) -> None:
        """Add a sine of an effective value of ``size_v`` to the on-state."""
        first, last = self.start + self._before, self.stop - self._before
        phase = np.arange(self._known(first, last).size) / max(RIPPLE_SAMPLES, RIPPLE_S * self.rate_hz)
        self.volts[first:last] += np.sqrt(2.0) * size_v * np.sin(2.0 * np.pi * phase)

    def repeat(self) -> None:
        """Put a short pulse behind, made of this one's two edges."""
        length = min(round(EXTRA_LENGTH_S * self.rate_hz), (self.stop - self.start) // 3)
        begin = self.stop + max(round(EXTRA_PAUSE_S * self.rate_hz), self._before + self._after)
        half = length // 2
        self._require(self.start, begin + length + self._after)
        if half < self._before:
            raise NoRoomError
        rising = self.volts[self.start - self._before : self.start + half].copy()
        falling = self.volts[self.stop - (length - half) : self.stop + self._after].copy()
        self.volts[begin - self._before : begin + half] = rising
        self.volts[begin + half : begin + length + self._after] = falling

    def _require(self, first: int, last: int) -> None:
        if first < self.floor or last > self.limit:
            raise NoRoomError

    def _keep_width(self, change: int) -> None:
        if self.stop - self.start + change < 2 * (self._before + self._after):
            raise NoRoomError

    def _shift(self, first: int, last: int, n: int, before: _Floats, behind: _Floats) -> None:
        """Move the samples ``[first, last)`` by n and fill the hole with the state before or behind them."""
        self._require(min(first, first + n), max(last, last + n))
        moved = self.volts[first:last].copy()
        if n > 0:
            self.volts[first : first + n] = np.resize(before, n)
        else:
            self.volts[last + n : last] = np.resize(behind, -n)
        self.volts[first + n : last + n] = moved


@dataclass(frozen=True, kw_only=True)
class EventSamples:
    """The pulses of one ignition event; None where no lead shows it."""

    command: PulseSamples | None
    feedback: PulseSamples | None
    rpm: float = float("nan")


def plant_in_samples(event: EventSamples, kind: str, size: float, *, tie: Tie, usual_us: float = float("nan")) -> float:
    """Plant one fault and return its size, rounded to what whole samples allow.

    Parameters
    ----------
    event : EventSamples
        Its arrays are changed in place.
    kind : str
        As in `miner.synthetic.faults.events`; supply_sag is not planted, it is no fault of one pulse.
    size : float
        In the kind's unit; the sign counts for ``odd_feedback_width`` and ``uneven_interval``.
    tie : {"width", "delay", "none"}
        How feedback follows the end of the command.
    usual_us : float
        Measured value of the event that a share is of, in microseconds; for kinds that move an edge.

    Raises
    ------
    NoRoomError
        If another pulse is too close, or the event lacks the pulse that would change. Nothing was changed if it is
        raised for the first pulse; plant into a copy.
    """
    if kind not in _MOVES:
        _STAY[kind](event, size)
        return size
    pulse = _there(event.command or event.feedback)
    unit_samples = pulse.rate_hz * (1.0 / (6.0 * event.rpm) if kind == "uneven_interval" else 1e-6 * usual_us)
    n_samples = round(size * unit_samples)
    if n_samples == 0:
        raise NoRoomError
    sign, move = _MOVES[kind]
    move(event, sign * n_samples, tie)
    return n_samples / unit_samples


def _there(pulse: PulseSamples | None) -> PulseSamples:
    if pulse is None:
        raise NoRoomError
    return pulse


def _both(event: EventSamples) -> list[PulseSamples]:
    return [pulse for pulse in (event.command, event.feedback) if pulse is not None]


def _erase_all(event: EventSamples, _size: float) -> None:
    for pulse in _both(event):
        pulse.erase()


def _change_on_time(event: EventSamples, n_samples: int, tie: Tie) -> None:
    _there(event.command).move_stop(n_samples)
    if event.feedback is not None and tie == "width":
        event.feedback.move_stop(n_samples)
    if event.feedback is not None and tie == "delay":
        event.feedback.move(n_samples)


def _change_delay(event: EventSamples, n_samples: int, tie: Tie) -> None:
    feedback = _there(event.feedback)
    (feedback.move_start if tie == "width" else feedback.move)(n_samples)


def _move_all(event: EventSamples, n_samples: int, _tie: Tie) -> None:
    for pulse in _both(event):
        pulse.move(n_samples)


_STAY: dict[str, Callable[[EventSamples, float], None]] = {
    "absent_command": _erase_all,
    "absent_feedback": lambda e, _: _there(e.feedback).erase(),
    "weak_command": lambda e, size: _there(e.command).weaken(size),
    "weak_feedback": lambda e, size: _there(e.feedback).weaken(size),
    "distorted_command": lambda e, size: _there(e.command).ripple(size),
    "extra_pulse": lambda e, _: _there(e.command or e.feedback).repeat(),
}

_MOVES: dict[str, tuple[int, Callable[[EventSamples, int, Tie], None]]] = {
    "short_on_time": (-1, _change_on_time),
    "long_on_time": (1, _change_on_time),
    "late_feedback": (1, _change_delay),
    "early_feedback": (-1, _change_delay),
    "odd_feedback_width": (1, lambda e, n, _: _there(e.feedback).move_stop(n)),
    "uneven_interval": (1, _move_all),
}
