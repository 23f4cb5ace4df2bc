"""Loops of the drive: gears, clutch and engine speed; crank angle with compression ripple."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["engine_speed", "integrate_angle"]


@njit(cache=True)
def engine_speed(
    speed_kmh: NDArray[np.float64],
    revs_rpm: NDArray[np.float64],
    mode: NDArray[np.int8],
    flare_rpm: NDArray[np.float64],
    stall: NDArray[np.float64],
    noise: NDArray[np.float64],
    hunting_rpm: NDArray[np.float64],
    rpm_per_kmh: NDArray[np.float64],
    idle_rpm: float,
    shift_rpm: float,
    max_rpm: float,
    crank_rpm: float,
    grid_hz: float,
) -> NDArray[np.float64]:
    """Return engine speed on the grid.

    The clutch is open under 0.9 of idle in first gear and for 0.5 s after a shift; the engine follows its target
    as a first-order lag of 0.15 s (0.25 s run-down, 0.08 s with the starter engaged).
    """
    n = len(speed_kmh)
    rpm = np.zeros(n)
    gear, since_shift, now = 0, 1e9, 0.0
    top = len(rpm_per_kmh) - 1
    for i in range(n):
        v = speed_kmh[i]
        since_shift += 1.0 / grid_hz
        locked = v * rpm_per_kmh[gear]
        if since_shift > 1.2:
            if gear < top and locked > shift_rpm and v * rpm_per_kmh[gear + 1] > 1.35 * idle_rpm:
                gear, since_shift = gear + 1, 0.0
            elif gear > 0 and locked < 1.25 * idle_rpm:
                gear, since_shift = gear - 1, 0.0
            locked = v * rpm_per_kmh[gear]
        idle = idle_rpm + hunting_rpm[i] + flare_rpm[i]
        if mode[i] == 0:
            target, lag = 0.0, 0.25
        elif mode[i] == 1:
            target, lag = crank_rpm * (1.0 + 3.0 * noise[i]), 0.08
        elif stall[i] > 0.0:
            target, lag = 0.0, 0.3
        else:
            slip = max(idle, 1.3 * idle * min(v / 5.0, 1.0))  # launching: clutch slips above idle
            target, lag = max(locked, slip if gear == 0 else idle, revs_rpm[i]), 0.15
            if since_shift < 0.5:
                target = 0.5 * (now + max(locked, idle))
            target = min(target, max_rpm) * (1.0 + noise[i])
        now += (target - now) / (lag * grid_hz) if i > 0 else target
        rpm[i] = now if now > 5.0 else 0.0
        if mode[i] == 0 and now < 15.0:
            now = 0.0
    return rpm


@njit(cache=True)
def integrate_angle(
    rpm: NDArray[np.float64],
    slot_deg: NDArray[np.float64],
    cycle_deg: float,
    start_deg: float,
    ripple_rpm2: float,
    grid_hz: float,
) -> NDArray[np.float64]:
    """Return the crank angle on the grid, in degrees.

    Speed dips before each compression's top and rises after it; the relative ripple is gas torque over kinetic
    energy, so it falls with the square of speed: ``ripple_rpm2 / rpm**2``, at most 0.35.
    """
    n, n_slots, fine = len(rpm), len(slot_deg), 8
    angle = np.empty(n)
    theta = start_deg
    for i in range(n):
        angle[i] = theta
        if rpm[i] <= 0.0:
            continue
        share = min(ripple_rpm2 / (rpm[i] * rpm[i]), 0.35)
        for _ in range(fine):
            place = theta % cycle_deg
            after = 0
            while after < n_slots and slot_deg[after] <= place:
                after += 1
            left = slot_deg[after - 1] if after > 0 else slot_deg[n_slots - 1] - cycle_deg
            right = slot_deg[after] if after < n_slots else cycle_deg + slot_deg[0]
            ripple = 1.0 - share * math.cos(2.0 * math.pi * (place - left) / (right - left))
            theta += 6.0 * rpm[i] * ripple / (fine * grid_hz)
    return angle
