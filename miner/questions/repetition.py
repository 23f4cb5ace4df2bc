"""Does it repeat: suspects clustered in time, or coming back at a regular interval."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from miner.questions.exact import dispersion_p

__all__ = ["describe_repetition", "find_period"]

SIGNIFICANCE = 0.01
"""Repetition is only told of below this p-value; two tests a recording are made."""

MIN_CLUSTERED, MIN_PERIODIC = 5, 6
"""Occurrences needed for each statement."""

N_BINS = 20
"""Stretches of equal running time that clustering is looked at in."""

FEWEST_PERIODS = 5
"""Longer periods cannot be told from a drift of the rate."""

_Floats = NDArray[np.float64]


def describe_repetition(at_s: _Floats, total_s: float, *, seed: int) -> list[str]:
    """Say in plain words whether occurrences cluster in time or come back regularly.

    Parameters
    ----------
    at_s : ndarray of shape (k,)
        Running time of the engine until each, s, in any order.
    total_s : float
        Running time in the whole recording, s.
    seed : int
        Of the clustering test's draws.
    """
    if at_s.size < MIN_CLUSTERED or total_s <= 0:
        return []
    at_s = np.sort(at_s)
    sentences = []
    counts = np.histogram(at_s, bins=N_BINS, range=(0.0, total_s))[0]
    if dispersion_p(counts, np.full(N_BINS, total_s / N_BINS), seed=seed) <= SIGNIFICANCE:
        few = int(np.count_nonzero(np.cumsum(np.sort(counts)[::-1]) < 0.8 * counts.sum())) + 1
        share = 100.0 * few / N_BINS
        sentences.append(f"Occurrences cluster in time: four of five lie within {share:.0f} % of the running time.")
    period_s, p = find_period(at_s, total_s)
    if p <= SIGNIFICANCE:
        sentences.append(f"Occurrences come back regularly, about every {period_s:,.3g} s of running time.")
    return sentences


def find_period(at_s: _Floats, total_s: float) -> tuple[float, float]:
    """Return the period the times repeat at best, s, and how probable such regularity is by chance.

    Rayleigh's statistic ``P = |sum exp(2 pi i f t)|^2 / n`` is exponential for times without a period; the largest
    of m independent frequencies has ``p = 1 - (1 - exp(-P))^m`` (Schuster, 1898; Scargle, ApJ 263, 1982, 835; both
    from memory). Frequencies from `FEWEST_PERIODS` in the recording up to two per mean distance are searched, four
    steps to each independent one.
    """
    n = at_s.size
    if n < MIN_PERIODIC or total_s <= 0:
        return float("nan"), 1.0
    highest = 2.0 * n
    if highest <= FEWEST_PERIODS:
        return float("nan"), 1.0
    cycles = np.arange(FEWEST_PERIODS, highest, 0.25)  # periods in the whole recording
    power = np.array([abs(np.exp(2j * np.pi * c * at_s / total_s).sum()) ** 2 / n for c in cycles])
    best = int(np.argmax(power))
    n_independent = 4.0 * (highest - FEWEST_PERIODS)
    p = -np.expm1(n_independent * np.log1p(-np.exp(-power[best]))) if power[best] > 0 else 1.0
    return float(total_s / cycles[best]), float(p)
