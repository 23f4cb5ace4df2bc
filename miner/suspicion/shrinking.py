"""How much of an estimated movement to believe, read off the recording: most movements are chance, or hardly any is.

A median of a few noisy values moves although nothing has moved. How much of what it shows is true depends on how often
such movements are true here: a supply that nobody recorded moves all cylinders all the time, a load steps now and then,
an amplitude drifts over minutes. So the sizes of true movements are learned from all the estimates of the recording
(empirical Bayes: Robbins, Berkeley Symposium 3, 1956), as a mixture of normal laws around 0 whose widths are multiples
of the noise of an estimate (Stephens, Biostatistics 18, 2017; both from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["believed"]

Floats = NDArray[np.float64]

WIDTHS = np.array([0.0, 0.35, 0.7, 1.4, 2.8, 5.6, 11.0, 22.0, 90.0, 1000.0])
"""Of the laws of true movements, in noises of an estimate: each twice the one before, then whatever is far beyond."""

MOST_ESTIMATES, N_STEPS = 4000, 200
"""All estimates together count as so many at most: neighbours are read off the same events."""

SIZES = np.concatenate([np.arange(0.0, 12.0, 0.05), np.geomspace(12.0, 1e4, 40)])
_EDGES = (SIZES[1:] + SIZES[:-1]) / 2


def believed(estimate: Floats, noise: Floats | float) -> Floats:
    """Return the mean of the true movement behind each estimate.

    Parameters
    ----------
    estimate : ndarray (n,)
    noise : ndarray (n,) or float
        Standard error of each; nothing is learned from an estimate that has none, and NaN is returned for it.
    """
    size = np.abs(estimate / np.maximum(noise, 1e-300))
    chance = _chance_of_widths(size[np.isfinite(size)])
    share = chance @ (WIDTHS**2 / (1.0 + WIDTHS**2))
    return np.asarray(estimate * np.interp(size, SIZES, share), dtype=np.float64)


def _chance_of_widths(size: Floats) -> Floats:
    """Return (sizes, widths) how likely each width is for an estimate of each of `SIZES`.

    By expectation and maximisation (Dempster, Laird and Rubin 1977, from memory), as if one movement of each width had
    been seen before, so that none is ever ruled out.
    """
    counts = np.bincount(np.searchsorted(_EDGES, size), minlength=SIZES.size)
    seen = counts * min(1.0, MOST_ESTIMATES / max(size.size, 1))
    variance = 1.0 + WIDTHS**2
    log_law = -0.5 * (np.log(variance) + SIZES[:, None] ** 2 / variance)
    law = np.exp(log_law - log_law.max(axis=1, keepdims=True))
    weights = np.full(WIDTHS.size, 1.0 / WIDTHS.size)
    for _ in range(N_STEPS):
        learned = 1.0 + weights * ((seen / (law @ weights)) @ law)
        weights = learned / learned.sum()
    chance = law * weights
    return np.asarray(chance / chance.sum(axis=1, keepdims=True), dtype=np.float64)
