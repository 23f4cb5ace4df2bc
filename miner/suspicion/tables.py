"""The tables of the engine computer, learned from what it did: boosted trees over speed and supply.

An engine computer looks on-time up in tables over speed and supply voltage, some in hard steps, by its own idea of
both: over the last cycle or the last interval, filtered, of a moment earlier. Trees cut at a step and nowhere else,
choose the idea that tells best, and need no list of what may depend on what. They are fitted to the smallest sum of
absolute errors with large leaves, so that a burst of faults teaches them nothing (Friedman, Annals of Statistics 29,
2001, algorithm 3, from memory; scikit-learn's histogram version).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from miner.suspicion.context import Context

__all__ = ["Inputs", "Table", "fit_table", "inputs_of"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

FIT_EVENTS = 20_000
N_TREES, LEARNING_RATE, N_LEAVES = 80, 0.3, 31
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
    """

    log_speed: Floats
    supply_v: Floats
    other: Floats

    def shifted(self, log_ratio: Floats) -> Inputs:
        """Return the same at speeds that are larger by a ratio, event by event."""
        return Inputs(log_speed=self.log_speed + log_ratio[:, None], supply_v=self.supply_v, other=self.other)

    def under(self, supply_v: Floats) -> Inputs:
        """Return the same under another supply, event by event."""
        everywhere = np.repeat(supply_v[:, None], self.supply_v.shape[1], axis=1)
        return Inputs(log_speed=self.log_speed, supply_v=everywhere, other=self.other)


def inputs_of(context: Context, rows: Ints, *, supply: bool) -> Inputs:
    """Return the inputs of some rows."""
    volts = np.column_stack([context.supply_v[rows], context.supply_earlier_v[rows]])
    return Inputs(
        log_speed=context.log_speeds[rows].astype(np.float64),
        supply_v=volts if supply else volts[:, :0],
        other=np.column_stack([context.acceleration[rows], context.state[rows], np.minimum(context.since[rows], 50.0)]),
    )


@dataclass(frozen=True, kw_only=True)
class Table:
    """A fitted table, 0 everywhere where there was too little to learn from."""

    model: Any = None

    @property
    def is_empty(self) -> bool:
        """Whether it is 0 everywhere."""
        return self.model is None

    def at(self, inputs: Inputs) -> Floats:
        """Return the table's value (n,) for the inputs."""
        if self.is_empty:
            return np.zeros(len(inputs.other))
        return np.asarray(self.model.predict(_columns(inputs)), dtype=np.float64)


def fit_table(residual: Floats, inputs: Inputs, learns: Bools) -> Table:
    """Fit a table to what straight lines left over; only rows that ``learns`` may teach."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    taught = np.flatnonzero(learns)
    taught = taught[:: max(1, -(-taught.size // FIT_EVENTS))]
    if taught.size < 4 * LEAF_EVENTS:
        return Table()
    model = HistGradientBoostingRegressor(
        loss="absolute_error", max_iter=N_TREES, learning_rate=LEARNING_RATE, max_leaf_nodes=N_LEAVES,
        min_samples_leaf=LEAF_EVENTS, early_stopping=False, random_state=0,
    )  # fmt: skip
    return Table(model=model.fit(_columns(inputs)[taught], residual[taught]))


def _columns(inputs: Inputs) -> Floats:
    return np.column_stack([inputs.log_speed, inputs.supply_v, inputs.other])
