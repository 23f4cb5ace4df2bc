"""State levels of a two-level signal by the histogram method of IEEE Std 181-2011 (as publicly documented).

Smallest and largest value -> ``n_bins`` equal bins -> lower and upper half -> mode of each half.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["noise_sigma", "state_levels"]

_NORMAL_MAD = 1.482602218505602
"""Standard deviation of a normal distribution over its median absolute deviation: 1 / Phi^-1(0.75)."""


def state_levels(x: NDArray[Any], n_bins: int = 256) -> tuple[float, float]:
    """Return the (lower, upper) state level of a two-level signal.

    Parameters
    ----------
    x : ndarray of shape (n,)
        Finite samples in any unit.
    n_bins : int, default=256
        Histogram bins over the whole range; a level is the centre of its bin, so it is good to half a bin.

    Raises
    ------
    ValueError
        If there are no samples.

    Examples
    --------
    >>> state_levels(np.array([0.0, 0.0, 0.1, 4.9, 5.0, 5.0]), 10)
    (0.25, 4.75)
    """
    if x.size == 0:
        raise ValueError("no samples to take state levels from")
    low, high = float(x.min()), float(x.max())
    if low == high:
        return low, high
    counts, edges = np.histogram(x, bins=n_bins, range=(low, high))
    half = n_bins // 2
    centres = (edges[:-1] + edges[1:]) / 2
    return float(centres[np.argmax(counts[:half])]), float(centres[half + np.argmax(counts[half:])])


def noise_sigma(x: NDArray[Any]) -> float:
    """Return the standard deviation of white noise on a signal that mostly stays on its levels.

    Median absolute difference of successive samples, scaled for the normal distribution; edges and spikes do not
    count. Returns 0 where most neighbours are equal.
    """
    if x.size < 2:
        return 0.0
    return float(np.median(np.abs(np.diff(x.astype(np.float64)))) * _NORMAL_MAD / np.sqrt(2.0))
