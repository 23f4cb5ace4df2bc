"""Leads drawn with plain numpy: every role the leads can have, on an engine of 1 to 12 cylinders, with what goes wrong.

Nothing here comes from the package: angles from a speed that wanders, pulses by their instants, wheels by their angle.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(kw_only=True)
class Drive:
    """Speed over time and the instants of all firings."""

    cylinders: int
    paired: bool
    seconds: float
    rate_hz: float
    rng: np.random.Generator
    varied: bool = True
    time_s: Floats = field(init=False)
    angle_deg: Floats = field(init=False)

    def __post_init__(self) -> None:
        self.time_s = np.arange(round(self.seconds * self.rate_hz)) / self.rate_hz
        n = self.time_s.size
        idle = self.rng.uniform(620, 950)
        top = self.rng.uniform(1800, 4200) if self.varied else idle
        knots = np.concatenate([[idle, idle, idle], self.rng.uniform(idle, top, 5), [idle]])
        rpm = np.interp(np.linspace(0, 1, n), np.linspace(0, 1, knots.size), knots)
        self.angle_deg = np.cumsum(6.0 * rpm) / self.rate_hz

    def at(self, angle_deg: Floats) -> Floats:
        """Return the instants of crank angles."""
        return np.interp(angle_deg, self.angle_deg, self.time_s)

    def firings(self) -> tuple[Floats, NDArray[np.int64]]:
        """Return instants and slots of all firings."""
        turn = 360.0 if self.paired else 720.0
        n_slots = max(self.cylinders // 2, 1) if self.paired else self.cylinders
        step = turn / n_slots
        angles = np.arange(40.0, self.angle_deg[-1] - 400.0, step)
        at = self.at(angles + self.rng.normal(0, 0.4, angles.size))
        return at, np.arange(angles.size) % n_slots


def pulses(time_s: Floats, starts: Floats, widths: Floats | float, off: float, on: float) -> Floats:
    """Return a line that switches."""
    change = np.zeros(time_s.size + 1)
    rate = 1.0 / (time_s[1] - time_s[0])
    for at, sign in ((starts, 1.0), (starts + widths, -1.0)):
        np.add.at(change, np.clip(np.round(at * rate).astype(int), 0, time_s.size), sign)
    return off + (on - off) * (np.cumsum(change[:-1]) > 0.5)


def shaped(time_s: Floats, starts: Floats, shape: Floats) -> Floats:
    """Return the sum of one shape laid at each start."""
    out = np.zeros(time_s.size)
    rate = 1.0 / (time_s[1] - time_s[0])
    for first in np.round(starts * rate).astype(int):
        n = min(shape.size, time_s.size - first)
        if first >= 0 and n > 0:
            out[first : first + n] += shape[:n]
    return out


def current(rate_hz: float, dwell_s: float) -> Floats:
    """Return the current of a coil that charges towards 12 A with a time constant of 3 ms, then is cut off."""
    t = np.arange(round(dwell_s * rate_hz)) / rate_hz
    return 12.0 * (1.0 - np.exp(-t / 3e-3))


def primary(rate_hz: float, dwell_s: float, supply: float) -> Floats:
    """Return what is added to the supply: drawn to ground, thrown to 350 V, some burning, back."""
    on = np.full(round(dwell_s * rate_hz), 0.4 - supply)
    t = np.arange(round(2.5e-3 * rate_hz)) / rate_hz
    burn = np.where(t < 30e-6, 350.0, np.where(t < 1.2e-3, 22.0, 8.0 * np.exp(-(t - 1.2e-3) / 3e-4)))
    return np.concatenate([on, burn])


def wheel(angle_deg: Floats, teeth: int, missing: int, *, pickup: bool, per: float = 360.0) -> Floats:
    """Return a crank wheel: square, or the wave of a pickup that grows with speed."""
    turn = (angle_deg % per) * teeth / per
    there = turn < teeth - missing
    if not pickup:
        return np.where(there & (turn % 1.0 < 0.5), 5.0, 0.0)
    speed = np.gradient(angle_deg)
    return np.where(there, np.sin(2 * np.pi * turn), 0.0) * 3.0 * speed / speed.mean()


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """A recording with the truth of its leads."""

    path: Path
    cylinders: int
    paired: bool
    roles: dict[str, str]
    slots: dict[str, int]


def draw(folder: Path, number: int, *, seconds: float = 16.0, rate_hz: float = 50_000.0) -> Drawn:
    """Draw recording ``number``: engine, leads and what goes wrong follow from it."""
    rng = np.random.default_rng(number)
    paired = bool(rng.random() < 0.15)
    cylinders = int(rng.choice([4, 6]) if paired else rng.integers(1, 13))
    drive = Drive(cylinders=cylinders, paired=paired, seconds=seconds, rate_hz=rate_hz, rng=rng)
    at, slot = drive.firings()
    happened = rng.random(at.size) > (0.01 if rng.random() < 0.4 else 0.0)
    at, slot = at[happened], slot[happened]
    n_slots = int(slot.max()) + 1
    dwell, delay = rng.uniform(1.6e-3, 3.2e-3), rng.uniform(0.2e-3, 0.9e-3)
    width = rng.uniform(0.4e-3, 1.4e-3)
    leads: dict[str, Floats] = {}
    roles: dict[str, str] = {}
    slots: dict[str, int] = {}
    level = float(rng.choice([5.0, 12.0]))
    low = bool(rng.random() < 0.3)

    def add(role: str, volts: Floats, where: int | None = None) -> None:
        name = f"ch{len(leads)}"
        leads[name], roles[name] = volts, role
        if where is not None:
            slots[name] = where

    many = rng.random() < 0.35
    chosen = list(range(n_slots)) if many else [int(rng.integers(n_slots))]
    jitter = rng.normal(0, 5e-6, at.size)
    for k in chosen:
        mine = slot == k
        line = pulses(drive.time_s, at[mine], dwell + jitter[mine], level if low else 0.1, 0.1 if low else level)
        add("command", line, k)
    if n_slots > 1 and rng.random() < 0.75:
        add("feedback", pulses(drive.time_s, at + delay + jitter, width, 5.0, 0.3))
    elif rng.random() < 0.5:
        mine = slot == chosen[0]
        add("feedback", pulses(drive.time_s, at[mine] + delay + jitter[mine], width, 5.0, 0.3), chosen[0])
    if rng.random() < 0.4:
        add("supply", np.full(drive.time_s.size, 13.9) + 0.2 * np.sin(drive.time_s))
    if rng.random() < 0.3:
        add("ground", np.full(drive.time_s.size, 0.05))
    if rng.random() < 0.3:
        add("coil_current", shaped(drive.time_s, at[slot == chosen[0]], current(rate_hz, dwell)), chosen[0])
    if rng.random() < 0.25:
        add(
            "coil_primary", 13.8 + shaped(drive.time_s, at[slot == chosen[0]], primary(rate_hz, dwell, 13.8)), chosen[0]
        )
    if rng.random() < 0.4:
        teeth, missing = [(60, 2), (36, 1), (36, 2), (24, 1)][int(rng.integers(4))]
        add("crank", wheel(drive.angle_deg, teeth, missing, pickup=bool(rng.random() < 0.4)))
        if rng.random() < 0.5:
            add("cam", np.where(drive.angle_deg % 720.0 < 150.0, 5.0, 0.0))
    return _written(folder, number, leads, roles, slots, cylinders, paired, rng, rate_hz)


def _written(
    folder: Path, number: int, leads: dict[str, Floats], roles: dict[str, str], slots: dict[str, int],
    cylinders: int, paired: bool, rng: np.random.Generator, rate_hz: float,
) -> Drawn:  # fmt: skip
    order = rng.permutation(list(leads))
    columns: dict[str, Any] = {}
    fields = []
    for name in order:
        volts = leads[name]
        span = 13.8 if roles[name] == "coil_primary" else float(np.ptp(volts)) or 1.0
        pulsed = roles[name] in ("command", "feedback")
        if pulsed and rng.random() < 0.15:
            volts = -volts  # clipped the wrong way round
        if pulsed and rng.random() < 0.15:
            volts, span = volts / 10.0, span / 10.0  # a divider nobody told the recorder of
        noise = rng.uniform(0.0, 0.02) * span
        volts = volts + noise * rng.standard_normal(volts.size)
        scale = max(float(np.abs(volts).max()), 0.1) / 30000.0
        columns[name] = np.round(volts / scale).astype(np.int16)
        unit = "A" if roles[name] == "coil_current" and rng.random() < 0.5 else "V"
        fields.append(pa.field(name, pa.int16(), metadata={"scale": repr(scale), "offset": "0", "unit": unit}))
    schema = pa.schema(fields, metadata={"sample_rate_hz": str(rate_hz)})
    path = folder / f"drawn_{number}.parquet"
    pq.write_table(pa.table(columns, schema=schema), path)
    return Drawn(path=path, cylinders=cylinders, paired=paired, roles=roles, slots=slots)
