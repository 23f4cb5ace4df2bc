"""Exact statistics of counts: Poisson rates, binomial shares, medians, and many tests at once.

Everything here is exact in the sense that no normal approximation is used, so it holds for counts of zero,
one and two, which is what rare faults are made of. Quantiles come from the incomplete gamma and beta functions.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr, bdtrc, betaincinv, gammaincinv

__all__ = [
    "Interval",
    "RateRatio",
    "adjust_benjamini_hochberg",
    "binomial_interval",
    "binomial_upper",
    "dispersion_p",
    "median_interval",
    "poisson_interval",
    "poisson_upper",
    "rate_ratio",
]

_SAME_PROBABILITY = 1e-7
"""Relative slack within which two outcomes count as equally probable (rounding of the probability function)."""


class Interval(NamedTuple):
    """Two-sided confidence interval, ``low <= high``."""

    low: float
    high: float


class RateRatio(NamedTuple):
    """Ratio of two Poisson rates (first over second) with its exact interval and p-value.

    ``ratio`` and ``high`` are infinite where the second count is 0; ``ratio`` is NaN where both are.
    """

    ratio: float
    low: float
    high: float
    p_value: float


def poisson_interval(count: int, confidence: float = 0.95) -> Interval:
    """Return the central exact interval of a Poisson mean.

    Garwood, Biometrika 28, 1936, 437-442: ``chi2(a/2; 2k)/2`` to ``chi2(1-a/2; 2k+2)/2``.

    Examples
    --------
    >>> [round(limit, 4) for limit in poisson_interval(3)]
    [0.6187, 8.7673]
    """
    _check(count, confidence)
    alpha = 1.0 - confidence
    low = float(gammaincinv(count, alpha / 2)) if count else 0.0
    return Interval(low, float(gammaincinv(count + 1, 1 - alpha / 2)))


def poisson_upper(count: int, confidence: float = 0.95) -> float:
    """Return the one-sided exact upper limit of a Poisson mean; 2.9957 ("three") for a count of 0.

    Examples
    --------
    >>> round(poisson_upper(0), 4)
    2.9957
    """
    _check(count, confidence)
    return float(gammaincinv(count + 1, confidence))


def binomial_interval(count: int, n: int, confidence: float = 0.95) -> Interval:
    """Return the central exact interval of a share (Clopper and Pearson, Biometrika 26, 1934, 404-413).

    Examples
    --------
    >>> [round(limit, 4) for limit in binomial_interval(4, 20, 0.90)]
    [0.0714, 0.401]
    """
    _check(count, confidence)
    _check_share(count, n)
    alpha = 1.0 - confidence
    low = float(betaincinv(count, n - count + 1, alpha / 2)) if count else 0.0
    high = float(betaincinv(count + 1, n - count, 1 - alpha / 2)) if count < n else 1.0
    return Interval(low, high)


def binomial_upper(count: int, n: int, confidence: float = 0.95) -> float:
    """Return the one-sided exact upper limit of a share.

    For a count of 0 it is ``1 - (1 - confidence)**(1/n)``, near ``3/n`` (the rule of three).

    Examples
    --------
    >>> round(binomial_upper(0, 100), 6)
    0.029513
    """
    _check(count, confidence)
    _check_share(count, n)
    return float(betaincinv(count + 1, n - count, confidence)) if count < n else 1.0


def rate_ratio(
    count_1: int,
    exposure_1: float,
    count_2: int,
    exposure_2: float,
    *,
    ratio_0: float = 1.0,
    confidence: float = 0.95,
    tail: Literal["central", "likelihood", "larger"] = "central",
) -> RateRatio:
    """Compare two Poisson rates exactly, given their sum (conditional binomial test).

    Given both counts' sum, the first is binomial with share ``r e1 / (r e1 + e2)`` (Przyborowski and Wilenski,
    Biometrika 31, 1940; compared with its rivals by Gu, Ng, Tang and Schucany, Biometrical J. 50, 2008, 283-298).
    The interval is the Clopper-Pearson interval of that share, solved for the ratio.

    Parameters
    ----------
    count_1, count_2 : int
        Events counted.
    exposure_1, exposure_2 : float
        What they are counted over, in the same unit (hours, events, turns); positive.
    ratio_0 : float, default=1.0
        Ratio under the null hypothesis.
    tail : {"central", "likelihood", "larger"}, default="central"
        ``central``: twice the smaller tail, agrees with the interval. ``likelihood``: all outcomes no more
        probable than the one seen. ``larger``: one-sided, the first rate is larger.

    Raises
    ------
    ValueError
        If an exposure is not positive or a count is negative.
    """
    _check(min(count_1, count_2), confidence)
    if not (exposure_1 > 0 and exposure_2 > 0 and ratio_0 > 0):
        raise ValueError("exposures and ratio must be positive")
    n = count_1 + count_2
    if n == 0:
        return RateRatio(float("nan"), 0.0, float("inf"), 1.0)
    share = ratio_0 * exposure_1 / (ratio_0 * exposure_1 + exposure_2)
    shares = binomial_interval(count_1, n, confidence)
    low, high = (_odds(limit) * exposure_2 / exposure_1 for limit in shares)
    ratio = count_1 / exposure_1 / (count_2 / exposure_2) if count_2 else float("inf")
    return RateRatio(ratio, low, high, _binomial_p(count_1, n, share, tail))


def adjust_benjamini_hochberg(p_values: Sequence[float] | NDArray[np.float64]) -> NDArray[np.float64]:
    """Return p-values, none of them NaN, adjusted so that rejecting those below q keeps the false-discovery rate at q.

    Benjamini and Hochberg, J. R. Statist. Soc. B 57, 1995, 289-300: step-up, ``min over j >= i of m p_(j) / j``.

    Parameters
    ----------
    p_values : array of shape (n,)
        In any order; returned in the same order.
    """
    from scipy.stats import false_discovery_control  # slow to load

    return np.asarray(false_discovery_control(p_values, method="bh"), np.float64)


def median_interval(values: NDArray[np.float64], confidence: float = 0.95) -> Interval:
    """Return the order-statistic (sign test) interval of the median of independent values.

    Its limits are the ``d``-th smallest and ``d``-th largest value, with the largest ``d`` whose coverage
    ``1 - 2 P(Binomial(n, 1/2) < d)`` still reaches ``confidence`` (Thompson, Ann. Math. Statist. 7, 1936, 122-128;
    from memory). Infinite where there are too few values for that: 6 are needed at 95 %.

    Parameters
    ----------
    values : ndarray of shape (n,)
        Finite, in any order.
    """
    _check(0, confidence)
    ordered = np.sort(np.asarray(values, dtype=np.float64))
    n = ordered.size
    below = bdtr(np.arange(n // 2 + 1), n, 0.5) if n else np.empty(0)
    depth = int(np.searchsorted(below, (1.0 - confidence) / 2, side="right"))
    if depth == 0:
        return Interval(-float("inf"), float("inf"))
    return Interval(float(ordered[depth - 1]), float(ordered[n - depth]))


def dispersion_p(counts: NDArray[np.int64], exposures: NDArray[np.float64], *, seed: int, n_draws: int = 4000) -> float:
    """Return how probable counts at least this unevenly spread are at one constant rate.

    Statistic: Pearson's ``sum (k - E)^2 / E``. Given the sum, counts at a constant rate are multinomial, so the
    p-value is found by drawing from it; with the +1 rule it is never 0 (Davison and Hinkley, Bootstrap Methods,
    1997, sect. 4.2). Small values mean clustering.

    Parameters
    ----------
    counts, exposures : ndarray of shape (n,)
        Events and exposure per bin; bins without exposure are left out.
    seed : int
        Of the draws.
    """
    used = exposures > 0
    k, share = counts[used], exposures[used] / exposures[used].sum() if used.any() else exposures[used]
    total = int(k.sum())
    if total < 2 or k.size < 2:
        return 1.0
    expected = total * share
    seen = float(((k - expected) ** 2 / expected).sum())
    draws = np.random.default_rng(seed).multinomial(total, share, size=n_draws)
    drawn = ((draws - expected) ** 2 / expected).sum(axis=1)
    return float((np.count_nonzero(drawn >= seen * (1 - _SAME_PROBABILITY)) + 1) / (n_draws + 1))


def _odds(share: float) -> float:
    return share / (1.0 - share) if share < 1.0 else float("inf")


def _binomial_p(count: int, n: int, share: float, tail: str) -> float:
    larger = float(bdtrc(count - 1, n, share)) if count else 1.0
    if tail == "larger":
        return larger
    if tail == "central":
        return min(1.0, 2.0 * min(larger, float(bdtr(count, n, share))))
    from scipy.stats import binomtest  # slow to load

    return float(binomtest(count, n, share).pvalue)


def _check(count: int, confidence: float) -> None:
    if count < 0 or not 0.0 < confidence < 1.0:
        raise ValueError("counts must not be negative and the confidence must lie between 0 and 1")


def _check_share(count: int, n: int) -> None:
    if n < 1 or count > n:
        raise ValueError(f"{count} of {n} is not a share")
