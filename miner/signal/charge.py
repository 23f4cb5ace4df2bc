"""How a coil charges: kernels that fit the law of a coil and a resistance to the samples of one on-time.

i(t) = V / R (1 - exp(-t R / L)) is the current of an inductance L behind a resistance R since V was put on it (circuit
theory, any handbook). Its differential equation V = R i + L di/dt, summed up over time, is a straight relation between
the current, the volt-seconds and the ampere-seconds,

    i(t) = i0 + 1/L (volt-seconds) - R/L (ampere-seconds),

so that L and R come from linear least squares without a first guess (regression by integral equations: J. Jacquelin,
2009, from memory). A clamp's offset adds a constant to i: it is taken off as the mean right before the turn-on.
"""

from __future__ import annotations

import numpy as np
from numba import njit

__all__ = ["CHARGE_FIELDS", "LEAST_SAMPLES", "charges"]

CHARGE_FIELDS = ("slope", "tau", "end_slope", "flat_top")
"""Columns of `charges`: slope at turn-on in units a sample, time constant in samples, slope at the end over that at
turn-on, samples on the flat top."""

LEAST_SAMPLES = 24
"""Samples that a fit of three figures rests on (own choice)."""

_FIT_LOW, _FIT_HIGH = 0.05, 0.8
"""Shares of the peak between which the law is fitted: behind the switching of the transistor, below where a core
saturates or a driver limits the current (own choice)."""

_END_LOW, _END_HIGH = 0.8, 0.95
"""Shares of the peak between which the end's slope is a straight line."""

_TOP = 0.97
"""Share of the peak from which on the current is on its top."""


@njit(cache=True, nogil=True)
def _first_over(x, level, begin):  # type: ignore[no-untyped-def]
    """Return the first place from which on two samples in a row are over a level."""
    for i in range(begin, x.size - 1):
        if x[i] >= level and x[i + 1] >= level:
            return i
    return x.size


@njit(cache=True, nogil=True)
def _line_slope(x, a, b):  # type: ignore[no-untyped-def]
    """Return the least-squares slope a sample over ``[a, b)``; NaN for fewer than four samples."""
    n = b - a
    if n < 4:
        return np.nan
    middle = (n - 1) / 2.0
    total, weight = 0.0, 0.0
    for k in range(n):
        total += (k - middle) * x[a + k]
        weight += (k - middle) ** 2
    return total / weight


@njit(cache=True, nogil=True)
def _law(x, a, b):  # type: ignore[no-untyped-def]
    """Return (slope at zero current, 1 / time constant) a sample of the law through ``x[a:b]``; NaN if it has none."""
    n = b - a
    rows = np.empty((n, 3))
    area = 0.0
    for k in range(n):
        if k > 0:
            area += 0.5 * (x[a + k - 1] + x[a + k])
        rows[k, 0], rows[k, 1], rows[k, 2] = 1.0, float(k), area
    largest = np.abs(rows[:, 2]).max()  # not the last: the area of a noise comes back to nothing
    if not 0.0 < largest < np.inf:
        return np.nan, np.nan
    scale = np.array([1.0, max(float(n), 1.0), largest])
    rows /= scale
    normal = rows.T @ rows
    if not np.linalg.cond(normal) < 1e13:
        return np.nan, np.nan
    fitted = np.linalg.solve(normal, rows.T @ x[a:b]) / scale
    return fitted[1], -fitted[2]


@njit(cache=True, nogil=True)
def charges(raw, base, starts, stops, gaps, sign, before):  # type: ignore[no-untyped-def]
    """Measure the charging in each range ``[start, stop)`` of absolute samples.

    Parameters
    ----------
    raw : ndarray
        ``raw[i - base]`` is absolute sample ``i``.
    starts, stops : ndarray of int64, shape (n,)
    gaps : ndarray of int64, shape (k, 2)
        Ranges without samples; what they touch is not measured.
    sign : float
        Of the current in ``raw``.
    before : int
        Samples before the start whose mean is the clamp's zero.

    Returns
    -------
    ndarray of shape (n, 4)
        By `CHARGE_FIELDS`, in the units of ``raw``; NaN where not measured.
    """
    out = np.full((starts.size, 4), np.nan)
    for k in range(starts.size):
        a, b = starts[k] - before, stops[k]
        if a < base or b - base > raw.size or b - starts[k] < LEAST_SAMPLES:
            continue
        touched = False
        for j in range(gaps.shape[0]):
            touched = touched or (gaps[j, 0] < b and gaps[j, 1] > a) or a < gaps[j, 0] < b
        if touched:
            continue
        whole = sign * raw[a - base : b - base].astype(np.float64)
        x = whole[before:] - whole[:before].mean()
        peak = x.max()
        if not peak > 0.0:
            continue
        low, high = _first_over(x, _FIT_LOW * peak, 0), _first_over(x, _FIT_HIGH * peak, 0)
        if high - low < LEAST_SAMPLES:
            continue
        at_zero, rate = _law(x, low, high)
        out[k, 0], out[k, 3] = at_zero, x.size - _first_over(x, _TOP * peak, high)
        if rate > 0.0:
            out[k, 1] = 1.0 / rate
        out[k, 2] = _line_slope(x, high, _first_over(x, _END_HIGH * peak, high)) / at_zero
    return out
