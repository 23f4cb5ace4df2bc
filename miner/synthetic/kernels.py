"""Loops that draw volts sample by sample.

Each sample depends on its absolute index alone, never on where a chunk begins: a recording drawn in any chunks has
the same bytes. Times are in samples, absolute; ``out`` holds the samples from index ``start``.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = [
    "add_charges", "add_dents", "add_noise", "add_pulses", "add_ramps", "add_sine", "add_spikes", "draw_nodes",
    "noise_table", "store_counts", "store_floats",
]  # fmt: skip

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
TABLE_BITS = 16
EDGE_TAUS = 9.0
"""An exponential edge is drawn until it is within 0.013 % of its end."""


def noise_table() -> F32:
    """Return 65,536 normal quantiles at even chances: white noise that reaches 4.3 sigma."""
    from scipy.special import ndtri

    n = 1 << TABLE_BITS
    return np.asarray(ndtri((np.arange(n) + 0.5) / n), np.float32)


@njit(cache=True, inline="always")
def _hash(seed: np.uint64, counter: np.uint64) -> Any:
    """Mix a counter into 64 random bits (splitmix64; Steele, Lea, Flood, OOPSLA 2014)."""
    z = seed + (counter + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


@njit(cache=True, nogil=True)
def add_noise(out: F32, start: int, seed: int, sigma: float, table: F32) -> None:
    """Add white normal noise to the samples from ``start``; four samples share one hash."""
    key, last, share = np.uint64(seed), np.uint64(0xFFFF), np.float32(sigma)
    n = len(out)
    whole_from = min((4 - start) & 3, n)
    whole_to = whole_from + ((n - whole_from) & ~3)
    for i in range(whole_from, whole_to, 4):
        bits = _hash(key, np.uint64((start + i) >> 2))
        out[i] += share * table[bits & last]
        out[i + 1] += share * table[(bits >> np.uint64(16)) & last]
        out[i + 2] += share * table[(bits >> np.uint64(32)) & last]
        out[i + 3] += share * table[bits >> np.uint64(48)]
    for part in ((0, whole_from), (whole_to, n)):
        for i in range(part[0], part[1]):
            bits = _hash(key, np.uint64((start + i) >> 2)) >> np.uint64(16 * ((start + i) & 3))
            out[i] += share * table[bits & last]


@njit(cache=True, nogil=True)
def store_counts(volts: F32, raw: NDArray[Any], limits: F64, scale: float, offset: float) -> None:
    """Clip to ``limits`` (low and high in volts, then in counts) and store the nearest counts."""
    inverse, shift = np.float32(1.0 / scale), np.float32(offset)
    low, high = np.float32(limits[0]), np.float32(limits[1])
    low_raw, high_raw = np.float32(limits[2]), np.float32(limits[3])
    half = np.float32(0.5)
    for i in range(len(volts)):
        count = (min(max(volts[i], low), high) - shift) * inverse
        count = min(max(count, low_raw), high_raw)
        raw[i] = np.int32(count + (half if count > 0 else -half))


@njit(cache=True, nogil=True)
def store_floats(volts: F32, raw: NDArray[Any], limits: F64, scale: float, offset: float) -> None:
    """Clip to ``limits`` (low and high in volts) and store as floats."""
    for i in range(len(volts)):
        raw[i] = (min(max(volts[i], limits[0]), limits[1]) - offset) / scale


@njit(cache=True, nogil=True)
def draw_nodes(out: F32, start: int, step: int, first_node: int, nodes: F64) -> None:
    """Set ``out`` to values given every ``step`` samples (node k at sample k * step), linear between."""
    stop = start + len(out)
    for k in range(len(nodes) - 1):
        node = (first_node + k) * step
        left, slope = np.float32(nodes[k]), np.float32((nodes[k + 1] - nodes[k]) / step)
        for i in range(max(node, start), min(node + step, stop)):
            out[i - start] = left + slope * np.float32(i - node)


@njit(cache=True, nogil=True)
def add_sine(out: F32, start: int, step: int, first_node: int, turns: F64, amplitude: float, sine: F32) -> None:
    """Add a sine whose phase in turns is given at nodes; ``sine`` is a table of one period (power of two)."""
    stop, size, height = start + len(out), len(sine), np.float32(amplitude)
    for k in range(len(turns) - 1):
        node = (first_node + k) * step
        left = np.float32((turns[k] - math.floor(turns[k])) * size)
        slope = np.float32((turns[k + 1] - turns[k]) * size / step)
        for i in range(max(node, start), min(node + step, stop)):
            out[i - start] += height * sine[np.int32(left + slope * np.float32(i - node)) & np.int32(size - 1)]


@njit(cache=True, inline="always")
def _edge(since: float, width: float, exponential: bool) -> float:
    """Return how far a transition has come; 0.5 at ``since`` 0; ``width`` is the 10 % to 90 % duration."""
    if width <= 0.0:
        return 1.0 if since >= 0.0 else 0.0
    if exponential:  # 10 % to 90 % takes tau ln 9, 50 % comes tau ln 2 after the start
        tau = width / math.log(9.0)
        after = since + tau * math.log(2.0)
        return 1.0 - math.exp(-after / tau) if after > 0.0 else 0.0
    return min(max(0.5 + 0.8 * since / width, 0.0), 1.0)


@njit(cache=True, nogil=True)
def add_pulses(
    out: F32, start: int, on: F64, off: F64, height: F64, rise: F64, fall: F64, ripple: F64,
    ripple_period: float, exponential: bool, ring: F64, shift: F32,
) -> None:  # fmt: skip
    """Add two-level pulses.

    Parameters
    ----------
    on, off : ndarray
        50 % crossings, in samples.
    height : ndarray
        On-state less off-state in volts, signed.
    rise, fall : ndarray
        10 % to 90 % durations in samples.
    ripple : ndarray
        Peak of a sine on the on-state, in volts.
    ripple_period : float
        Its period in samples.
    ring : ndarray of length 3
        Share of the height, period and decay in samples; share 0 for none.
    shift : ndarray
        What lies on the off-state only and is taken out of the on-state; empty for none.
    """
    stop = start + len(out)
    reach = ring[2] * 6.0 if ring[0] > 0.0 else 0.0
    for k in range(len(on)):
        tail = max(EDGE_TAUS * fall[k] / 2.0, reach) + 2.0
        first = max(math.floor(on[k] - rise[k] - 1.0), start)
        last = min(math.ceil(off[k] + tail), stop)
        settled_on, settled_off = on[k] + max(EDGE_TAUS * rise[k] / 2.0, reach), off[k] - fall[k]
        for i in range(first, last):
            share, extra = 1.0, 0.0
            if i < settled_on or i > settled_off:
                share = _edge(i - on[k], rise[k], exponential) * (1.0 - _edge(i - off[k], fall[k], exponential))
                if reach > 0.0:
                    if i > on[k]:
                        extra += math.exp((on[k] - i) / ring[2]) * math.sin(2.0 * math.pi * (i - on[k]) / ring[1])
                    if i > off[k]:
                        extra -= math.exp((off[k] - i) / ring[2]) * math.sin(2.0 * math.pi * (i - off[k]) / ring[1])
            lifted = shift[i - start] if len(shift) else 0.0
            value = share * (height[k] - lifted) + ring[0] * extra * height[k]
            if ripple[k] != 0.0 and share == 1.0:
                value += ripple[k] * math.sin(2.0 * math.pi * (i - on[k]) / ripple_period)
            out[i - start] += value


@njit(cache=True, nogil=True)
def add_ramps(out: F32, start: int, on: F64, off: F64, height: F64) -> None:
    """Add ramps from 0 at ``on`` to ``height`` at ``off``: what a coil's charge does to a common wire."""
    stop = start + len(out)
    for k in range(len(on)):
        slope = height[k] / (off[k] - on[k])
        for i in range(max(math.ceil(on[k]), start), min(math.ceil(off[k]), stop)):
            out[i - start] += slope * (i - on[k])


