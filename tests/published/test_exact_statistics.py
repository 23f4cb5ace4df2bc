"""Published values of the exact statistics, each with its source."""

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson, test_poisson_2indep

from miner.questions.exact import (
    adjust_benjamini_hochberg,
    binomial_interval,
    binomial_upper,
    poisson_interval,
    poisson_upper,
    rate_ratio,
)

test_poisson_2indep.__test__ = False

# Garwood, Biometrika 28, 1936, 437-442 (closed form): count -> 90 %, 95 % and 99 % limits
GARWOOD = {
    0: (0, 2.9957, 0, 3.6889, 0, 5.2983),
    1: (0.0513, 4.7439, 0.0253, 5.5716, 0.0050, 7.4301),
    2: (0.3554, 6.2958, 0.2422, 7.2247, 0.1035, 9.2738),
    3: (0.8177, 7.7537, 0.6187, 8.7673, 0.3379, 10.9775),
    4: (1.3663, 9.1535, 1.0899, 10.2416, 0.6722, 12.5941),
    5: (1.9701, 10.5130, 1.6235, 11.6683, 1.0779, 14.1498),
    6: (2.6130, 11.8424, 2.2019, 13.0595, 1.5369, 15.6597),
    7: (3.2853, 13.1481, 2.8144, 14.4227, 2.0373, 17.1336),
    8: (3.9808, 14.4346, 3.4538, 15.7632, 2.5711, 18.5782),
    9: (4.6952, 15.7052, 4.1154, 17.0848, 3.1324, 19.9984),
    10: (5.4254, 16.9622, 4.7954, 18.3904, 3.7169, 21.3978),
    20: (13.2547, 29.0620, 12.2165, 30.8884, 10.3533, 34.6680),
}

# Gehrels, ApJ 303, 1986, 336: one-sided limits at the probability of one standard deviation
GEHRELS = {
    0: (0, 1.8410), 1: (0.1728, 3.2995), 2: (0.7082, 4.6379), 3: (1.3673, 5.9182), 4: (2.0857, 7.1628),
    5: (2.8403, 8.3825),
}  # fmt: skip

# Clopper-Pearson at 95 %: closed form, and Newcombe, Stat. Med. 17, 1998, 857, "exact" column (from memory)
CLOPPER_PEARSON = [
    (0, 10, 0, 0.308497, 1e-6), (1, 10, 0.002529, 0.445016, 1e-6), (0, 20, 0, 0.168433, 1e-6),
    (1, 20, 0.001265, 0.248733, 1e-6), (2, 20, 0.012349, 0.316983, 1e-6), (5, 20, 0.086571, 0.491046, 1e-6),
    (5, 10, 0.187086, 0.812914, 1e-6), (0, 100, 0, 0.036217, 1e-6), (1, 100, 0.000253, 0.054459, 1e-6),
    (3, 100, 0.006230, 0.085176, 1e-6), (10, 100, 0.049005, 0.176223, 1e-6),
    (81, 263, 0.2527, 0.3676, 1e-4), (15, 148, 0.0578, 0.1617, 1e-4), (0, 20, 0, 0.1684, 1e-4),
    (1, 29, 0.0009, 0.1776, 1e-4),
]  # fmt: skip

# Benjamini and Hochberg, J. R. Statist. Soc. B 57, 1995, p. 295: rt-PA against APSAC
BH_P = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1,
]  # fmt: skip
BH_ADJUSTED = [
    0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765, 0.486, 0.581182, 0.714875, 0.753231,
    0.813214, 1,
]  # fmt: skip


@pytest.mark.parametrize("count", GARWOOD)
def test_garwood_intervals(count):
    limits = [x for confidence in (0.90, 0.95, 0.99) for x in poisson_interval(count, confidence)]
    assert limits == pytest.approx(GARWOOD[count], abs=5.1e-5)


@pytest.mark.parametrize(("count", "low", "high"), [(50, 37.1110, 65.9188), (100, 81.3640, 121.6268)])
def test_garwood_intervals_of_large_counts(count, low, high):
    assert poisson_interval(count) == pytest.approx((low, high), abs=5.1e-5)


@pytest.mark.parametrize("count", GEHRELS)
def test_gehrels_one_sigma_limits(count):
    two_sided = 2 * 0.8413447460685429 - 1
    assert poisson_interval(count, two_sided) == pytest.approx(GEHRELS[count], abs=5.1e-5)


