"""Engine computers that reckon on-time with another speed and supply than the ones measured, by tables of their own.

The supply is filtered and counted in steps, the speed is that of the last segment or revolution; the table is a rough
grid, interpolated or in hard cells (common practice, no source). `restless` is the supply they live with.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import RegularGridInterpolator

SPEEDS_RPM = np.array([500.0, 800, 1100, 1500, 2000, 2600, 3300, 4200, 6000])
SUPPLIES_V = np.array([6.0, 8, 10, 11.5, 12.5, 13.2, 13.8, 14.4, 15.2])


@dataclass(frozen=True, kw_only=True)
class Computer:
    hard_cells: bool = False
    filter_s: float = 0.3
    supply_step_v: float = 0.08
    by_segment: bool = False
    roughness: float = 0.02
    count_us: float = 4.0
    seed: int = 1

    def on_time_us(
        self, rng: np.random.Generator, time_s: np.ndarray, rpm: np.ndarray, supply_v: np.ndarray, cylinders: int
    ) -> np.ndarray:
        speed, volts = self._speed(rng, time_s, rpm, cylinders), self._supply(rng, time_s, supply_v)
        table = 2900 * (14 / SUPPLIES_V) ** 1.2 * (1 - 0.07 * np.log(SPEEDS_RPM[:, None] / 1500))
        table = table * (1 + np.random.default_rng(self.seed).normal(0, self.roughness, table.shape))
        if self.hard_cells:
            row, column = np.searchsorted(SPEEDS_RPM, speed), np.searchsorted(SUPPLIES_V, volts)
            found = table[np.minimum(row, SPEEDS_RPM.size - 1), np.minimum(column, SUPPLIES_V.size - 1)]
        else:
            at = np.column_stack([np.clip(speed, 500, 6000), np.clip(volts, 6, 15.2)])
            found = RegularGridInterpolator((SPEEDS_RPM, SUPPLIES_V), table)(at)
        return np.round(np.minimum(found, 0.6 * 120e6 / speed) / self.count_us) * self.count_us

    def _speed(self, rng: np.random.Generator, time_s: np.ndarray, rpm: np.ndarray, cylinders: int) -> np.ndarray:
        events = 1 if self.by_segment else cylinders
        took_s = np.maximum(time_s[events:] - time_s[:-events], 1e-4)
        seen = np.concatenate([rpm[:events], 120 * events / cylinders / took_s])
        return np.where(np.abs(seen / rpm - 1) > 0.3, rpm, seen) * (1 + rng.normal(0, 0.002, rpm.size))

    def _supply(self, rng: np.random.Generator, time_s: np.ndarray, supply_v: np.ndarray) -> np.ndarray:
        filtered = np.empty_like(supply_v)
        level, before_s = supply_v[0], time_s[0]
        for k, (now_s, volts) in enumerate(zip(time_s.tolist(), supply_v.tolist(), strict=True)):
            level += (volts - level) * (1 - np.exp(-(now_s - before_s) / self.filter_s))
            filtered[k], before_s = level, now_s
        return np.round((filtered + rng.normal(0, 0.01, time_s.size)) / self.supply_step_v) * self.supply_step_v


def restless(rng: np.random.Generator, time_s: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    """Return what loads that come and go, and the alternator's ripple, add to a supply, in volts."""
    added = 0.03 * rng.standard_normal(time_s.size) + 0.05 * np.sin(0.37 * np.cumsum(rpm))
    for at_s in rng.uniform(0, time_s[-1], int(time_s[-1] / 25)):
        since_s = np.maximum(time_s - at_s, 0.0)
        fades = np.exp(-since_s / rng.uniform(0.3, 8)) if rng.random() < 0.5 else since_s < rng.uniform(1, 60)
        added -= (time_s >= at_s) * rng.uniform(0.1, 0.7) * fades
    return added
