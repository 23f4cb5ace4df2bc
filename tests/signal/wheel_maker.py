"""A crank drawn with plain numpy: an angle over time, the teeth that pass, and commands at known angles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Crank:
    """Speed in rpm at knots of time, with a ripple twice a turn; angle by summing it up."""

    time_s: Floats
    angle_deg: Floats

    @classmethod
    def driven(cls, knots_s: Sequence[float], rpm: Sequence[float], rate_hz: float, ripple: float = 0.03) -> Crank:
        """Let the crank turn through the knots; the angle begins at 100 degrees."""
        time_s = np.arange(round(knots_s[-1] * rate_hz)) / rate_hz
        mean = np.interp(time_s, knots_s, rpm)
        even = np.cumsum(6.0 * mean) / rate_hz
        speed = mean * (1.0 + ripple * np.sin(np.deg2rad(2.0 * even)))
        return cls(time_s=time_s, angle_deg=100.0 + np.cumsum(6.0 * speed) / rate_hz)

    def at(self, angle_deg: Floats) -> Floats:
        """Return when the crank passes angles."""
        return np.interp(angle_deg, self.angle_deg, self.time_s)

    def angle_at(self, time_s: Floats) -> Floats:
        """Return the angle at instants."""
        return np.interp(time_s, self.time_s, self.angle_deg)

    def wheel(
        self, teeth: int, missing: int, *, pickup: bool = False, per: float = 360.0, lost: Floats | None = None
    ) -> Floats:
        """Return the lead of a wheel, 0 to 5 V, or the wave of a pickup that follows the speed.

        A tooth rises at its own angle and falls half a step later; ``lost`` holds running numbers of teeth that are
        not there.
        """
        place = self.angle_deg * teeth / per
        there = place % teeth < teeth - missing
        if lost is not None:
            there &= ~np.isin(np.floor(place), lost)
        if not pickup:
            return np.where(there & (place % 1.0 < 0.5), 5.0, 0.0)
        speed = np.gradient(self.angle_deg, self.time_s)
        return np.where(there, np.sin(2 * np.pi * place), 0.0) * speed / 6000.0


def line(time_s: Floats, starts_s: Floats, stops_s: Floats, level_v: float = 5.0) -> Floats:
    """Return a line that is high from starts to stops."""
    change = np.zeros(time_s.size + 1)
    for at, sign in ((starts_s, 1.0), (stops_s, -1.0)):
        np.add.at(change, np.clip(np.searchsorted(time_s, at), 0, time_s.size), sign)
    return level_v * np.cumsum(change[:-1])