@pytest.mark.parametrize(("count", "limit"), [(0, 3.00), (1, 4.74), (2, 6.30), (10, 16.96)])
def test_one_sided_limits_of_the_particle_data_group(count, limit):
    """Review of Particle Physics, chapter Statistics, table of 95 % one-sided limits (from memory)."""
    assert poisson_upper(count) == pytest.approx(limit, abs=5.1e-3)


def test_nist_exact_share_4_of_20():
    """NIST/SEMATECH e-Handbook 7.2.4.1; its last digits come from a root finder."""
    assert binomial_interval(4, 20, 0.90) == pytest.approx((0.071354, 0.401029), abs=2e-6)


@pytest.mark.parametrize(("count", "n", "low", "high", "tolerance"), CLOPPER_PEARSON)
def test_clopper_pearson(count, n, low, high, tolerance):
    assert binomial_interval(count, n) == pytest.approx((low, high), abs=tolerance)


@pytest.mark.parametrize(("n", "limit"), [(100, 0.029513), (1000, 0.00299125)])
def test_rule_of_three(n, limit):
    assert binomial_upper(0, n) == pytest.approx(limit, rel=2e-5)
    assert binomial_upper(0, n) == pytest.approx(1 - 0.05 ** (1 / n), rel=1e-12)


def test_benjamini_hochberg_worked_example():
    adjusted = adjust_benjamini_hochberg(BH_P)
    assert adjusted == pytest.approx(BH_ADJUSTED, abs=1e-6)
    assert int((adjusted <= 0.05).sum()) == 4


def test_two_poisson_rates_of_gu_and_others():
    """Gu, Ng, Tang and Schucany, Biometrical J. 50, 2008, 283-298, as carried in statsmodels."""
    assert rate_ratio(60, 51477.5, 30, 54308.7, tail="larger").p_value == pytest.approx(0.000428, abs=5e-7)
    assert rate_ratio(60, 51477.5, 30, 54308.7, tail="likelihood").p_value == pytest.approx(0.000675183, rel=1e-5)
    assert rate_ratio(41, 28010, 15, 19017, tail="likelihood").p_value == pytest.approx(0.0408520, rel=1e-5)


def test_two_poisson_rates_of_the_r_documentation():
    """R, poisson.test examples (inputs from memory) and rateratio.test example."""
    got = rate_ratio(11, 800, 6 + 8 + 7, 1083 + 1050 + 878, tail="likelihood")
    assert got == pytest.approx((1.971488, 0.858426, 4.277266, 0.0796686), rel=1e-5)
    assert rate_ratio(2, 17877, 9, 16660) == pytest.approx((0.207094, 0.021774, 1.000549, 0.0501065), rel=3e-5)
    assert [x / 24.19893 for x in poisson_interval(137)] == pytest.approx([4.753125, 6.692709], rel=1e-6)


@pytest.mark.parametrize(("count_1", "count_2"), [(0, 5), (5, 1), (7, 7), (2, 40), (120, 80)])
def test_rates_against_statsmodels(count_1, count_2):
    theirs = test_poisson_2indep(count_1, 3.0, count_2, 7.0, method="exact-cond", alternative="two-sided")
    assert rate_ratio(count_1, 3.0, count_2, 7.0, tail="likelihood").p_value == pytest.approx(theirs.pvalue, rel=1e-9)
    theirs = test_poisson_2indep(count_1, 3.0, count_2, 7.0, value=1.4, method="exact-cond", alternative="larger")
    ours = rate_ratio(count_1, 3.0, count_2, 7.0, ratio_0=1.4, tail="larger")
    assert ours.p_value == pytest.approx(theirs.pvalue, rel=1e-9)


@pytest.mark.parametrize("count", [1, 4, 33, 250])
def test_intervals_against_statsmodels(count):
    assert poisson_interval(count) == pytest.approx(confint_poisson(count, 1, method="exact-c"), rel=1e-9)
    assert binomial_interval(count, 300) == pytest.approx(proportion_confint(count, 300, method="beta"), rel=1e-9)


def test_adjustment_against_statsmodels():
    p = np.random.default_rng(7).random(200) ** 3
    assert adjust_benjamini_hochberg(p) == pytest.approx(multipletests(p, method="fdr_bh")[1], rel=1e-12)
