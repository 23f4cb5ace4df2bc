"""Boosted regression trees (Friedman, Annals of Statistics 29, 2001, from memory; scikit-learn's histogram version)."""

from __future__ import annotations

from threading import Lock
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sklearn.ensemble import HistGradientBoostingRegressor

__all__ = ["fit_trees"]

_ONE_AT_A_TIME = Lock()
"""While it sorts the inputs into bins the library sets the filters of warnings, which all threads share, and back."""


def fit_trees(
    inputs: NDArray[np.float32], target: NDArray[np.float64], *, n_trees: int, **how: Any
) -> HistGradientBoostingRegressor:
    """Fit trees to ``target`` (n,) over ``inputs`` (n, q); ``how`` as the library has it."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    trees = HistGradientBoostingRegressor(max_iter=n_trees, early_stopping=False, random_state=0, **how)
    with _ONE_AT_A_TIME:
        return trees.fit(inputs, target)
