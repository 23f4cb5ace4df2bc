"""Coil supply voltage on the drive's grid: battery, starter dip, alternator, loads.

The dip follows the shape of a starting profile as in ISO 16750-2, clause 4.6.3 (from memory): down within 5 ms,
lowest for 15 ms, up over 50 ms to a plateau with a 2 Hz swing, back over 40 ms or more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from miner.recording.ranges import runs_of
from miner.synthetic.drive.speed import CRANKING, GRID_HZ, RUNNING, DriveTrace
from miner.synthetic.scenario import Scenario

__all__ = ["supply_trace_v"]


def supply_trace_v(scenario: Scenario, trace: DriveTrace) -> NDArray[np.float64]:
    """Return the supply voltage without ripple and without the coils' own sag, in volts, one value a grid point."""
    supply = scenario.supply
    rng = np.random.default_rng([scenario.seed, 12])
    time_s = trace.time_s
    rest_v = supply.rest_v - supply.drain_v_per_h * time_s / 3600.0
    target = np.where(trace.mode == RUNNING, supply.charging_v, rest_v)
    volts = _lag(target, 0.4)
    volts += _load_steps(supply.load_step_v, supply.load_every_s, time_s, rng)
    volts += supply.wander_v * _wander(len(time_s), rng)
    for start, stop in runs_of(trace.mode == CRANKING).tolist():
        _dip(volts, start, stop, supply.crank_low_v, supply.crank_plateau_v)
    return np.maximum(volts, 3.0)


def _dip(volts: NDArray[np.float64], start: int, stop: int, low_v: float, plateau_v: float) -> None:
    """Draw one starter dip into the grid points ``[start, stop)`` and the recovery after them."""
    after_s = np.arange(stop - start) / GRID_HZ
    shape = np.interp(after_s, [0.0, 0.005, 0.020, 0.070], [volts[start], low_v, low_v, plateau_v])
    swing = np.where(after_s > 0.07, 0.5 * np.sin(2.0 * np.pi * 2.0 * (after_s - 0.07)), 0.0)
    volts[start:stop] = shape + swing
    back = slice(stop, min(stop + int(0.06 * GRID_HZ), len(volts)))
    share = np.linspace(0.0, 1.0, back.stop - back.start)
    volts[back] = volts[stop - 1] * (1.0 - share) + volts[back] * share


def _load_steps(
    step_v: float, every_s: float, time_s: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return consumers that switch on and off at random moments, as steps softened over 0.1 s."""
    n = max(int(time_s[-1] / every_s), 1)
    moments = np.sort(rng.uniform(0.0, time_s[-1], n))
    levels = np.concatenate([[0.0], -step_v * rng.random(n)])
    return _lag(levels[np.searchsorted(moments, time_s)], 0.1)


def _wander(n: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return a slow random movement of about unit size, smooth over half a second."""
    knots = rng.standard_normal(int(n / GRID_HZ * 2.0) + 3)
    return np.interp(np.arange(n) / GRID_HZ * 2.0, np.arange(len(knots)), knots)


def _lag(values: NDArray[np.float64], seconds: float) -> NDArray[np.float64]:
    """Return the first-order lag of a grid quantity."""
    from scipy.signal import lfilter

    share = 1.0 / (seconds * GRID_HZ)
    out, _ = lfilter([share], [1.0, share - 1.0], values, zi=[(1.0 - share) * values[0]])
    return np.asarray(out, np.float64)
