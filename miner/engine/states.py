"""Operating state of each slot from its speed: cranking, idle, steady, accelerating, decelerating.

Idle speed is found in the recording: the lowest speed at which the engine lingers.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d

__all__ = ["idle_speed_rpm", "operating_states"]

RUNNING_SHARE = 0.6
"""An engine below this share of its idle speed after a stop is turned by the starter (common practice, no source)."""

RUNNING_RPM = 450.0
"""The same where the recording holds no idling: starters turn 150 to 350 rpm (common practice, no source)."""

IDLE_LIMIT_RPM = 1500.0
"""A speed the engine lingers at above this is no idle speed (common practice, no source)."""

IDLE_BAND = 1.2
"""Idle reaches up to this share of the idle speed."""

TREND_PER_S = 0.12
"""Relative change of speed per second from which an engine is said to speed up or slow down."""

GRID_S = 0.1
"""Step at which the speed is looked at: shorter than any change of state that a driver makes."""
SMOOTH_S = 0.5
"""Length over which it is smoothed: some cycles of an idle, shorter than a gear change."""
LINGER_SHARE = 0.02
"""Share of the time at a speed from which on the engine lingers there: a minute of an hour (own choice)."""


def operating_states(
    time_s: NDArray[np.float64], rpm: NDArray[np.float64], segment: NDArray[np.int64]
) -> NDArray[np.str_]:
    """Return the state of each slot.

    Parameters
    ----------
    time_s, rpm : ndarray of float64, shape (n,)
        Slot times, ascending, and speed; NaN where unknown.
    segment : ndarray of int64, shape (n,)
        Stretch between pauses, ascending; an engine slower than running at its beginning is being cranked.

    Returns
    -------
    ndarray of str, shape (n,)
        Names of `miner.schema.OPERATING_STATES`.
    """
    state = np.full(len(time_s), "unknown", dtype="<U12")
    smooth, trend = np.full(len(time_s), np.nan), np.full(len(time_s), np.nan)
    bounds = np.flatnonzero(np.diff(segment, prepend=-1, append=-1))
    for begin, end in pairwise(bounds):
        smooth[begin:end], trend[begin:end] = _smooth_speed(time_s[begin:end], rpm[begin:end])
    idle = idle_speed_rpm(time_s, smooth, trend)
    known = np.isfinite(smooth)
    state[known & (np.abs(trend) < TREND_PER_S)] = "steady"
    state[known & (trend >= TREND_PER_S)] = "accelerating"
    state[known & (trend <= -TREND_PER_S)] = "decelerating"
    if np.isfinite(idle):
        state[known & (smooth < IDLE_BAND * idle) & (np.abs(trend) < 2 * TREND_PER_S)] = "idle"
    running = RUNNING_SHARE * idle if np.isfinite(idle) else RUNNING_RPM
    for begin, end in pairwise(bounds):
        ran_up = np.flatnonzero(rpm[begin:end] >= running)
        state[begin : begin + ran_up[0] if len(ran_up) else end] = "cranking"
    state[~known] = "unknown"
    return state


def _smooth_speed(
    time_s: NDArray[np.float64], rpm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return speed and its relative trend per second, smoothed over half a second on an even time grid."""
    known = np.isfinite(rpm) & (rpm > 0)
    if known.sum() < 2:
        return np.full(len(rpm), np.nan), np.full(len(rpm), np.nan)
    n = max(3, int(np.ceil((time_s[-1] - time_s[0]) / GRID_S)) + 1)
    grid = np.linspace(time_s[0], time_s[-1], n)
    width = max(3, round(SMOOTH_S / GRID_S))
    level = np.interp(grid, time_s[known], np.log(rpm[known]))
    level = uniform_filter1d(median_filter(level, width, mode="nearest"), width, mode="nearest")
    slope = np.gradient(level, grid)
    return np.exp(np.interp(time_s, grid, level)), np.interp(time_s, grid, slope)


def idle_speed_rpm(time_s: NDArray[np.float64], rpm: NDArray[np.float64], trend: NDArray[np.float64]) -> float:
    """Return the lowest speed the engine lingers at, NaN when there is none.

    Lingering is a peak, at least 2 % of the running time, in the time-weighted distribution of the speed while it
    hardly changes; cells are 5 % wide.
    """
    weight = np.minimum(np.diff(time_s, append=time_s[-1:]), 1.0)
    calm = np.isfinite(rpm) & (np.abs(trend) < 2 * TREND_PER_S) & (rpm > RUNNING_RPM) & (rpm < 20000.0)
    if not calm.any() or weight[calm].sum() <= 0:
        return float("nan")
    cell = np.log(rpm[calm]) / np.log(1.05)
    low = int(np.floor(cell.min())) - 1
    share = np.bincount(np.floor(cell).astype(np.int64) - low, weights=weight[calm])
    share = np.convolve(share / weight.sum(), [1.0, 1.0, 1.0], mode="same")
    padded = np.pad(share, 1)
    peak = (share >= padded[:-2]) & (share >= padded[2:]) & (share >= LINGER_SHARE)
    if not peak.any():
        return float("nan")
    centre = int(np.flatnonzero(peak)[0])
    near = np.abs(cell - (low + centre + 0.5)) <= 1.5
    speed = float(np.median(rpm[calm][near])) if near.any() else float("nan")
    return speed if speed < IDLE_LIMIT_RPM else float("nan")
