"""Charge of an ignition coil through its switch: a resistance and an inductance at one supply voltage.

i(t) = V/R (1 - exp(-R t / L)), solved for the time: t(I) = -(L/R) ln(1 - I R / V), energy E = L I**2 / 2
(step response of an RL circuit, Alexander and Sadiku, Fundamentals of Electric Circuits, ch. 7; from memory).
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["COPPER_PER_KELVIN", "charge_time_s", "coil_current_a"]

COPPER_PER_KELVIN = 0.00393
"""Relative rise of copper's resistance per kelvin at 20 degrees Celsius (common table value)."""

T = TypeVar("T", float, NDArray[np.float64])


def coil_current_a(time_s: T, *, supply_v: T, resistance_ohm: T, inductance_h: T) -> T:
    """Return the current a time after turn-on, in ampere.

    Examples
    --------
    >>> round(float(coil_current_a(3e-3, supply_v=12.0, resistance_ohm=0.5, inductance_h=3e-3)), 4)
    9.4433
    """
    current_a: T = supply_v / resistance_ohm * -np.expm1(-resistance_ohm * time_s / inductance_h)
    return current_a


def charge_time_s(current_a: T, *, supply_v: T, resistance_ohm: T, inductance_h: T) -> T:
    """Return the time from turn-on to a current, in seconds; infinite where the current is never reached.

    Examples
    --------
    >>> round(1e3 * float(charge_time_s(7.0, supply_v=12.0, resistance_ohm=0.5, inductance_h=3e-3)), 4)
    2.069
    """
    share = np.minimum(current_a * resistance_ohm / supply_v, 1.0)
    with np.errstate(divide="ignore"):
        time_s: T = -(inductance_h / resistance_ohm) * np.log1p(-share)
    return time_s
