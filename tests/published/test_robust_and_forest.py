"""Robust statistics, the isolation forest and the Pareto tail against published figures and other libraries."""

from __future__ import annotations

import numpy as np
import pytest
from miner.suspicion.forest import average_path_length, forest_rarity
from scipy import stats

from miner.expected.robust import generalized_esd, modified_z, normal_from_t, robust_regression
from miner.rarity.tails import Prior, fit_pareto, fit_tail

ROSNER = np.array(
    [-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70, 1.76,
     1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54,
     2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01]
)  # fmt: skip
"""Rosner, Technometrics 25(2), 1983, as in the NIST/SEMATECH e-Handbook 1.3.5.17.3."""


def test_rosner_finds_three_outliers_though_the_first_two_mask_each_other() -> None:
    assert ROSNER[generalized_esd(ROSNER, at_most=10)].tolist() == [6.01, 5.42, 5.34]


def test_rosner_with_too_few_looked_for_is_masked() -> None:
    assert generalized_esd(ROSNER, at_most=2).size == 0


def test_modified_z_of_rosners_data() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17; figures recomputed from the formula."""
    z = modified_z(ROSNER)
    assert np.sum(np.abs(z) > 3.5) == 3
    assert z[-4:] == pytest.approx([3.1497, 4.0161, 4.1151, 4.8453], abs=2e-4)  # published with 0.6745


def test_modified_z_of_the_tietjen_moore_data() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17.1."""
    x = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    assert modified_z(x)[-1] == pytest.approx(29.963, abs=1e-3)


@pytest.mark.parametrize(
    ("n", "c"),
    [(1, 0.0), (2, 1.0), (3, 1.207392), (8, 3.296252), (64, 7.471951), (256, 10.244771), (1024, 13.017374)],
)
def test_average_path_length(n: int, c: float) -> None:
    """Liu, Ting and Zhou, ICDM 2008, with H(i) = ln(i) + 0.5772156649."""
    assert average_path_length(n) == pytest.approx(c, abs=1e-6)


def test_forest_isolates_the_planted_rows_first() -> None:
    rng = np.random.default_rng(75)
    z = rng.normal(0, 1, (2000, 3))
    z[:14] = rng.normal(6, 0.3, (14, 3))
    rarity = forest_rarity(z, np.zeros(2000, dtype=np.int64), np.ones(2000, dtype=bool), seed=0)
    assert set(np.argsort(-rarity)[:14].tolist()) == set(range(14))


@pytest.mark.parametrize("shape", [0.0, 0.1, 0.4])
def test_pareto_fit_agrees_with_scipy(shape: float) -> None:
    x = stats.genpareto.rvs(shape, scale=2.0, size=3000, random_state=11)
    fitted_shape, _, fitted_scale = stats.genpareto.fit(x, floc=0.0)
    ours = fit_pareto(x)
    assert ours.shape == pytest.approx(fitted_shape, abs=2e-3)
    assert ours.scale == pytest.approx(fitted_scale, rel=2e-3)
    assert ours.log_survival(np.array([1.0, 9.0])) == pytest.approx(
        stats.genpareto.logsf([1.0, 9.0], fitted_shape, scale=fitted_scale), rel=1e-2
    )


def test_faults_do_not_fatten_the_tail() -> None:
    rng = np.random.default_rng(3)
    healthy = rng.exponential(1.0, 100_000)
    faulty = np.concatenate([healthy, rng.uniform(30, 300, 400)])
    clean, dirty = (fit_tail(x, hours=1.0, prior=Prior()) for x in (healthy, faulty))
    level = np.array([9.0])  # exp(-9) of 100,000: 12.3 an hour
    assert np.exp(clean.log_rate(level)[0]) == pytest.approx(12.3, rel=0.25)
    assert 12.3 / 2.5 < np.exp(dirty.log_rate(level)[0]) < 12.3 * 2.5  # 400 more lie above
    assert dirty.n_above_limit >= 400


def test_rate_falls_with_the_value() -> None:
    x = np.random.default_rng(1).standard_t(4, 5000) ** 2
    tail = fit_tail(x, hours=0.5, prior=Prior())
    assert np.all(np.diff(tail.log_rate(np.linspace(0, 500, 2000))) <= 0)


def test_normal_from_t_matches_the_quantiles() -> None:
    t = np.array([0.5, 2.0, 4.0, 8.0])
    for freedom in (5, 10, 50):
        exact = stats.norm.isf(stats.t.sf(t, freedom))
        assert normal_from_t(t, float(freedom)) == pytest.approx(exact, rel=0.02)


def test_regression_on_stack_loss_gives_the_known_rows_the_least_weight() -> None:
    """Brownlee's stack loss data: rows 1, 3, 4 and 21 are the odd ones in the literature (statsmodels.datasets)."""
    from statsmodels.datasets import stackloss

    data = stackloss.load_pandas()
    x = data.exog.to_numpy()
    x = np.column_stack([np.ones(len(x)), (x - x.mean(axis=0)) / np.ptp(x, axis=0)])
    y = data.endog.to_numpy()
    residual = np.abs(y - robust_regression(x, y, n_steps=40).predict(x))
    assert set((np.argsort(-residual)[:4] + 1).tolist()) == {1, 3, 4, 21}
