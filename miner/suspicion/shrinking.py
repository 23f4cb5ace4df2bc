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

LEARN_EVENTS, N_STEPS = 4000, 40
GRID = np.concatenate([np.arange(0.0, 12.0, 0.05), np.geomspace(12.0, 1e4, 40)])


def believed(estimate: Floats, noise: Floats | float) -> Floats:
    """Return the mean of the true movement behind each estimate.

    Parameters
    ----------
    estimate : ndarray (n,)
    noise : ndarray (n,) or float
        Standard error of each; nothing is learned from an estimate that has none, and NaN is returned for it.
    """
    noise = np.maximum(noise, 1e-300)
    size = np.abs(estimate / noise)
    known = size[np.isfinite(size)]
    weights = _weights(known[:: max(1, known.size // LEARN_EVENTS)])
    believed_share = WIDTHS**2 / (1.0 + WIDTHS**2)
    share = _posterior(GRID, weights) @ believed_share
    return np.asarray(estimate * np.interp(size, GRID, share), dtype=np.float64)


def _weights(size: Floats) -> Floats:
    """Return the share of each width by expectation and maximisation (Dempster, Laird and Rubin 1977).

    As if one movement of each width had been seen before, so that none is ever ruled out.
    """
    weights = np.full(WIDTHS.size, 1.0 / WIDTHS.size)
    for _ in range(N_STEPS):
        counts = 1.0 + _posterior(size, weights).sum(axis=0)
        weights = counts / counts.sum()
    return weights


def _posterior(size: Floats, weights: Floats) -> Floats:
    """Return (n, widths) how likely each width is for an estimate of so many noises."""
    variance = 1.0 + WIDTHS**2
    log_chance = np.log(weights) - 0.5 * np.log(variance) - 0.5 * size[:, None] ** 2 / variance
    chance = np.exp(log_chance - log_chance.max(axis=1, keepdims=True))
    return np.asarray(chance / chance.sum(axis=1, keepdims=True), dtype=np.float64)
