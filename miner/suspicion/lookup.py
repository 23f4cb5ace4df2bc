"""Boosted trees looked up quickly: one row of bits per tree and value band, a leaf by the lowest bit that is left.

Each node of a tree that a value fails rules out the leaves to its left. Which leaves a value leaves possible depends
only on the band of thresholds it lies in, so it is worked out once for every input, band and tree; a row's leaf in a
tree is then the first one that all its inputs leave possible (Lucchese et al., QuickScorer, SIGIR 2015, from memory).
The values are those of scikit-learn's own prediction to the last bit or two, some ten times sooner.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["MOST_LEAVES", "Trees", "compile_trees"]

Floats = NDArray[np.float64]
Bits = NDArray[np.uint32]

MOST_LEAVES = 31
_HASH = np.uint32(0x077CB531)
"""De Bruijn sequence: the top five bits of its product with a power of two are different for each of the 32."""


@dataclass(frozen=True, kw_only=True)
class Trees:
    """Boosted trees of at most `MOST_LEAVES` leaves each.

    Attributes
    ----------
    edges : ndarray (n_inputs, n_bands - 2)
        Thresholds of each input, ascending, padded with +inf.
    possible : ndarray (n_inputs, n_bands, n_trees)
        Leaves that a value in a band leaves possible, one bit each; the last band is that of NaN.
    values : ndarray (n_trees, 32)
        Of the leaves, in the order of their hashed bits.
    base : float
        What is added to the sum.
    """

    edges: Floats
    possible: Bits
    values: Floats
    base: float

    def predict(self, x: Floats) -> Floats:
        """Return the value (n,) for rows of inputs (n, n_inputs)."""
        out: Floats = _sums(np.ascontiguousarray(x), self.edges, self.possible, self.values, self.base)
        return out


def compile_trees(model: Any) -> Trees:
    """Return what a fitted ``HistGradientBoostingRegressor`` has learned; its trees have numeric inputs only."""
    nodes_of = [predictor.nodes for (predictor,) in model._predictors]
    n_inputs = int(model.n_features_in_)
    inner = [nodes[nodes["is_leaf"] == 0] for nodes in nodes_of]
    found = [
        np.unique(np.concatenate([nodes["num_threshold"][nodes["feature_idx"] == i] for nodes in inner]))
        for i in range(n_inputs)
    ]
    n_edges = max(edges.size for edges in found)
    edges = np.full((n_inputs, n_edges), np.inf)
    for i, own in enumerate(found):
        edges[i, : own.size] = own
    possible = np.full((n_inputs, n_edges + 2, len(nodes_of)), 0xFFFFFFFF, dtype=np.uint32)
    values = np.zeros((len(nodes_of), 32))
    for number, nodes in enumerate(nodes_of):
        leaf_values: list[float] = []
        _rule_out(nodes, 0, found, possible[:, :, number], leaf_values)
        bits = np.left_shift(np.uint32(1), np.arange(len(leaf_values), dtype=np.uint32))
        values[number, (bits * _HASH) >> np.uint32(27)] = leaf_values
    return Trees(edges=edges, possible=possible, values=values, base=float(model._baseline_prediction.item()))


def _rule_out(nodes: Any, at: int, edges: list[Floats], possible: Bits, leaf_values: list[float]) -> None:
    """Clear the bits of the leaves that each band rules out below a node, and collect the leaves from left to right."""
    node = nodes[at]
    if node["is_leaf"]:
        leaf_values.append(float(node["value"]))
        return
    first = len(leaf_values)
    _rule_out(nodes, int(node["left"]), edges, possible, leaf_values)
    left = np.uint32(((1 << len(leaf_values)) - (1 << first)) & 0xFFFFFFFF)
    _rule_out(nodes, int(node["right"]), edges, possible, leaf_values)
    i = int(node["feature_idx"])
    band = int(np.searchsorted(edges[i], node["num_threshold"]))
    possible[i, band + 1 : -1] &= ~left
    if not node["missing_go_to_left"]:
        possible[i, -1] &= ~left


@njit(cache=True, nogil=True)
def _sums(x: Floats, edges: Floats, possible: Bits, values: Floats, base: float) -> Floats:
    n, n_inputs = x.shape
    n_trees = possible.shape[2]
    out = np.empty(n)
    left = np.empty(n_trees, dtype=np.uint32)
    bands = np.zeros(n_inputs, dtype=np.int64)
    for row in range(n):
        left[:] = np.uint32(0xFFFFFFFF)
        for i in range(n_inputs):
            bands[i] = _band(edges[i], x[row, i], bands[i])
            here = possible[i, bands[i]]
            for tree in range(n_trees):
                left[tree] &= here[tree]
        total = base
        for tree in range(n_trees):
            lowest = left[tree] & (~left[tree] + np.uint32(1))
            total += values[tree, np.uint32(lowest * _HASH) >> np.uint32(27)]
        out[row] = total
    return out


@njit(cache=True, nogil=True)
def _band(edges: Floats, value: float, near: int) -> int:
    """Return how many of the ascending edges are less than a value, or one more than there are for NaN.

    Searched from ``near``: events that follow each other are alike.
    """
    if np.isnan(value):
        return edges.size + 1
    band = min(near, edges.size)
    while band > 0 and edges[band - 1] >= value:
        band -= 1
    while band < edges.size and edges[band] < value:
        band += 1
    return band
