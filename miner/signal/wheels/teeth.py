"""Kernel that finds the teeth of a wheel: armed by a half-wave on one side of the middle, told where it comes back.

The middle is crossed at the same place of a tooth however high the wave is, so a pickup, whose volts follow the speed,
and a square wave are read alike. The threshold that arms follows the height of the tooth before, as the interfaces of
pickups do (common practice, no source for the share), and sinks while none comes.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from miner.signal.blocks import find_segments

__all__ = ["ARM_SHARE", "FADE_S", "no_teeth_yet", "pass_teeth"]

ARM_SHARE = 0.33
"""Of the height of the tooth before, from which on a half-wave is one (common practice, no source)."""

FADE_S = 0.3
"""A height is forgotten to 37 % in this time: an engine that stopped is cranked with a twentieth of its volts."""

ABOVE, ARMED, BROKEN = 0, 1, 2
"""Places in the integer state: samples in a row over the threshold; armed; nothing seen since a gap."""

HEIGHT, TOP, BEFORE = 0, 1, 2
"""Places in the float state: height that the threshold follows; top of this half-wave; sample before."""

_MOST_GROWTH = 2.0
"""A tooth raises the height by no more: a spike of a coil must not deafen the lead."""


def no_teeth_yet() -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the (integer, float) state before the first sample."""
    return np.array([0, 0, 1], np.int64), np.array([0.0, 0.0, np.nan])


@njit(cache=True, nogil=True)
def _pass_piece(x, first, sign, middle, floor, least_run, fade, ints, floats, out, broken, n):  # type: ignore[no-untyped-def]
    """Go through samples without a gap; ``x[0]`` is absolute sample ``first``."""
    above, armed, fresh = ints[ABOVE], ints[ARMED], ints[BROKEN]
    height, top, before = floats[HEIGHT], floats[TOP], floats[BEFORE]
    for i in range(x.size):
        v = sign * x[i] - middle
        height *= fade
        if v > floor:
            above = above + 1 if v > ARM_SHARE * height else 0
            top = max(top, v)
            if above >= least_run:
                armed = 1
        elif v <= 0.0:
            if armed == 1:
                back = v / (v - before) if before > 0.0 else 0.0
                out[n], broken[n] = first + i - back, fresh
                n += 1
                height = top if height < floor else min(top, _MOST_GROWTH * height)
                armed = fresh = 0
            above, top = 0, 0.0
        else:
            above = 0
        before = v
    ints[ABOVE], ints[ARMED], ints[BROKEN] = above, armed, fresh
    floats[HEIGHT], floats[TOP], floats[BEFORE] = height, top, before
    return n


@njit(cache=True, nogil=True)
def pass_teeth(raw, base, first, last, gaps, sign, middle, floor, least_run, fade, ints, floats, out, broken):  # type: ignore[no-untyped-def]
    """Find the teeth that end in the samples ``[first, last)``; the state goes on to the next call.

    Parameters
    ----------
    raw : ndarray
        ``raw[i - base]`` is absolute sample ``i``.
    gaps : ndarray of shape (k, 2)
        Absolute half-open ranges without samples; a time gap has length 0.
    sign, middle, floor : float
        Of ``sign * raw``: the level that is crossed, and the height over it that is no tooth but noise.
    least_run : int
        Samples in a row over the threshold that arm.
    fade : float
        What is left of the height from sample to sample.
    ints, floats : ndarray
        From `no_teeth_yet`.
    out, broken : ndarray of shape (n,)
        Get the place of each tooth, interpolated, and whether a gap lies between it and the one before; half as many as
        samples are room enough.

    Returns
    -------
    int
        Number of teeth.
    """
    segments = np.empty((gaps.shape[0] + 1, 3), np.int64)
    n = 0
    for k in range(find_segments(gaps, first, last, segments)):
        p, q = segments[k, 0], segments[k, 1]
        if q > p:
            x = raw[p - base : q - base]
            n = _pass_piece(x, p, sign, middle, floor, least_run, fade, ints, floats, out, broken, n)
        if segments[k, 2] == 1:
            ints[ABOVE], ints[ARMED], ints[BROKEN] = 0, 0, 1
            floats[TOP], floats[BEFORE] = 0.0, np.nan
    return n
