"""The noise around what is usual: how far healthy events stray under such conditions, and how far the odd one does.

Two regressions on trees (Friedman 2001, from memory), for all cylinders together: one of the log of the distance, which
says how the noise changes (cranking is wilder than cruising), and one of its 95 % point, which says where distances are
not of one size: beside a step of a table either side is usual. A stretch of the recording that is noisier for long
raises it as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from miner.expected.robust import MAD_TO_SIGMA, running_median

if TYPE_CHECKING:
    from sklearn.ensemble import HistGradientBoostingRegressor

__all__ = ["Noise", "fit_noise", "local_noise"]

_Floats = NDArray[np.float64]

NOISE_EVENTS, LEAST_EVENTS = 12_000, 400
POINT, POINT_SIGMA = 0.95, 1.96
MOST_RAISED = 3.0
"""The 95 % point may raise the noise so far at most: where a twentieth of the events stray, a fault that comes often in
one condition must not hide itself (own choice)."""

AROUND_EVENTS, AROUND_ERROR = 100, 0.25
"""Neighbours on each side that a noisy stretch must outlast; more than twice what their median is off by chance,
1.17 / sqrt(201) of itself (asymptotic variance of a quantile)."""


@dataclass(frozen=True, kw_only=True)
class Noise:
    """A fitted noise; `at` returns sigma."""

    level: float
    shape: HistGradientBoostingRegressor | None
    point: HistGradientBoostingRegressor | None

    def at(self, inputs: NDArray[np.float32]) -> _Floats:
        """Return sigma (n,) under the conditions ``inputs`` (n, q)."""
        sigma = np.full(len(inputs), self.level)
        if self.shape is not None and self.point is not None:
            sigma *= np.exp(self.shape.predict(inputs))
            sigma *= np.clip(self.point.predict(inputs) / POINT_SIGMA, 1.0, MOST_RAISED)
        return sigma


def fit_noise(distance: _Floats, inputs: NDArray[np.float32]) -> Noise:
    """Fit the noise to signed distances (n,) from usual under the conditions ``inputs`` (n, q)."""
    size = np.abs(distance)
    some = np.linspace(0, size.size - 1, min(size.size, NOISE_EVENTS)).astype(np.int64)
    size, inputs = size[some], inputs[some]
    middle = max(float(np.median(size)), float(np.mean(size)) * 1e-3, 1e-12)
    if size.size < LEAST_EVENTS:
        return Noise(level=middle * MAD_TO_SIGMA, shape=None, point=None)
    shape = _trees(n=25, loss="squared_error").fit(inputs, np.log(size / middle + 0.05))
    left = size / np.exp(shape.predict(inputs))
    level = max(float(np.median(left)) * MAD_TO_SIGMA, 1e-12)
    point = _trees(n=15, loss="quantile", quantile=POINT).fit(inputs, np.minimum(left / level, 8.0))
    return Noise(level=level, shape=shape, point=point)


def _trees(*, n: int, **how: Any) -> HistGradientBoostingRegressor:
    from sklearn.ensemble import HistGradientBoostingRegressor

    return HistGradientBoostingRegressor(
        max_iter=n,
        learning_rate=0.2,
        max_leaf_nodes=12,
        min_samples_leaf=100,
        early_stopping=False,
        random_state=0,
        **how,
    )


def local_noise(z: _Floats) -> _Floats:
    """Return by how much the stretch around each value (n,) of a series is noisier than 1; at least 1."""
    around = running_median(np.abs(z), AROUND_EVENTS) * MAD_TO_SIGMA
    return np.asarray(np.maximum(around / (1.0 + AROUND_ERROR), 1.0), dtype=np.float64)
