"""Slow, obvious measurement of drawn pulses: sign changes against one fixed threshold, interpolated."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

F = NDArray[np.float64]


def threshold_pulses(volts: F, level_v: float, *, active_high: bool, least_samples: float) -> tuple[F, F]:
    """Return (on, off) in samples of every stretch beyond a fixed level that is long enough."""
    above = (volts >= level_v) if active_high else (volts < level_v)
    on, off = [], []
    started = None
    for i in np.flatnonzero(above[1:] != above[:-1]):
        at = i + (level_v - volts[i]) / (volts[i + 1] - volts[i])
        if above[i + 1]:
            started = at
        elif started is not None and at - started >= least_samples:
            on.append(started)
            off.append(at)
    return np.array(on), np.array(off)
