"""Comparing two Poisson rates: the tests that compete with the exact conditional one, slow and obvious.

Names and formulas after Gu, Ng, Tang and Schucany, Biometrical J. 50, 2008, 283-298 (as carried in statsmodels) and
Krishnamoorthy and Thomson, J. Statist. Planning and Inference 119, 2004, 23-35 (from memory). ``ratio_0`` is the first
rate over the second under the null hypothesis; every p-value is one-sided, for a larger first rate, but `e_test`'s.
"""

from __future__ import annotations

import math
from collections.abc import Callable

MOST_COUNTED = 130
"""Outcomes the E-test sums over on each side; enough for means below 60."""

SAME = 1e-12
"""Statistics closer than this are the same one, rounded."""


def normal_above(z: float) -> float:
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def binomial(k: int, n: int, share: float) -> float:
    return math.comb(n, k) * share**k * (1.0 - share) ** (n - k)


def poisson(k: int, mean: float) -> float:
    return math.exp(-mean + k * math.log(mean) - math.lgamma(k + 1)) if mean > 0 else float(k == 0)


def exact_p(k1: int, e1: float, k2: int, e2: float, ratio_0: float = 1.0) -> float:
    """All outcomes at least as large as the one seen, given the sum."""
    share = ratio_0 * e1 / (ratio_0 * e1 + e2)
    return sum(binomial(k, k1 + k2, share) for k in range(k1, k1 + k2 + 1))


def mid_p(k1: int, e1: float, k2: int, e2: float, ratio_0: float = 1.0) -> float:
    """The same, but the outcome seen counts half."""
    share = ratio_0 * e1 / (ratio_0 * e1 + e2)
    return exact_p(k1, e1, k2, e2, ratio_0) - 0.5 * binomial(k1, k1 + k2, share)


def score_z(k1: int, e1: float, k2: int, e2: float, ratio_0: float = 1.0) -> float:
    """Difference over its standard deviation as the null hypothesis has it."""
    r = ratio_0 * e1 / e2
    return (k1 - k2 * r) / math.sqrt((k1 + k2) * r)


def wald_z(k1: int, e1: float, k2: int, e2: float, ratio_0: float = 1.0) -> float:
    """Difference over its standard deviation as the counts have it."""
    r = ratio_0 * e1 / e2
    return (k1 - k2 * r) / math.sqrt(k1 + k2 * r**2)


def sqrt_z(k1: int, e1: float, k2: int, e2: float, ratio_0: float = 1.0) -> float:
    """Difference of square roots, whose variance hardly depends on the rates; 3/8 added to each count."""
    r = ratio_0 * e1 / e2
    return 2.0 * (math.sqrt(k1 + 3 / 8) - math.sqrt((k2 + 3 / 8) * r)) / math.sqrt(1.0 + r)


def e_test(
    z: Callable[..., float], k1: int, e1: float, k2: int, e2: float, ratio_0: float = 1.0, *, two_sided: bool = False
) -> float:
    """Sum the probabilities, at the rates pooled under the null hypothesis, of all counts with a statistic as large."""
    rate = (k1 + k2) / (ratio_0 * e1 + e2)
    seen, out = z(k1, e1, k2, e2, ratio_0), 0.0
    for a in range(MOST_COUNTED):
        for b in range(MOST_COUNTED):
            other = z(a, e1, b, e2, ratio_0) if a + b else 0.0
            if abs(other) >= abs(seen) - SAME if two_sided else other >= seen - SAME:
                out += poisson(a, ratio_0 * rate * e1) * poisson(b, rate * e2)
    return out


def wilson(k: int, n: int, z: float) -> tuple[float, float]:
    """Wilson's interval of a share (J. Am. Statist. Assoc. 22, 1927, 209-212); ``z`` of the confidence wanted."""
    share = k / n
    middle = share + z**2 / (2 * n)
    half = z * math.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    return (middle - half) / (1 + z**2 / n), (middle + half) / (1 + z**2 / n)