@njit(cache=True, nogil=True)
def add_charges(out: F32, start: int, on: F64, off: F64, end_a: F64, tau: F64, fall: float) -> None:
    """Add coil currents: exponential charge towards ``end_a``, linear fall over ``fall`` samples from ``off``."""
    stop = start + len(out)
    for k in range(len(on)):
        peak = end_a[k] * -math.expm1((on[k] - off[k]) / tau[k])
        for i in range(max(math.ceil(on[k]), start), min(math.ceil(off[k] + fall), stop)):
            if i < off[k]:
                out[i - start] += end_a[k] * -math.expm1((on[k] - i) / tau[k])
            else:
                out[i - start] += peak * (1.0 - (i - off[k]) / fall)


@njit(cache=True, nogil=True)
def add_spikes(out: F32, start: int, at: F64, decay: F64, height: F64) -> None:
    """Add spikes that jump to ``height`` and decay; a spike shorter than a sample marks the one that follows it."""
    stop = start + len(out)
    for k in range(len(at)):
        for i in range(max(math.ceil(at[k]), start), min(math.ceil(at[k] + 7.0 * decay[k] + 1.0), stop)):
            out[i - start] += height[k] * math.exp((at[k] - i) / decay[k])


@njit(cache=True, nogil=True)
def add_dents(out: F32, start: int, on: F64, off: F64, height: F64) -> None:
    """Add rectangles: short drops of a bouncing contact or a broken wire."""
    stop = start + len(out)
    for k in range(len(on)):
        for i in range(max(math.ceil(on[k]), start), min(math.ceil(off[k]), stop)):
            out[i - start] += height[k]
