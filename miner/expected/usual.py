"""What conditions alone make usual: straight lines with kinks, and trees for the tables of the engine computer.

Both are fitted to all cylinders together, each with an offset of its own, so that what one cylinder does in one band of
speed does not become usual there because it comes often. The lines are a robust regression (`robust_regression`);
where a duration is looked up in tables, trees learn what is left of it (gradient boosting, Friedman, Annals of
Statistics 29, 2001, algorithm 3, from memory): smallest sum of absolute errors over large leaves, which a burst of
faults cannot move.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from miner.expected.context import MOST_EXCESS, Basis, Context, inputs_of
from miner.expected.robust import BLOCK_EVENTS, RobustFit, robust_regression, running_median
from miner.expected.trees import fit_trees

if TYPE_CHECKING:
    from sklearn.ensemble import HistGradientBoostingRegressor

__all__ = ["Usual", "fit_usual"]

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

LINE_EVENTS, TREE_EVENTS = 15_000, 20_000
"""Events that are learned from, spread over the recording: more sharpen nothing that a table of 20 by 20 cells has."""

LEAST_TREE_EVENTS = 1500
"""Fewer have not been to enough cells of a table twice (own choice)."""

STRETCHES, LEAST_HELP, AROUND_EVENTS = 60, 0.05, 15
"""Stretches the recording is cut into for the proof, what trees must take off the distance at least, and the neighbours
on each side it is counted from (own choices)."""

CRANK_SHARE = 0.02
"""By which an interval is longer or shorter because the crank turns unevenly, at most; what is more is a displaced
event (common practice, no source)."""

N_TREES, LEARNING_RATE, MOST_LEAVES, LEAF_EVENTS = 40, 0.2, 31, 40
"""Own choices: a leaf must hold several bursts of faults before one can become its usual value."""


@dataclass(frozen=True, kw_only=True)
class Usual:
    """A fitted usual value; `at` returns it for events of the same engine."""

    basis: Basis
    lines: RobustFit
    trees: HistGradientBoostingRegressor | None

    def at(self, context: Context, rows: _Ints) -> tuple[_Floats, _Floats]:
        """Return the usual value (rows,), and the part of it that moves at once: that of supply and tables."""
        value, quick = np.empty(rows.size), np.empty(rows.size)
        for first in range(0, rows.size, BLOCK_EVENTS):
            block = slice(first, first + BLOCK_EVENTS)
            some = rows[block]
            tables = np.zeros(some.size) if self.trees is None else self.trees.predict(inputs_of(context, some))
            value[block] = self.lines.predict(self.basis.lines(context, some)) + tables
            quick[block] = self.basis.supply_effect(self.lines.coefficients, context.supply_v[some]) + tables
        return value, quick


def fit_usual(
    values: _Floats, rows: _Ints, context: Context, *, supply: bool, tabled: bool, placed: bool = False
) -> Usual:
    """Fit the usual value.

    Parameters
    ----------
    values : ndarray (n,)
        The measure on the scale it is judged on.
    rows : ndarray
        Which to learn from, at least one.
    context : Context
    supply : bool
        Whether it may depend on the supply voltage.
    tabled : bool
        Whether it may come from tables.
    placed : bool
        Whether it is the place of the event itself, which ends the last interval: then no more of that counts than a
        crank can do.
    """
    basis = Basis(context, supply=supply, most_excess=CRANK_SHARE if placed else MOST_EXCESS)
    some = _spread(rows, LINE_EVENTS)
    lines = robust_regression(basis.lines(context, some), values[some])
    usual = Usual(basis=basis, lines=lines, trees=None)
    if not tabled or rows.size < LEAST_TREE_EVENTS:
        return usual
    some = _spread(rows, TREE_EVENTS)
    inputs, left = inputs_of(context, some), values[some] - usual.at(context, some)[0]
    if not _trees_help(inputs, left, context.group[some]):
        return usual
    return Usual(basis=basis, lines=lines, trees=_boosted(inputs, left))


def _trees_help(inputs: NDArray[np.float32], left: _Floats, group: _Ints) -> bool:
    """Return whether trees that saw one half of the recording bring the other half nearer to the events around.

    Levels that stay for a while are followed anyway; where lines say it all, trees only learn by heart.
    """
    stretch = np.arange(left.size) * STRETCHES // left.size % 2
    seen, other = np.flatnonzero(stretch == 0), np.flatnonzero(stretch == 1)
    without = left[other]
    with_trees = without - _boosted(inputs[seen], left[seen]).predict(inputs[other])
    return _restless(with_trees, group[other]) < (1.0 - LEAST_HELP) * _restless(without, group[other])


def _restless(left: _Floats, group: _Ints) -> float:
    total = 0.0
    for g in np.unique(group):
        own = left[group == g]
        total += float(np.sum(np.abs(own - running_median(own, AROUND_EVENTS))))
    return total / left.size


def _boosted(inputs: NDArray[np.float32], left: _Floats) -> HistGradientBoostingRegressor:
    return fit_trees(
        inputs, left, n_trees=N_TREES, loss="absolute_error", learning_rate=LEARNING_RATE, max_leaf_nodes=MOST_LEAVES,
        min_samples_leaf=LEAF_EVENTS,
    )  # fmt: skip


def _spread(rows: _Ints, at_most: int) -> _Ints:
    """Return at most so many of the rows, evenly spread; a stride might share a factor with a firing order."""
    return rows if rows.size <= at_most else rows[np.linspace(0, rows.size - 1, at_most).astype(np.int64)]
