"""What one lead is by itself: flat, current, primary side of a coil, wheel, or something that switches for a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.engine.leads.trains import Train, train_of
from miner.signal.looks.unknown_leads import LeadLook

__all__ = ["Kind", "kind_of"]

Floats = NDArray[np.float64]

_GROUND_V, _GROUND_RANGE_V = 0.6, 1.5
"""Mean of a ground, and how far it swings with the coils' current (own choice)."""
_SUPPLIES_V = ((10.5, 15.5, "12 V"), (21.0, 30.0, "24 V"))
"""Mean of a supply that is being charged or stands: 12 V and 24 V batteries."""

_SUPPLY_RANGE = 0.6
"""Least over mean while the engine is cranked."""

_OVER_REST = 1.5
"""A coil's turn-off drives its primary side to several times the supply; ringing of a logic line stays under half
more."""

_JUMP_S = 300e-6
"""The primary side peaks some ten microseconds after it is let go, and burns for a millisecond and more."""

_LONGEST_MS = 15.0
"""Usual length of a coil's pulse at most: charging takes milliseconds, in cranking some more."""

_ANGLE_SLOPE, _TIME_SLOPE = 0.75, 0.5
"""Slope of log width over log period: 1 for a length in crank angle, 0 for one in time; between, neither is said
(own choice)."""
_LEAST_TEETH = 6
"""Pulses from gap to gap from which on a wheel is known by its gap: 12-1 and finer in a turn, coarser ones by their
slope."""
_TEETH_A_SLIP = 12
"""Noise in the gap of a pickup hides one now and then, or adds a tooth: from gap to gap a tooth more or less in so many
is as regular; chance comes as near in a quarter of cases at most (own choice)."""
_LEAST_EXACT = 0.4
"""Least share of steps from gap to gap that are one and the same; events that miss by chance have no such number."""

