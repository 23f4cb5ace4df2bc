"""The driver: throttle, clutch, gears and brake, every 10 ms."""

# ruff: isort: skip_file
from __future__ import annotations

from numba import njit

from tests.physical.columns import (
    Floats, S_BRAKE, S_ENGAGE, S_GEAR, S_NEXT_GEAR, S_OMEGA, S_RETARD, S_SHIFT, S_SPEED, S_THROTTLE,
)  # fmt: skip
from tests.physical.machine import Machine, Tables


@njit(cache=True)
def drive(m: Machine, b: Tables, s: Floats, want_mps: float, revs: float, pace: float) -> None:
    """Set throttle, gear, clutch and brake."""
    rpm = s[S_OMEGA] * 9.549297
    s[S_BRAKE] = 0.0
    throttle = 0.0
    if s[S_SHIFT] > 0.0:
        s[S_SHIFT] -= 0.01
        if s[S_SHIFT] <= 0.0:
            s[S_GEAR], s[S_ENGAGE] = s[S_NEXT_GEAR], 0.1
        throttle = 0.3 * s[S_THROTTLE] if m.automatic else 0.0
    elif want_mps < 0.3 and s[S_SPEED] < 2.0:
        s[S_GEAR], s[S_BRAKE] = 0.0, 3.0 * m.mass_kg
        if revs > 0.0:
            throttle = min(max(0.12 + (revs - rpm) * 0.0006, 0.0), 1.0)
    else:
        throttle = pedal(m, b, s, want_mps, pace)
        change_gear(m, b, s, rpm, pace)
    s[S_THROTTLE] += 0.25 * (throttle - s[S_THROTTLE])


@njit(cache=True)
def pedal(m: Machine, b: Tables, s: Floats, want_mps: float, pace: float) -> float:
    """Return the throttle that brings the vehicle to the wanted speed; brake where closing it does not suffice."""
    if s[S_GEAR] == 0.0:
        s[S_GEAR], s[S_ENGAGE] = 1.0, 0.0
    g = int(s[S_GEAR])
    s[S_ENGAGE] = min(s[S_ENGAGE] + (0.01 if g == 1 else 0.04), 1.0)
    wish = min(max(1.2 * (want_mps - s[S_SPEED]), -4.0), 0.8 + 2.5 * pace)
    if wish < -0.35 or (s[S_THROTTLE] < 0.02 and wish < 0.1 and g > 1):
        s[S_BRAKE] = max(-m.mass_kg * (wish + 0.5), 0.0)
        return 0.0
    force = m.mass_kg * wish + 0.012 * m.mass_kg * 9.81 + 0.4 * s[S_SPEED] ** 2
    throttle = min(max(force / (m.torque_per_l * m.volume_l * b.gears[g]), 0.0), 1.0)
    return max(throttle, 0.18) if g == 1 and s[S_SPEED] < 2.0 else throttle


@njit(cache=True)
def change_gear(m: Machine, b: Tables, s: Floats, rpm: float, pace: float) -> None:
    """Shift up past a speed that depends on the driver's pace, and down when the engine labours."""
    if s[S_ENGAGE] <= 0.9:
        return
    g = int(s[S_GEAR])
    if rpm > 2100.0 + (0.97 * m.limit_rpm - 2100.0) * pace and g < len(b.gears) - 1:
        s[S_NEXT_GEAR], s[S_SHIFT] = g + 1.0, 0.2 if m.automatic else 0.4
        s[S_RETARD] = m.shift_retard_deg
    elif rpm < 1250.0 and g > 1:
        s[S_NEXT_GEAR], s[S_SHIFT] = g - 1.0, 0.3
