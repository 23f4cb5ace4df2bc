"""Trees looked up by bits against scikit-learn's own prediction of the same trees."""

from __future__ import annotations

import numpy as np
import pytest
from miner.suspicion.lookup import MOST_LEAVES, compile_trees
from sklearn.ensemble import HistGradientBoostingRegressor


def _fitted(rng: np.random.Generator, n: int, *, leaves: int = MOST_LEAVES, missing: float = 0.05) -> tuple:
    x = np.round(rng.normal(size=(n, 6)), 2)
    x[:, 3] = rng.integers(0, 4, n)
    x[:, 5] = 1.0  # an input that never changes has no threshold
    y = 3.0 * (x[:, 0] > 0.3) + np.abs(x[:, 1]) * x[:, 3] + rng.standard_t(2, size=n)
    x[rng.random(x.shape) < missing] = np.nan
    model = HistGradientBoostingRegressor(
        loss="absolute_error", max_iter=40, max_leaf_nodes=leaves, min_samples_leaf=5, early_stopping=False
    )
    return model.fit(x, y), x


@pytest.mark.parametrize("leaves", [2, 3, MOST_LEAVES])
@pytest.mark.parametrize("missing", [0.0, 0.05])
def test_values_are_those_of_scikit_learn(leaves: int, missing: float) -> None:
    rng = np.random.default_rng(leaves)
    model, x = _fitted(rng, 3000, leaves=leaves, missing=missing)
    trees = compile_trees(model)
    on_the_edge = np.stack([rng.choice(edges[np.isfinite(edges)], 500) if np.isfinite(edges).any() else np.ones(500)
                            for edges in trees.edges], axis=1)  # fmt: skip
    anything = rng.normal(scale=5.0, size=(500, x.shape[1]))
    anything[rng.random(anything.shape) < 0.3] = np.nan
    anything[:5], anything[5:10] = np.inf, -np.inf
    for rows in (x, x[::-1], on_the_edge, anything):
        np.testing.assert_allclose(trees.predict(rows), model.predict(rows), rtol=0, atol=1e-12)


def test_a_tree_that_learned_nothing_says_the_base() -> None:
    model = HistGradientBoostingRegressor(max_iter=3, early_stopping=False).fit(np.zeros((50, 2)), np.full(50, 7.0))
    np.testing.assert_allclose(compile_trees(model).predict(np.zeros((4, 2))), 7.0)