_HIGH, _MEDIUM, _LOW = 0.95, 0.75, 0.5
"""Confidence in words made a number; `miner.engine.leads.setup_text.SURE` lies between the first two (own choice)."""


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A lead's kind, how sure that is (0 to 1), and why; ``train`` where it switches.

    Attributes
    ----------
    name : str
        ``ground``, ``supply``, ``coil_current``, ``coil_primary``, ``wheel``, ``pulses`` or ``unknown``.
    teeth_per_gap : int
        Of a wheel with a gap: pulses from gap to gap, 0 without.
    missing : int
        Teeth that the gap leaves out.
    """

    name: str
    confidence: float
    reason: str
    train: Train | None = None
    teeth_per_gap: int = 0
    missing: int = 0


def kind_of(look: LeadLook) -> Kind:
    """Return the kind of a lead from its own signal."""
    if not np.isfinite(look.mean):
        return Kind(name="unknown", confidence=0.0, reason="it holds no samples")
    flat = _flat(look)
    if flat.name == "supply":  # the coils' current makes steps in it, yet no signal's lower state lies so high
        return flat
    train = train_of(look)
    if train is not None and _is_primary(look):
        return Kind(
            name="coil_primary", confidence=_HIGH, train=train,
            reason=f"rests at {look.high:.3g} {look.unit}, is drawn to {look.low:.2g}, jumps to {look.peak:.3g} then",
        )  # fmt: skip
    if train is not None:
        return _switching(train) if look.two_levels else _shaped(look, train, flat)
    if look.two_levels and look.high_states.size + look.low_states.size > 0:
        n = max(look.high_states.size, look.low_states.size)
        return Kind(name="unknown", confidence=0.0, reason=f"it switches {n} times, too seldom to tell what it is")
    return flat


def _switching(train: Train) -> Kind:
    gap = _gap(train)
    if gap is not None:
        return Kind(
            name="wheel", confidence=_HIGH, train=train, teeth_per_gap=gap[0], missing=gap[1],
            reason=f"even pulses with a gap after each {gap[0]}, as of a wheel with {gap[0] + gap[1]}-{gap[1]} teeth",
        )  # fmt: skip
    slope = train.width_follows_period()
    usual_ms = 1e3 * float(np.median(train.width_s))
    if slope is not None and slope > _ANGLE_SLOPE:
        return Kind(
            name="wheel", confidence=_HIGH if slope > 0.85 else _MEDIUM, train=train,
            reason="the length of its pulses follows the engine's speed, as that of a tooth does",
        )  # fmt: skip
    if usual_ms > _LONGEST_MS:
        return Kind(
            name="unknown", confidence=0.0, train=train, reason=f"pulses of {usual_ms:.2g} ms are longer than a coil's"
        )
    if slope is not None and slope < _TIME_SLOPE:
        reason = f"pulses of {usual_ms:.2g} ms, whatever the engine's speed, as of a coil"
        return Kind(name="pulses", confidence=_HIGH, train=train, reason=reason)
    duty = float(np.nanmedian(train.width_s / train.period_s))
    if duty < 0.25 and usual_ms < 10.0:
        reason = f"pulses of {usual_ms:.2g} ms, short against their distance"
        return Kind(name="pulses", confidence=_MEDIUM, train=train, reason=reason)
    return Kind(
        name="unknown", confidence=0.0, train=train,
        reason="it switches, but the speed changes too little to tell a wheel from a coil",
    )  # fmt: skip


def _gap(train: Train) -> tuple[int, int] | None:
    """Return (pulses from gap to gap, missing teeth) of a wheel with a gap that comes round regularly."""
    period = train.period_s
    if np.isfinite(period).sum() < 30:
        return None
    before = np.concatenate(([np.nan], period[:-1]))
    after = np.append(period[1:], np.nan)
    with np.errstate(invalid="ignore"):
        ratio = period / np.sqrt(before * after)
    at = np.flatnonzero((ratio > 1.6) & (ratio < 4.6))
    if at.size < 4:
        return None
    steps = np.diff(at)
    steps = steps[np.diff(train.stretch[at]) == 0]
    if steps.size < 3:
        return None
    values, counts = np.unique(steps, return_counts=True)
    usual = int(values[np.argmax(counts)])
    # a cylinder that misses now and then does not come round; teeth in between are alike
    rest = np.delete(ratio, at)
    rest = rest[np.isfinite(rest)]
    rounds = np.maximum(np.rint(steps / usual), 1.0)
    regular = np.abs(steps - rounds * usual) <= usual // _TEETH_A_SLIP
    if (
        usual < _LEAST_TEETH
        or counts.max() < _LEAST_EXACT * steps.size
        or np.mean(regular) < 0.8
        or np.mean(np.abs(rest - 1.0) < 0.35) < 0.85
    ):
        return None
    return usual, max(round(float(np.median(ratio[at]))) - 1, 1)


def _is_primary(look: LeadLook) -> bool:
    """Whether the lead rests high, is drawn to ground, and jumps far above its rest where it is let go."""
    rest = look.high
    return bool(
        rest > 0
        and abs(look.low) < 0.2 * rest
        and look.peak > _OVER_REST * rest
        and rest - look.low > 8.0 * look.noise
        and _rests_high(look)
        and _usual_jump(look) > _OVER_REST * rest
    )


def _usual_jump(look: LeadLook) -> float:
    """Return the usual largest value soon after the line is let go: a coil jumps each time, crosstalk now and then."""
    states, tops = look.low_states, []
    for i in np.unique(np.linspace(0, states.size - 1, min(states.size, 60)).astype(int)) if states.size else ():
        stretch = look.stretches[states.stretch[i]]
        first = round((states.stop_s[i] - stretch.start_s) / stretch.step_s)
        after = stretch.volts[first : first + max(round(_JUMP_S / stretch.step_s), 3)]
        tops.append(np.nanmax(after) if np.isfinite(after).any() else np.nan)
    known = np.array(tops)[np.isfinite(tops)]
    return float(np.median(known)) if known.size else 0.0


def _rests_high(look: LeadLook) -> bool:
    up = float((look.high_states.stop_s - look.high_states.start_s).sum())
    down = float((look.low_states.stop_s - look.low_states.start_s).sum())
    return up > 2.0 * down


def _shaped(look: LeadLook, train: Train, flat: Kind) -> Kind:
    gap = _gap(train)
    if gap is not None:
        return Kind(
            name="wheel", confidence=_HIGH, train=train, teeth_per_gap=gap[0], missing=gap[1],
            reason=f"a wave with a gap after each {gap[0]}, as of a pickup on a wheel of {gap[0] + gap[1]}-{gap[1]}",
        )  # fmt: skip
    ramp = _ramp(look, train)
    if ramp is not None:
        return Kind(
            name="coil_current", confidence=_HIGH if ramp < 0.2 or look.unit == "A" else _MEDIUM, train=train,
            reason="rises slowly from rest and falls at once, as the current of a coil does",
        )  # fmt: skip
    slope = train.width_follows_period()
    if slope is not None and slope > _ANGLE_SLOPE:
        return Kind(name="wheel", confidence=_LOW, train=train, reason="a wave whose length follows the engine's speed")
    if flat.name != "unknown":
        return flat
    return Kind(name="unknown", confidence=0.0, train=train, reason="it has a shape that fits nothing known")


def _ramp(look: LeadLook, train: Train) -> float | None:
    """Return the fall of the pulses over their rise, where they rise slowly and fall at once; None for other shapes."""
    sign = 1.0 if train.active == "high" else -1.0
    rest, top = (look.low, look.most) if sign > 0 else (look.high, look.least)
    span = abs(top - rest)
    if span <= 0:
        return None
    ratios, rises = [], []
    for i in np.linspace(0, train.size - 1, min(train.size, 60)).astype(int):
        stretch = look.stretches[train.stretch[i]]
        first = int((train.start_s[i] - stretch.start_s) / stretch.step_s)
        n = int(max(train.width_s[i], 1e-4) / stretch.step_s)
        a, b = max(first - 3 * n, 0), min(first + 3 * n, stretch.volts.size)
        x = sign * (stretch.volts[a:b] - rest) / span
        found = _rise_and_fall(x, first - a, n)
        if found is not None:
            ratios.append(found[1] / max(found[0], 1))
            rises.append(found[0] / max(n, 1))
    if len(ratios) < 5:
        return None
    ratio = float(np.median(ratios))
    return ratio if ratio < 0.4 and np.median(rises) > 0.3 else None


def _rise_and_fall(x: Floats, middle: int, n: int) -> tuple[float, float] | None:
    """Return how many samples lie between 15 % and 85 % of a pulse's own top before it, and behind it."""
    top_at = middle + int(np.argmax(np.nan_to_num(x[middle : middle + n + 2], nan=-1.0)))
    if top_at >= x.size or not x[top_at] > 0.3:
        return None
    x = x / x[top_at]
    under = np.flatnonzero(x[:top_at] < 0.15)
    high = np.flatnonzero(x[: top_at + 1] >= 0.85)
    behind = np.flatnonzero(x[top_at:] < 0.15)
    still = np.flatnonzero(x[top_at:] >= 0.85)
    if not (under.size and high.size and behind.size and still.size):
        return None
    rise_to = high[high > under[-1]]
    fall_from = still[still < behind[0]]
    if not (rise_to.size and fall_from.size):
        return None
    return float(rise_to[0] - under[-1]), float(behind[0] - fall_from[-1])


def _flat(look: LeadLook) -> Kind:
    if look.unit == "V":
        for low, high, name in _SUPPLIES_V:
            steady = look.least > (1.0 - _SUPPLY_RANGE) * look.mean and look.most < 1.35 * look.mean
            if low <= look.mean <= high and steady:
                return Kind(
                    name="supply", confidence=_HIGH, reason=f"stays about {look.mean:.3g} V, as a {name} supply does"
                )
        if abs(look.mean) < _GROUND_V and look.most - look.least < _GROUND_RANGE_V:
            return Kind(
                name="ground", confidence=_MEDIUM,
                reason=f"stays about {look.mean:.2g} V; a lead that hangs free may look alike",
            )  # fmt: skip
    return Kind(name="unknown", confidence=0.0, reason=f"stays about {look.mean:.3g} {look.unit} and does not switch")
