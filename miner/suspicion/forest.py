"""One isolation forest per cylinder on the distances from usual: rare mixtures that no single measure shows.

Liu, Ting and Zhou, Isolation Forest, ICDM 2008. Trees see distances that are free of speed, supply and drift, so
what they isolate is odd and not merely a rare speed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from miner.suspicion.threads import side_by_side

__all__ = ["average_path_length", "forest_rarity"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

N_TREES = 150
TREE_SAMPLE = 256
TRAIN_EVENTS = 8192
BATCH_EVENTS = 16_384
SCORED_SHARE = 0.1
SCORED_LEAST = 4096
CLIP_SIGMA = 8.0
LEAST_EVENTS = 32


def average_path_length(n: int) -> float:
    """Return c(n), the mean depth of an unsuccessful search in a binary tree of n points (Liu et al., equation 1).

    Examples
    --------
    >>> round(average_path_length(256), 6)
    10.244771
    """
    if n <= 2:
        return float(max(n - 1, 0))
    return 2.0 * (float(np.log(n - 1)) + float(np.euler_gamma)) - 2.0 * (n - 1) / n


def forest_rarity(z: Floats | Singles, group: NDArray[np.int64], learns: NDArray[np.bool_], *, seed: int) -> Floats:
    """Return how rare each event's mixture of distances is: higher is more suspicious, one is one mean excess.

    Parameters
    ----------
    z : ndarray of shape (n, p)
        Distances in sigma, NaN where not measured.
    group : ndarray of shape (n,)
        Cylinder index.
    learns : ndarray of shape (n,)
        Rows that may teach the trees.
    seed : int

    Returns
    -------
    ndarray of shape (n,)
        -inf for events so close to usual in every measure that they were not scored, or cylinders with too few.
    """
    rarity = np.full(len(z), -np.inf)
    clipped = np.clip(np.nan_to_num(z, nan=0.0), -CLIP_SIGMA, CLIP_SIGMA)

    def score(g: int) -> None:
        rows = np.flatnonzero(group == g)
        taught = rows[learns[rows]]
        if taught.size >= LEAST_EVENTS:
            far = _far_rows(rows, clipped)
            rarity[far] = _scores(clipped, taught, far, seed + g)

    side_by_side(score, np.unique(group).tolist())
    return rarity


def _far_rows(rows: NDArray[np.int64], z: Floats | Singles) -> NDArray[np.int64]:
    """Return the rows of one cylinder worth a score: the share with the largest sum of squares."""
    keep = min(rows.size, max(int(SCORED_SHARE * rows.size), SCORED_LEAST))
    size = np.einsum("ij,ij->i", z[rows], z[rows])
    return np.sort(rows[np.argsort(-size, kind="stable")[:keep]])


def _scores(z: Floats | Singles, taught: NDArray[np.int64], rows: NDArray[np.int64], seed: int) -> Floats:
    from sklearn.ensemble import IsolationForest

    forest = IsolationForest(
        n_estimators=N_TREES, max_samples=min(TREE_SAMPLE, taught.size), random_state=seed, n_jobs=1
    )
    forest.fit(z[taught[:: max(1, -(-taught.size // TRAIN_EVENTS))]])
    scored = [forest.score_samples(z[rows[i : i + BATCH_EVENTS]]) for i in range(0, rows.size, BATCH_EVENTS)]
    rarity = -np.concatenate(scored)  # the only change of sign: from here on higher is more suspicious
    high = np.quantile(rarity, 0.9)
    excess = max(float(np.mean(rarity[rarity >= high])) - float(high), 1e-9)
    return np.asarray((rarity - high) / excess, dtype=np.float64)
