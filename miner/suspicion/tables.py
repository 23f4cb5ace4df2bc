"""The tables of the engine computer, learned from what it did: boosted trees over speed and supply.

An engine computer looks on-time up in tables over speed and supply voltage, some in hard steps, by its own idea of
both: over the last cycle or the last interval, filtered, of a moment earlier. Trees cut at a step and nowhere else,
choose the idea that tells best, and need no list of what may depend on what. They are fitted to the smallest sum of
absolute errors with large leaves, so that a burst of faults teaches them nothing (Friedman, Annals of Statistics 29,
2001, algorithm 3, from memory; scikit-learn's histogram version).

Trees can also learn by heart. So every event is judged by trees that never saw its part of the recording, and what
they say counts as far as it brings values of other parts nearer to usual (stacking: Wolpert, Neural Networks 5, 1992,
from memory): hardly where the lines had said it all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from miner.suspicion.context import Context
from miner.suspicion.lookup import MOST_LEAVES, Trees, compile_trees
from miner.suspicion.robust import COURSE_EVENTS, running_median

__all__ = ["Inputs", "Table", "fit_table", "inputs_of"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

LEAST_EVENTS, FIT_EVENTS = 1500, 20_000
"""Fewer of one cylinder, some minutes, have not been to enough cells of a table twice."""

PARTS, STRETCHES = 3, 60
"""Parts that take turns being left out, each of stretches spread over the recording."""

SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
N_TREES, LEARNING_RATE = 40, 0.3
LEAF_EVENTS = 20
"""Own choices; a leaf must hold several bursts of faults before one can become its usual value."""


@dataclass(frozen=True, kw_only=True)
class Inputs:
    """What a table may be looked up by, for n events.

    Attributes
    ----------
    log_speed : ndarray (n, 4)
        Over the cycles around the event, the cycle that ends there, the one before, and the last interval.
    supply_v : ndarray (n, 3) or (n, 0)
        At the event and over the moments before; NaN where not measured. Empty where it is not to count.
    other : ndarray (n, 3)
        Acceleration, operating state and cycles since the start.
    part : ndarray (n,)
        Which of the `PARTS` of the recording the event belongs to.
    """

    log_speed: Floats
    supply_v: Floats
    other: Floats
    part: Ints

    def shifted(self, log_ratio: Floats) -> Inputs:
        """Return the same at speeds that are larger by a ratio, event by event."""
        return replace(self, log_speed=self.log_speed + log_ratio[:, None])

    def under(self, supply_v: Floats) -> Inputs:
        """Return the same under another supply, event by event."""
        return replace(self, supply_v=np.repeat(supply_v[:, None], self.supply_v.shape[1], axis=1))


def inputs_of(context: Context, rows: Ints, *, supply: bool) -> Inputs:
    """Return the inputs of some rows."""
    volts = np.column_stack([context.supply_v[rows], context.supply_earlier_v[rows]])
    return Inputs(
        log_speed=context.log_speeds[rows].astype(np.float64),
        supply_v=volts if supply else volts[:, :0],
        other=np.column_stack([context.acceleration[rows], context.state[rows], np.minimum(context.since[rows], 50.0)]),
        part=rows * STRETCHES // context.time_s.size % PARTS,
    )


@dataclass(frozen=True, kw_only=True)
class Table:
    """A fitted table, 0 everywhere where there was too little to learn from."""

    models: tuple[Trees, ...] = ()
    share: float = 0.0

    @property
    def is_empty(self) -> bool:
        """Whether it is 0 everywhere."""
        return self.share == 0.0

    def at(self, inputs: Inputs) -> Floats:
        """Return the table's value (n,) for the inputs."""
        out = np.zeros(len(inputs.other))
        if self.is_empty:
            return out
        columns = _columns(inputs)
        for part, model in enumerate(self.models):
            own = inputs.part == part
            if own.any():
                out[own] = self.share * model.predict(columns[own])
        return out


def fit_table(residual: Floats, inputs: Inputs, learns: Bools) -> tuple[Table, Floats]:
    """Fit a table to what straight lines left over, and look it up for the same inputs.

    Only rows that ``learns`` may teach.
    """
    taught = np.flatnonzero(learns)
    taught = taught[:: max(1, -(-taught.size // FIT_EVENTS))]
    others = [taught[inputs.part[taught] != part] for part in range(PARTS)]
    if min(rows.size for rows in others) < LEAST_EVENTS:
        return Table(), np.zeros_like(residual)
    columns = _columns(inputs)
    models = tuple(_learned(columns[rows], residual[rows]) for rows in others)
    said = Table(models=models, share=1.0).at(inputs)
    errors = [_restless(residual - share * said, taught) for share in SHARES]
    share = SHARES[int(np.argmin(errors))]
    return Table(models=models, share=share), share * said


def _learned(x: Floats, y: Floats) -> Trees:
    from sklearn.ensemble import HistGradientBoostingRegressor

    trees = HistGradientBoostingRegressor(
        loss="absolute_error", max_iter=N_TREES, learning_rate=LEARNING_RATE, max_leaf_nodes=MOST_LEAVES,
        min_samples_leaf=LEAF_EVENTS, early_stopping=False, random_state=0,
    )  # fmt: skip
    return compile_trees(trees.fit(x, y))


def _restless(residual: Floats, rows: Ints) -> float:
    """Return the mean distance from the events around: levels that stay for a while are followed anyway."""
    return float(np.mean(np.abs(residual - running_median(residual, COURSE_EVENTS))[rows]))


def _columns(inputs: Inputs) -> Floats:
    return np.column_stack([inputs.log_speed, inputs.supply_v, inputs.other])
