"""Robust regression and the Pareto tail against published figures and other libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from miner.expected.robust import robust_regression
from miner.rarity.tails import Prior, fit_pareto, fit_tail


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


def test_regression_on_stack_loss_gives_the_known_rows_the_least_weight() -> None:
    """Brownlee's stack loss data: rows 1, 3, 4 and 21 are the odd ones in the literature (statsmodels.datasets)."""
    from statsmodels.datasets import stackloss

    data = stackloss.load_pandas()
    x = data.exog.to_numpy()
    x = np.column_stack([np.ones(len(x)), (x - x.mean(axis=0)) / np.ptp(x, axis=0)])
    y = data.endog.to_numpy()
    residual = np.abs(y - robust_regression(x, y, n_steps=40).predict(x))
    assert set((np.argsort(-residual)[:4] + 1).tolist()) == {1, 3, 4, 21}
