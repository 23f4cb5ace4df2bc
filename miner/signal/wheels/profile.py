"""The first look at a wheel: middle, side, and how many teeth it has, of which how many are left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from miner.recording.reader import Recording
from miner.signal.leads import LeadProfile, LeadSpec, Wheel
from miner.signal.looks.unknown_leads import LeadLook, Stretch, look_at_leads
from miner.signal.wheels.teeth import FADE_S, no_teeth_yet, pass_teeth

__all__ = ["WHEEL_ROLES", "profile_wheels"]

WHEEL_ROLES = ("crank", "cam")
"""Roles whose leads show a wheel."""

Floats = NDArray[np.float64]

_LEAST_TEETH = 24
"""Teeth from which on anything is told (own choice)."""

_FEW_STRETCHES, _MANY_STRETCHES = 12, 60
"""Stretches of five seconds of the first look, and of the second, where the first showed too little."""

_NOISE_SIGMA, _SHARE_OF_HEIGHT = 6.0, 0.05
"""Of the noise, and of the height of an ordinary tooth: less is no tooth. A pickup at starter speed shows a fifteenth
of what it does at 3,000 rpm (its volts follow the speed)."""

_GAP_LOW, _GAP_HIGH = 1.41, 6.0
"""An interval over the geometric mean of its neighbours that may be a gap: one tooth left out makes 2, four make 5."""

_LEAST_BETWEEN = 3
"""Teeth between two gaps, and countings of a turn, without which there is nothing to agree on (own choice)."""

_SAME_SHARE = 0.6
"""Share of the turns, or of the countings, that must agree on the number of teeth (own choice)."""


def profile_wheels(recording: Recording, leads: Sequence[LeadSpec]) -> dict[int, LeadProfile]:
    """Look at every crank and cam lead; one whose wheel cannot be told has no profile, and is not read.

    Parameters
    ----------
    recording : Recording
        As opened.
    leads : sequence of LeadSpec
        All leads: pulses of known number a turn tell the teeth of a wheel without a gap.

    Raises
    ------
    RecordingError
        As `miner.recording.chunks.iter_chunks`.
    """
    wheels = [lead for lead in leads if lead.role in WHEEL_ROLES]
    if not wheels:
        return {}
    clocks = [lead for lead in leads if lead.has_pulses and lead.per_turn]
    columns = [lead.column for lead in (*wheels, *clocks)]
    found: dict[int, LeadProfile] = {}
    for n_stretches in (_FEW_STRETCHES, _MANY_STRETCHES):
        looks = look_at_leads(recording, columns, n_stretches=n_stretches)
        found |= {w.index: p for w in wheels if w.index not in found and (p := _profile(w, clocks, looks)) is not None}
        if len(found) == len(wheels):
            break
    return found


def _profile(lead: LeadSpec, clocks: Sequence[LeadSpec], looks: Mapping[str, LeadLook]) -> LeadProfile | None:
    look = looks[lead.column]
    known = [stretch.volts[np.isfinite(stretch.volts)] for stretch in look.stretches]
    if not sum(volts.size for volts in known):
        return None
    middle = (look.low + look.high) / 2 if look.two_levels else float(np.median(np.concatenate(known)))
    best: tuple[float, LeadProfile] | None = None
    for sign in (1.0, -1.0):
        height = (look.most if sign > 0 else -look.least) - sign * middle
        floor = max(_NOISE_SIGMA * look.noise, _SHARE_OF_HEIGHT * height, 1e-9)
        teeth = [_teeth(stretch, sign, sign * middle, floor) for stretch in look.stretches]
        if sum(at.size for at in teeth) < _LEAST_TEETH:
            continue
        wheel = _wheel_of(teeth, lead, clocks, looks, floor)
        spread = _unevenness(teeth)
        if wheel is not None and (best is None or spread < best[0]):
            best = spread, LeadProfile(
                index=lead.index, column=lead.column, active="high" if sign > 0 else "low", off_v=middle,
                on_v=middle + sign * height, noise_v=look.noise, step_v=0.0, edge_us=0.0, pulse_us=0.0,
                n_pulses=sum(at.size for at in teeth), clip_count=np.nan, wheel=wheel,
            )  # fmt: skip
    return best[1] if best is not None else None


def _teeth(stretch: Stretch, sign: float, middle: float, floor: float) -> Floats:
    """Return the instants of the teeth of one stretch."""
    absent = np.isnan(stretch.volts)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], absent.view(np.int8), [0]))))
    n = stretch.volts.size
    out, broken = np.empty(n // 2 + 1), np.empty(n // 2 + 1, np.bool_)
    fade = float(np.exp(-stretch.step_s / FADE_S))
    ints, floats = no_teeth_yet()
    found = pass_teeth(
        stretch.volts, 0, 0, n, edges.reshape(-1, 2), sign, middle, floor, 1, fade, ints, floats, out, broken
    )
    return np.asarray(stretch.start_s + out[:found] * stretch.step_s, np.float64)


def _ratios(at: Floats) -> Floats:
    """Return each interval over the geometric mean of its neighbours, from the second to the last but one."""
    d = np.diff(at)
    return np.asarray(d[1:-1] / np.sqrt(d[:-2] * d[2:]), np.float64)


def _unevenness(teeth: Sequence[Floats]) -> float:
    """Return how unlike neighbouring steps are: half of them are more alike."""
    logs = np.concatenate([np.abs(np.log(_ratios(at))) for at in teeth if at.size > 4] or [np.array([np.inf])])
    return float(np.median(logs))


def _wheel_of(
    teeth: Sequence[Floats],
    lead: LeadSpec,
    clocks: Sequence[LeadSpec],
    looks: Mapping[str, LeadLook],
    floor: float,
) -> Wheel | None:
    between, missing = _gap(teeth)
    counted = _count_a_turn(teeth, clocks, looks)
    if between:
        turn_deg = lead.turn_deg
        if counted is not None:  # the gap comes several times a turn, or the wheel turns with the cam
            repeats = counted / between
            exact = max(round(repeats), 1) if repeats > 0.75 else 1.0 / max(round(1.0 / repeats), 1)
            turn_deg = 360.0 / exact if abs(repeats / exact - 1.0) < 0.1 else lead.turn_deg
        return Wheel(teeth=between + missing, missing=missing, turn_deg=turn_deg, floor_v=floor)
    if counted is None:
        return None
    n = counted * lead.turn_deg / 360.0
    whole = round(n)
    if whole < 1 or abs(n - whole) > 0.1 * whole:
        return None
    return Wheel(teeth=whole, missing=0, turn_deg=lead.turn_deg, floor_v=floor)


def _gap(teeth: Sequence[Floats]) -> tuple[int, int]:
    """Return teeth from gap to gap and teeth left out; (0, 0) where no gap comes round regularly."""
    steps: list[NDArray[np.int64]] = []
    sizes: list[Floats] = []
    for at in teeth:
        if at.size > 4:
            ratio = _ratios(at)
            gap = np.flatnonzero((ratio > _GAP_LOW) & (ratio < _GAP_HIGH))
            steps.append(np.diff(gap))
            sizes.append(ratio[gap])
    turns = np.concatenate(steps) if steps else np.empty(0, np.int64)
    if turns.size < 4:
        return 0, 0
    values, counts = np.unique(turns, return_counts=True)
    usual = int(values[np.argmax(counts)])
    if usual < _LEAST_BETWEEN or counts.max() < _SAME_SHARE * turns.size:
        return 0, 0
    return usual, max(round(float(np.median(np.concatenate(sizes)))) - 1, 1)


def _count_a_turn(teeth: Sequence[Floats], clocks: Sequence[LeadSpec], looks: Mapping[str, LeadLook]) -> float | None:
    """Return the teeth of one turn of the crank, counted between ignition pulses; None where the countings differ.

    Over two turns, after which an engine's pulses come round (geometry).
    """
    for clock in clocks:
        n = round(2.0 * (clock.per_turn or 0.0))
        pulses = looks[clock.column].high_states
        counts = []
        for k, at in enumerate(teeth):
            start_s = pulses.start_s[pulses.stretch == k]
            if n and start_s.size > n and at.size:
                inside = (start_s[:-n] >= at[0]) & (start_s[n:] <= at[-1])
                counts.append(np.diff(np.searchsorted(at, np.stack([start_s[:-n], start_s[n:]])), axis=0)[0][inside])
        both = np.concatenate(counts) if counts else np.empty(0)
        if both.size < _LEAST_BETWEEN:
            continue
        usual = float(np.median(both))
        if usual >= 1 and np.mean(np.abs(both - usual) <= max(1.0, 0.02 * usual)) >= _SAME_SHARE:
            near = both[np.abs(both - usual) <= max(1.0, 0.02 * usual)]
            return float(np.mean(near)) / 2.0
    return None
