"""The least difference that matters in a workshop: what is below accuses nobody, however quiet the recording is.

All of it is common practice without a source. A difference must also be more than the recorder, and the timer of the
engine computer, can tell apart.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.expected.measures import Measure

__all__ = ["Resolution", "least_difference", "least_wished", "timer_tick"]

_Floats = NDArray[np.float64]

SAMPLES, STEPS, TICKS = 1.5, 1.5, 2.0
"""Samples between unresolved edges, steps of the converter and of the timer that a difference must exceed: an instant
or a level rounded to either side is off by one at most, a half more for noise."""

ROUNDING = 1.0 / 6.0**0.5 / SAMPLES
"""Of what is told apart: a duration between two instants rounded to samples has a noise of 1 / sqrt(6) of one (uniform
errors), and one and a half of them are told apart."""

EDGE_SAMPLES = 2.0
"""And for the duration of an edge itself, which has two such instants."""

RESOLVED_SAMPLES = 1.2
"""An edge that is a single step comes out as 0.8 samples from 10 to 90 %: from half as much again there are samples on
it, and its instant is known better than to one."""


@dataclass(frozen=True, kw_only=True)
class Resolution:
    """What the recorder tells apart.

    Attributes
    ----------
    sample_us : float
        Sample period; 0: not known.
    step_v : mapping of str to float
        Step of the converter in volts (amperes) by role of the lead.
    wished : mapping of str to float
        Least difference by column of the event table, where the setup names one: see `least_wished`.
    """

    sample_us: float = 0.0
    step_v: Mapping[str, float] = field(default_factory=dict)
    wished: Mapping[str, float] = field(default_factory=dict)


KEYS = {
    "on_time_us": "on_time_percent", "delay_us": "delay_percent", "feedback_width_us": "feedback_width_percent",
    "amplitude_v": "amplitude_percent", "feedback_amplitude_v": "feedback_amplitude_percent",
    "ripple_v": "ripple_percent", "rise_us": "rise_percent", "fall_us": "fall_percent",
    "interval_us": "interval_percent", "coil_current_peak_a": "coil_current_percent",
    "timing_residual_deg": "timing_deg", "supply_v": "supply_v",
}  # fmt: skip
"""Column of the event table, and key of the setup that names its least difference."""


def least_wished(setup: Setup) -> dict[str, float]:
    """Return the least differences that a setup names, by column: shares of the usual value, degrees, or volts."""
    named = {column: getattr(setup.least_differences, key) for column, key in KEYS.items()}
    return {
        column: value / 100.0 if KEYS[column].endswith("_percent") else value
        for column, value in named.items()
        if value is not None
    }


class Least(NamedTuple):
    """The least difference that matters: what a workshop cares for, and what recorder and timer tell apart.

    Attributes
    ----------
    matters : float
        A ratio less one for measures that are judged as ratios, else in the measure's own unit.
    told : float
        In the measure's own unit.
    """

    matters: float
    told: float

    def noise_at(self, usual: _Floats, measure: Measure) -> _Floats:
        """Return the least noise (n,), same scale: what rounding alone makes, however quiet the rest."""
        rounding = ROUNDING * self.told * (measure.unit == "us")  # levels are means of many samples
        if measure.scale == "linear":
            return np.full(usual.shape, rounding)
        return np.asarray(np.log1p(rounding / np.maximum(np.abs(usual), 1e-12)))

    def at(self, usual: _Floats, measure: Measure) -> _Floats:
        """Return it (n,) on the scale the measure is judged on, where ``usual`` (n,), in its own unit, is usual."""
        if measure.scale == "linear":
            return np.full(usual.shape, max(self.matters, self.told))
        return np.asarray(np.log1p(np.maximum(self.matters, self.told / np.maximum(np.abs(usual), 1e-12))))


def least_difference(measure: Measure, values: _Floats, resolution: Resolution, edge_us: float) -> Least:
    """Return the least difference of a measure that matters.

    What the setup names takes the place of the measure's own; what cannot be told apart stays the least of all.

    Parameters
    ----------
    measure : Measure
    values : ndarray (n,)
        What was measured, in the measure's own unit.
    resolution : Resolution
    edge_us : float
        Usual duration of the edges that the measure is read off; NaN where there are none.
    """
    told = 0.0
    if measure.unit == "us" and measure.column != "interval_us":
        if measure.moves == "shape":
            told = EDGE_SAMPLES * resolution.sample_us
        elif edge_us < RESOLVED_SAMPLES * resolution.sample_us:
            told = SAMPLES * resolution.sample_us
        told = max(told, TICKS * timer_tick(values)) if measure.column == "on_time_us" else told
    elif measure.unit in ("V", "A"):
        role = {"command": "command", "feedback": "feedback"}.get(measure.lead, "supply")
        told = STEPS * resolution.step_v.get("coil_current" if measure.unit == "A" else role, 0.0)
        told *= 0.5 if measure.moves == "shape" else 1.0  # a spread is that of many samples
    wished = resolution.wished.get(measure.column, measure.least)
    if measure.column in resolution.wished and KEYS[measure.column].endswith("_v"):
        return Least(0.0, max(wished, told))
    return Least(wished, told)


TICK_COHERENCE, LEAST_CHANGES, MOST_CHANGES = 0.6, 20, 5_000
"""Of differences that are whole ticks, with a noise of a tenth of a tick on each, the mean phase is 0.67 long; of those
that are not, near nothing. So many of them at least must be of two ticks and more: one step that comes again and again
is no timer. More are not needed (own choices)."""

LARGEST_CHANGE = 0.2
"""Of the on-time: further than that from one event to the next it does not count ticks (own choice)."""


def timer_tick(duration_us: _Floats) -> float:
    """Return the tick of the timer that durations are counted in, 0 where none shows: the largest that they all keep.

    The mean of cos(2 pi d / tick) over the changes d from event to event is 1 for every tick they are whole multiples
    of (Rayleigh's statistic of a periodicity: Rayleigh 1919, from memory). Changes of less than half a tick are those
    of measuring it and prove nothing. Steps of a table are not the same at every duration: those of a timer are, so
    that the durations themselves are whole ticks and a constant.
    """
    known = duration_us[np.isfinite(duration_us)]
    if known.size < 50:
        return 0.0
    changes = np.abs(np.diff(known))
    changes = changes[(changes > 0.5) & (changes < LARGEST_CHANGE * np.median(known))]
    changes = changes[np.linspace(0, changes.size - 1, min(changes.size, MOST_CHANGES)).astype(np.int64)]
    found = 0.0
    for tick in np.geomspace(1.0, 200.0, 300):
        counted = changes[changes > 1.5 * tick]
        if counted.size < LEAST_CHANGES:
            break
        if min(_coherence(changes[changes > 0.5 * tick], tick), _coherence(counted, tick)) > TICK_COHERENCE:
            found = float(tick)
    if not found:
        return 0.0
    changes = changes[changes > 0.5 * found]
    near = found * np.linspace(0.88, 1.0, 60)  # it is still coherent a little above the tick
    tick = float(max(near, key=lambda tick: _coherence(changes, tick)))
    whole = np.abs(np.mean(np.exp(2j * np.pi * known / tick)))  # of the durations: from an instant before the pulse on
    return tick if whole > TICK_COHERENCE else 0.0


def _coherence(changes: _Floats, tick: float) -> float:
    return float(np.mean(np.cos(2.0 * np.pi * changes / tick)))
