"""Engine speed over time: roads, stops, fixed gears, clutch, idle, cranking, restarts, stalls and overrun.

A list of stretches of the road gives vehicle speed; gears turn it into engine speed, a clutch blends over the
shifts, and the crank angle follows by integration with the ripple that compression strokes leave at low speed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.engine.runs import lasting_runs
from miner.synthetic.drive.kernels import engine_speed, integrate_angle
from miner.synthetic.drive.roads import Journey, make_journey
from miner.synthetic.scenario import Scenario

__all__ = ["CRANKING", "GRID_HZ", "RUNNING", "STOPPED", "DriveTrace", "run_drive"]

GRID_HZ = 250.0
"""Points of the drive trace a second: eight in a firing interval of a four-cylinder engine at 900 rpm."""

STOPPED, CRANKING, RUNNING = 0, 1, 2
FLARE_RPM = 550.0
FLARE_DECAY_S = 0.7
LEAST_CUT_S = 0.5
"""An overrun that is over sooner is not worth a cut of the fuel: the pull would go and come back with a jerk (common
practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class DriveTrace:
    """The drive on an even time grid (all arrays of one length, grid of `GRID_HZ` from 0 s).

    Attributes
    ----------
    rpm : ndarray of float64
        Engine speed without the ripple of single strokes.
    angle_deg : ndarray of float64
        Crank angle, never falling.
    load : ndarray of float64
        Share of full load, 0 to 1.
    accel_rpm_s : ndarray of float64
        Change of engine speed in rpm a second, over a quarter of a second.
    speed_kmh : ndarray of float64
        Vehicle speed.
    mode : ndarray of int8
        `STOPPED`, `CRANKING` or `RUNNING`.
    ignition : ndarray of bool
        Whether the engine computer fires.
    """

    rpm: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    load: NDArray[np.float64]
    accel_rpm_s: NDArray[np.float64]
    speed_kmh: NDArray[np.float64]
    mode: NDArray[np.int8]
    ignition: NDArray[np.bool_]

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Time of each grid point."""
        return np.arange(len(self.rpm)) / GRID_HZ

    def at(self, values: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return a grid quantity at given times, linear between grid points."""
        place = np.clip(time_s * GRID_HZ, 0.0, len(values) - 1.0)
        left = np.minimum(place.astype(np.int64), len(values) - 2)
        return np.asarray(values[left] + (values[left + 1] - values[left]) * (place - left))

    def is_true(self, flags: NDArray[np.bool_], time_s: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Return a grid flag at given times (nearest grid point before)."""
        place = np.clip((time_s * GRID_HZ).astype(np.int64), 0, len(flags) - 1)
        return np.asarray(flags[place])

    def time_of_angle(self, angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return when the crank passes the given angles, exact for speed linear between grid points."""
        last = len(self.angle_deg) - 2
        cell = np.clip(np.searchsorted(self.angle_deg, angle_deg, side="left") - 1, 0, last)
        left = self.angle_deg[cell]
        step = np.maximum(self.angle_deg[cell + 1] - left, 1e-12)
        return (cell + np.clip((angle_deg - left) / step, 0.0, 1.0)) / GRID_HZ


def run_drive(scenario: Scenario) -> DriveTrace:
    """Drive the scenario's roads and return the trace.

    The angle is integrated on a grid ten times finer where the engine is slow, and given on the coarse one; a
    firing in between is placed linearly, an error under 0.02 degrees at 10,000 rpm/s.
    """
    drive = scenario.drive
    rng = np.random.default_rng([scenario.seed, 11])
    journey = make_journey(drive, scenario.duration_s, rng)
    n = math.ceil(scenario.duration_s * GRID_HZ) + 2
    time_s = np.arange(n) / GRID_HZ
    speed_kmh = _smooth(np.interp(time_s, journey.time_s, journey.speed_kmh), int(0.8 * GRID_HZ))
    mode, ignition, flare, stall = _modes(journey, n, drive.crank_rpm, rng)
    revs = np.interp(time_s, journey.revs_s, journey.revs_rpm) if len(journey.revs_s) else np.zeros(n)
    noise = _noises(n, drive.speed_noise, drive.hunting_rpm, rng)
    rpm = engine_speed(
        speed_kmh, revs, mode, flare, stall, noise[0], noise[1], np.array(drive.rpm_per_kmh), drive.idle_rpm,
        drive.shift_at * drive.idle_rpm, drive.max_rpm, drive.crank_rpm, GRID_HZ,
    )  # fmt: skip
    accel = _smooth(np.gradient(rpm) * GRID_HZ, int(0.25 * GRID_HZ))
    braking = np.gradient(_smooth(speed_kmh, int(GRID_HZ))) * GRID_HZ < -1.0
    overrun = (mode == RUNNING) & braking & (rpm > 1.5 * drive.idle_rpm) & (speed_kmh > 12.0)
    if drive.fuel_cut == "dropped":
        cut = _held(overrun, int(0.3 * GRID_HZ))
        ignition = ignition & ~lasting_runs(cut, int(LEAST_CUT_S * GRID_HZ))
    ignition &= rpm > 0.35 * drive.crank_rpm
    load = np.clip(0.12 + 0.000_35 * accel + 0.004 * speed_kmh, 0.05, 1.0)
    pattern = scenario.engine.pattern
    start_deg = rng.uniform(0, pattern.cycle_deg)
    angle = integrate_angle(
        rpm, np.array(pattern.angles_deg), pattern.cycle_deg, start_deg, 0.35 * drive.crank_rpm**2, GRID_HZ
    )
    return DriveTrace(
        rpm=rpm, angle_deg=angle, load=load, accel_rpm_s=accel, speed_kmh=speed_kmh, mode=mode, ignition=ignition
    )


def _modes(
    journey: Journey, n: int, crank_rpm: float, rng: np.random.Generator
) -> tuple[NDArray[np.int8], NDArray[np.bool_], NDArray[np.float64], NDArray[np.float64]]:
    """Return engine mode, ignition, flare after each start and the pull of each stall (1: engine dies)."""
    mode = np.full(n, RUNNING, np.int8)
    ignition = np.ones(n, np.bool_)
    flare, stall = np.zeros(n), np.zeros(n)
    time_s = np.arange(n) / GRID_HZ
    for stop in journey.stops:
        first, crank, run = (round(t * GRID_HZ) for t in (stop.off_s, stop.crank_s, stop.run_s))
        if stop.stalls:
            stall[max(first - int(0.7 * GRID_HZ), 0) : first] = 1.0
        mode[first:crank] = STOPPED
        mode[crank:run] = CRANKING
        synced = crank + int(GRID_HZ * 60.0 / crank_rpm * rng.uniform(0.4, 1.3))
        ignition[first : min(synced, run)] = False
        calm = run + int(10.0 * FLARE_DECAY_S * GRID_HZ)
        after = np.maximum(time_s[run:calm] - stop.run_s, 0.0)
        flare[run:calm] = np.maximum(
            flare[run:calm], FLARE_RPM * rng.uniform(0.6, 1.2) * np.exp(-after / FLARE_DECAY_S)
        )
    return mode, ignition, flare, stall


def _noises(
    n: int, share: float, hunting_rpm: float, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return relative speed noise (about 0.1 s) and hunting in rpm (about 2 s), both unit-scaled by their sizes."""
    fast = _smooth(rng.standard_normal(n), int(0.1 * GRID_HZ)) * math.sqrt(0.1 * GRID_HZ)
    slow = _smooth(_smooth(rng.standard_normal(n), int(GRID_HZ)), int(GRID_HZ)) * math.sqrt(1.5 * GRID_HZ)
    return share * fast, hunting_rpm * slow


def _smooth(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Return the centred moving mean over an odd number of points."""
    half = max(width // 2, 1)
    total = np.concatenate([[0.0], np.cumsum(np.pad(values, half, mode="edge"))])
    size = 2 * half + 1
    return np.asarray((total[size:] - total[:-size]) / size)


def _held(flags: NDArray[np.bool_], points: int) -> NDArray[np.bool_]:
    """Return flags that have been up for a number of points: fuel is cut a little after the pedal is lifted."""
    count = np.concatenate([[0], np.cumsum(flags)])
    held = np.zeros_like(flags)
    held[points:] = (count[points + 1 :] - count[1:-points]) == points
    return held
