"""What is wrong with one lead: rate, range, noise, drift, spikes, level, attenuation."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.engine.leads.trains import Train
from miner.recording.clock import Clock
from miner.recording.reader import Recording
from miner.recording.windows import read_windows
from miner.signal.looks.unknown_leads import LeadLook
from miner.words import with_unit

__all__ = ["LeadCheck", "check_lead"]

Floats = NDArray[np.float64]

_SAMPLES_A_PULSE = 20.0
"""The instant of an edge between two samples is known to half a sample, so a pulse to one sample at worst: twenty of
them keep that within 5 % (sampling theory alone; as `miner.events.table` marks `slow_sampling`)."""

_SAMPLES_AN_EDGE = 2.0
"""The 10 % and the 90 % instant of an edge need a sample between them to be two instants."""

_NOISY = 0.05
"""Noise over amplitude; at 12 % the levels can no longer be told apart (`miner.signal.looks.profile`)."""

_DRIFT, _LEAST_SAMPLES = 0.2, 100
"""Change of the off-level over the amplitude; samples from which on a second has a level."""

_SPIKES_A_PULSE, _SPIKE_SHARE, _SPIKE_S = 0.3, 0.3, 25e-6
"""Spikes of a pulse from which on they are worth a line: one in three pulses; one is higher than this share of the
amplitude and shorter than `miner.signal.lead_work` takes a pulse for (own choice)."""
_CLIPPED_SHARE = 0.002
"""Share of samples at one end of the range, and twice those beside it: noise alone puts fewer there (own choice)."""
_SUPPLY_V, _GROUND_V = ((5.5, 16.5), (18.0, 32.0)), 1.0
"""Means a coil supply can have, 12 V and 24 V systems from cranking to overcharging (common practice, no source), and
how far off zero a ground may be: more is a bad ground or no ground."""
_LOGIC_V = (2.0, 60.0)
"""Amplitude of a line between two ends of the ignition: 3.3 V logic to a 24 V supply with its overshoot."""

_FACTORS = (10.0, 0.1, 20.0, 0.05, 100.0, 0.01)
"""Attenuations that probes and clips are sold with (common practice, no source)."""
_WINDOW_S, _N_WINDOWS = 0.4, 5
"""Length and number of the windows read at the full rate: each holds several pulses of an idle (own choice)."""


@dataclass(frozen=True, kw_only=True)
class LeadCheck:
    """One thing found on a lead; clauses without full stop."""

    kind: str
    problem: str
    consequence: str
    remedy: str


def check_lead(recording: Recording, look: LeadLook, role: str | None, train: Train | None) -> Iterator[LeadCheck]:
    """Yield what is wrong with a lead."""
    if not np.isfinite(look.mean):
        yield LeadCheck(
            kind="gap", problem="holds no valid sample", consequence="nothing can be said of it",
            remedy="check the recorder, or leave the lead out",
        )  # fmt: skip
        return
    yield from _level(look, role)
    yield from _clipped(recording, look)
    if train is None:
        return
    amplitude = look.high - look.low
    yield from _drift(look, train, amplitude)
    if not look.two_levels:
        return
    yield from _rate(recording, look, train)
    if look.noise > _NOISY * amplitude:
        yield LeadCheck(
            kind="noisy", problem=f"has noise of {look.noise:.2g} {look.unit} on pulses of {amplitude:.2g}",
            consequence="small differences of level and edge cannot be told",
            remedy="shorten the ground clip, keep the lead away from the coils, or use a smaller range",
        )  # fmt: skip


def _rate(recording: Recording, look: LeadLook, train: Train) -> Iterator[LeadCheck]:
    width_s = float(np.median(train.width_s))
    n = width_s * recording.rate_hz
    period_us = 1e6 / recording.rate_hz
    if n < _SAMPLES_A_PULSE:
        yield LeadCheck(
            kind="slow_sampling", problem=f"has {n:.0f} samples in a pulse of {with_unit(1e6 * width_s, 'us')}",
            consequence=f"widths and delays are good to {with_unit(period_us, 'us')} only, events are marked",
            remedy=f"record at {_round_up(_SAMPLES_A_PULSE / width_s):,.0f} samples a second or more",
        )  # fmt: skip
    edge, spikes, height = _at_full_rate(recording, look, train)
    if n >= _SAMPLES_A_PULSE and edge < _SAMPLES_AN_EDGE:
        yield LeadCheck(
            kind="edges", problem="changes level within one sample",
            consequence=f"rise and fall cannot be measured, instants are good to {with_unit(0.5 * period_us, 'us')}",
            remedy="record faster if edges matter; pulses and delays do not suffer",
        )  # fmt: skip
    if spikes > _SPIKES_A_PULSE:
        yield LeadCheck(
            kind="spikes", problem=f"carries {spikes:.1f} spikes of {height:.2g} {look.unit} a pulse",
            consequence="they are passed over, but edges near them are less sure",
            remedy="keep the leads apart and the ground clip short",
        )  # fmt: skip


def _round_up(rate: float) -> float:
    power = 10.0 ** np.floor(np.log10(rate))
    return float(np.ceil(rate / power) * power)


def _at_full_rate(recording: Recording, look: LeadLook, train: Train) -> tuple[float, float, float]:
    """Return samples of an edge (median), short spikes a pulse, and their usual height, from some windows."""
    places = np.linspace(0, train.size - 1, _N_WINDOWS).astype(int)
    span = round(_WINDOW_S * recording.rate_hz)
    firsts = [max(_sample_at(recording, look, train, i) - span // 4, 0) for i in places]
    ranges = [(first, min(first + span, recording.n_samples)) for first in firsts]
    edges: list[int] = []
    heights: list[float] = []
    n_pulses = 0
    amplitude = look.high - look.low
    for window in read_windows(recording, [look.column], ranges):
        x = (window.volts[look.column].astype(np.float64) - look.low) / amplitude
        edges += _edge_samples(x)
        high = _short_states(x, _SPIKE_SHARE, _SPIKE_S * recording.rate_hz)
        heights += [min(h, 1.0) * amplitude for h in high]
        n_pulses += int(((train.start_s >= window.time_s[0]) & (train.start_s < window.time_s[-1])).sum())
    edge = float(np.median(edges)) if edges else np.inf
    return edge, len(heights) / max(n_pulses, 1), float(np.median(heights)) if heights else 0.0


def _sample_at(recording: Recording, look: LeadLook, train: Train, pulse: int) -> int:
    """Return the sample at which a pulse begins; over a gap in time seconds alone do not tell it."""
    stretch = look.stretches[int(train.stretch[pulse])]
    clock = Clock(recording.rate_hz, [stretch.first], [stretch.start_s])
    return clock.nearest(float(train.start_s[pulse]))


def _edge_samples(x: Floats) -> list[int]:
    """Return for each change of level how many samples lie between 10 % and 90 %, both ends counted half."""
    side = np.where(x > 0.9, 1, np.where(x < 0.1, -1, 0))
    decided = np.flatnonzero(side)
    turns = np.flatnonzero(np.diff(side[decided]))
    return [int(n) for n in decided[turns + 1] - decided[turns]]


def _short_states(x: Floats, share: float, longest: float) -> list[float]:
    """Return the heights of excursions from a level that come back within ``longest`` samples and never switch."""
    away = np.minimum(np.abs(x), np.abs(x - 1.0)) > share
    steps = np.diff(np.concatenate(([0], away.astype(np.int8), [0])))
    found = []
    for first, last in zip(np.flatnonzero(steps == 1), np.flatnonzero(steps == -1), strict=True):
        before, after = float(x[max(int(first) - 1, 0)]), float(x[min(int(last), x.size - 1)])
        if last - first <= longest and abs(before - after) < 0.5:
            found.append(float(np.abs(x[first:last] - before).max()))
    return found


def _clipped(recording: Recording, look: LeadLook) -> Iterator[LeadCheck]:
    """Yield where the recorder cuts off: the extreme value is frequent, its neighbours are not, despite noise."""
    channel = recording.channels[look.column]
    step = abs(channel.scale) if not channel.dtype.startswith("float") else 0.0
    values = np.concatenate([s.volts for s in look.stretches])
    values = values[np.isfinite(values)]
    if step <= 0 or look.noise < 0.7 * step:
        return
    for name, extreme, sign in (("top", values.max(), 1.0), ("bottom", values.min(), -1.0)):
        depth = sign * (extreme - values)
        at = np.count_nonzero(depth < 0.5 * step)
        near = np.count_nonzero((depth > 0.5 * step) & (depth < 3.5 * step))
        if at > _CLIPPED_SHARE * values.size and at > 2 * near:
            yield LeadCheck(
                kind="clipped", problem=f"is cut off at {extreme:.3g} {look.unit}, the {name} of the recorder's range",
                consequence="levels beyond it are not known, amplitudes are too small",
                remedy="use a larger range or a divider",
            )  # fmt: skip


def _drift(look: LeadLook, train: Train, amplitude: float) -> Iterator[LeadCheck]:
    """Yield that the off-level moves from second to second."""
    off = look.low if train.active == "high" else look.high
    levels = []
    for stretch in look.stretches:
        for piece in np.array_split(stretch.volts, max(round(stretch.volts.size * stretch.step_s), 1)):
            x = piece[np.abs(piece - off) < 0.5 * amplitude]
            if x.size > _LEAST_SAMPLES:
                levels.append(float(np.median(x)))
    if len(levels) > 3 and max(levels) - min(levels) > _DRIFT * amplitude:
        yield LeadCheck(
            kind="drift", problem=f"drifts from {min(levels):.2g} to {max(levels):.2g} {look.unit} between its pulses",
            consequence="levels are followed, but what is near a limit may be cut off",
            remedy="check the ground clip and the recorder's coupling (DC, not AC)",
        )  # fmt: skip


def _level(look: LeadLook, role: str | None) -> Iterator[LeadCheck]:
    if look.unit != "V":
        return
    if role == "supply":
        yield from _against(role, look.mean, any(a <= look.mean <= b for a, b in _SUPPLY_V), _SUPPLY_V[0])
    elif role == "ground" and abs(look.mean) > _GROUND_V:
        yield LeadCheck(
            kind="level", problem=f"lies at {look.mean:.3g} V, a ground does not",
            consequence="what is said of the ground is wrong", remedy="check the clip and the role in the setup",
        )  # fmt: skip
    elif role in ("command", "feedback"):
        amplitude = look.high - look.low
        # 0 and 1 of a logic recorder are no volts; levels are centres of bins, so the samples themselves are asked
        logic = look.least == 0.0 and look.peak == 1.0 and look.noise == 0.0
        if look.two_levels and not logic:
            yield from _against(role, amplitude, _LOGIC_V[0] <= amplitude <= _LOGIC_V[1], (4.0, 15.0))


def _against(role: str, value: float, fits: bool, usual: tuple[float, float]) -> Iterator[LeadCheck]:
    """Yield that a level does not fit, and the factor of a probe that would make it fit."""
    if fits:
        return
    factor = next((f for f in _FACTORS if usual[0] <= value * f <= usual[1]), None)
    if factor is not None:
        yield LeadCheck(
            kind="attenuation", problem=f"has {value:.3g} V, {factor:g} times that would fit its role '{role}'",
            consequence="all its volts are wrong by that factor, times are right",
            remedy="check the probe's divider against the recorder's setting",
        )  # fmt: skip
    else:
        yield LeadCheck(
            kind="level", problem=f"has {value:.3g} V, which does not fit its role '{role}'",
            consequence="it is measured all the same", remedy="check the clip, the column and the role in the setup",
        )  # fmt: skip
