import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.questions.exact import (
    adjust_benjamini_hochberg,
    binomial_interval,
    binomial_upper,
    dispersion_p,
    median_interval,
    poisson_interval,
    poisson_upper,
    rate_ratio,
)


def poisson_cdf(count, mean):
    return sum(math.exp(-mean) * mean**k / math.factorial(k) for k in range(count + 1))


@given(st.integers(0, 60), st.floats(0.5, 0.999))
def test_poisson_limits_leave_half_of_alpha_in_each_tail(count, confidence):
    low, high = poisson_interval(count, confidence)
    assert poisson_cdf(count, high) == pytest.approx((1 - confidence) / 2, rel=1e-6)
    if count:
        assert 1 - poisson_cdf(count - 1, low) == pytest.approx((1 - confidence) / 2, rel=1e-5)
    assert poisson_upper(count, (1 + confidence) / 2) == pytest.approx(high)


@given(st.integers(1, 200), st.data())
def test_shares_mirror_and_hold_the_estimate(n, data):
    count = data.draw(st.integers(0, n))
    low, high = binomial_interval(count, n)
    assert low <= count / n <= high <= 1
    other_low, other_high = binomial_interval(n - count, n)
    assert (low, high) == pytest.approx((1 - other_high, 1 - other_low), abs=1e-9)
    assert binomial_upper(count, n, 0.975) == pytest.approx(high)


@given(st.integers(0, 40), st.integers(0, 40), st.floats(0.1, 10), st.floats(0.1, 10))
def test_rate_ratio_turns_over_with_its_rates(a, b, e, f):
    one, other = rate_ratio(a, e, b, f), rate_ratio(b, f, a, e)
    assert one.p_value == pytest.approx(other.p_value, rel=1e-6)
    if a and b:
        assert one.ratio == pytest.approx(1 / other.ratio)
        assert (one.low, one.high) == pytest.approx((1 / other.high, 1 / other.low), rel=1e-6)


@given(st.integers(0, 40), st.integers(0, 40), st.floats(0.1, 10))
def test_rate_ratio_interval_agrees_with_central_p(a, b, e):
    got = rate_ratio(a, e, b, 1.0)
    if abs(got.p_value - 0.05) > 1e-6:
        assert (got.p_value < 0.05) == (got.low > 1 or got.high < 1)


def test_rate_ratio_without_any_event_says_nothing():
    got = rate_ratio(0, 1.0, 0, 2.0)
    assert math.isnan(got.ratio)
    assert got[1:] == (0.0, math.inf, 1.0)


@pytest.mark.parametrize(
    "call",
    [
        lambda: poisson_interval(-1),
        lambda: poisson_interval(1, 1.0),
        lambda: binomial_interval(3, 2),
        lambda: binomial_upper(0, 0),
        lambda: rate_ratio(1, 0.0, 1, 1.0),
    ],
)
def test_senseless_counts_are_refused(call):
    with pytest.raises(ValueError, match=r"must|is not a share"):
        call()


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_adjusted_p_values_keep_order_and_never_shrink(p):
    adjusted = adjust_benjamini_hochberg(p)
    assert (adjusted >= np.asarray(p) - 1e-15).all()
    assert (np.diff(adjusted[np.argsort(p, kind="stable")]) >= 0).all()
    assert adjusted.max() <= 1


def test_no_p_values_give_none():
    assert adjust_benjamini_hochberg([]).size == 0


def test_median_interval_of_ten_is_second_and_ninth():
    """Coverage 1 - 2 (1 + 10) / 1024 = 97.9 %; the third and eighth would have 89.1 %."""
    assert median_interval(np.arange(10.0, 0, -1)) == (2.0, 9.0)
    assert median_interval(np.arange(1.0, 11), 0.89) == (3.0, 8.0)


def test_median_interval_of_five_is_not_known_at_95_percent():
    assert median_interval(np.arange(5.0)) == (-math.inf, math.inf)
    assert median_interval(np.arange(6.0)) == (0.0, 5.0)


def test_median_interval_covers_as_often_as_it_says():
    rng = np.random.default_rng(3)
    limits = [median_interval(rng.standard_cauchy(25)) for _ in range(2000)]
    covered = np.mean([low <= 0 <= high for low, high in limits])
    assert 0.94 <= covered <= 0.975  # exact coverage for n = 25 is 95.7 %


def test_dispersion_tells_a_cluster_from_chance():
    exposure = np.full(20, 3.0)
    even, cluster = np.ones(20, dtype=np.int64), np.zeros(20, dtype=np.int64)
    cluster[3] = 20
    assert dispersion_p(even, exposure, seed=1) == 1.0
    assert dispersion_p(cluster, exposure, seed=1) == pytest.approx(1 / 4001)


def test_dispersion_is_uniform_at_a_constant_rate():
    rng = np.random.default_rng(5)
    exposure = rng.random(12) + 0.2
    p = [dispersion_p(rng.poisson(4 * exposure), exposure, seed=i, n_draws=400) for i in range(300)]
    assert 0.02 <= np.mean(np.array(p) < 0.05) <= 0.085


def test_dispersion_leaves_out_bins_without_exposure():
    assert dispersion_p(np.array([0, 9, 0]), np.array([0.0, 4.0, 0.0]), seed=1) == 1.0
