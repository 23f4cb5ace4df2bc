"""One lead with pulses and no other to compare it with: a coil's command, or the answer of all coils."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from miner.engine.leads.kinds import Kind
from miner.engine.leads.layout import turns_per_period
from miner.engine.leads.trains import Train

__all__ = ["lone_pulses", "returns_after"]

_IDLE_RPM = (480.0, 1300.0)
"""Engines idle between 550 and 1,100 turns a minute, cold or old ones a little beyond."""

_MEDIUM, _LOW = 0.75, 0.55
"""Confidence in words made a number: lower than with other leads, for nothing else confirms it (own choice)."""
_LIKE_ITSELF = 0.35
"""Correlation of a train with itself some pulses later from which on it goes round through several cylinders."""


def lone_pulses(train: Train, wheels: Mapping[str, Kind], cylinders: int | None) -> dict[str, Any]:
    """Return role, confidence and reason of the only lead with pulses."""
    turns = next((t for t in (turns_per_period(train, kind) for kind in wheels.values()) if t is not None), None)
    if turns is not None:
        return _by_turns(turns, cylinders)
    as_command = 120.0 * train.slow_rate_hz()
    round_of = returns_after(train, cylinders)
    if round_of:
        return {
            "role": "feedback", "confidence": _MEDIUM,
            "reason": f"its pulses come round after {round_of}, as the answers of {round_of} coils do",
        }  # fmt: skip
    fits_one = _idles(as_command)
    n = cylinders or 4
    fits_all = _idles(as_command / n)
    if cylinders == 1:
        return {"role": "command", "confidence": _MEDIUM, "reason": "it pulses once a cycle, the only lead that does"}
    if fits_one and not fits_all:
        return {
            "role": "command", "confidence": _MEDIUM if cylinders else _LOW,
            "reason": f"it pulses as one coil does at {as_command:.0f} turns a minute when slow",
        }  # fmt: skip
    if fits_all and not fits_one and not (cylinders is not None and cylinders % 2 == 0 and _idles(as_command / 2)):
        return {
            "role": "feedback", "confidence": _MEDIUM if cylinders else _LOW,
            "reason": f"it pulses as {n} coils do at {as_command / n:.0f} turns a minute when slow",
        }  # fmt: skip
    return {"role": None, "confidence": 0.0, "reason": "alone, it may be a command or the answer of several coils"}


def _idles(rpm: float) -> bool:
    return _IDLE_RPM[0] <= rpm <= _IDLE_RPM[1]


def _by_turns(turns: float, cylinders: int | None) -> dict[str, Any]:
    """Return the role by the turns of the crank wheel between pulses."""
    if abs(turns - 2.0) < 0.1:
        return {"role": "command", "confidence": _MEDIUM, "reason": "it pulses once in two turns of the crank wheel"}
    if abs(turns - 1.0) < 0.1 and cylinders != 2:
        return {
            "role": "command",
            "confidence": _LOW,
            "reason": "it pulses once a turn of the crank wheel, as a coil for two does",
        }
    if turns < 0.9:
        return {
            "role": "feedback", "confidence": _MEDIUM,
            "reason": f"it pulses {1 / turns:.1f} times a turn of the crank wheel, more than one coil does",
        }  # fmt: skip
    return {"role": None, "confidence": 0.0, "reason": "alone, it may be a command or the answer of several coils"}


def returns_after(train: Train, cylinders: int | None) -> int:
    """Return after how many pulses lengths or intervals come round, 0 where they do not.

    Cylinders differ a little, and uneven engines fire unevenly: the answers of all coils are alike after a whole round.
    A single coil has no round.
    """
    rounds = [cylinders] if cylinders else list(range(2, 13))
    rounds += [cylinders // 2] if cylinders and cylinders % 2 == 0 and cylinders > 3 else []
    best, found = _LIKE_ITSELF, 0
    for values in (train.period_s, np.where(np.isfinite(train.period_s), train.width_s, np.nan)):
        rest = _without_trend(values)
        for n in rounds:
            if n < 2:
                continue
            at_round = _correlation(rest, n)
            half = n / 2 if n > 3 else 0  # the banks of an engine may be alike
            between = max(_correlation(rest, lag) for lag in (*range(1, n), n + 1) if lag != half)
            if at_round > best and at_round > between + 0.2:
                best, found = at_round, n
    return found


def _without_trend(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the logarithm without its running median of 25 pulses, bounded."""
    x = np.log(values)
    padded = np.pad(x, 12, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 25)
    with np.errstate(invalid="ignore"):
        middle = np.array([np.median(w[np.isfinite(w)]) if np.isfinite(w).any() else np.nan for w in windows])
    rest = x - middle
    known = rest[np.isfinite(rest)]
    scale = float(np.median(np.abs(known))) * 1.4826 if known.size else 1.0
    return np.asarray(np.clip(rest, -3 * scale, 3 * scale), np.float64)


def _correlation(x: NDArray[np.float64], lag: int) -> float:
    if x.size < lag + 50:
        return 0.0
    a, b = x[:-lag], x[lag:]
    both = np.isfinite(a) & np.isfinite(b)
    a, b = a[both], b[both]
    if a.size < 50 or a.std() == 0 or b.std() == 0:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])
