"""Between which values none is odd: the engine computer knows speed and supply of another moment, and less well.

The usual value is reckoned with the speed and the supply measured around the event. The engine computer had others in
mind: of a moment earlier, filtered, rounded. At a step of one of its tables either side is then usual. How far its
idea is off is read off the recording: of several reaches the one is taken under which the residuals are most likely,
each being either noise around the usual value, or anywhere between the values within reach, or (seldom) anything at
all, so that faults do not widen it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.suspicion.context import Conditions, Context
from miner.suspicion.robust import RobustFit
from miner.suspicion.tables import Inputs, Table, inputs_of

__all__ = ["Model", "reaching"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SPEED_REACHES = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
"""Times the change of speed over a cycle here, and its usual change."""

SUPPLY_REACHES_V = (0.0, 0.03, 0.06, 0.12, 0.25, 0.5)
LIKELY_EVENTS = 4000
BESIDE, ANYTHING = 0.1, 1e-3
"""Shares of events that are somewhere within reach, and that are anything at all (own choices)."""


@dataclass(frozen=True, kw_only=True)
class Model:
    """What the usual value of one cylinder was reckoned with."""

    fit: RobustFit
    table: Table
    context: Context
    conditions: Conditions

    def inputs(self, rows: Ints) -> Inputs:
        """Return what the table is looked up by."""
        return inputs_of(self.context, rows, supply=self.conditions.with_supply)


def reaching(model: Model, rows: Ints, some: Ints, residual: Floats, sigma: Floats) -> tuple[Floats, Floats]:
    """Return (low, high), ``low <= 0 <= high``: between usual plus these no value of a row is odd.

    Parameters
    ----------
    model : Model
    rows : ndarray (n,)
        Of the context.
    some : ndarray (m,)
        Trusted ones of them, to learn from.
    residual, sigma : ndarray (m,)
        Measured minus usual, and its noise, of those.
    """
    if model.table.model is None:
        return _range([*_moves_with_speed(model, rows, 1.0), *_moves_with_supply(model, rows, 0.0)])
    few = np.arange(0, some.size, max(1, some.size // LIKELY_EVENTS))
    some, residual, sigma = some[few], residual[few], np.maximum(sigma[few], 1e-9)

    def likely(low: Floats, high: Floats) -> float:
        return _log_likelihood(residual, sigma, low, high)

    ranges = [_range(_moves_with_speed(model, some, reach)) for reach in SPEED_REACHES]
    best = int(np.argmax([likely(*between) for between in ranges]))
    moves = _moves_with_speed(model, rows, SPEED_REACHES[best])
    if model.conditions.with_supply:
        wider = [_range([*ranges[best], *_moves_with_supply(model, some, reach_v)]) for reach_v in SUPPLY_REACHES_V]
        most = int(np.argmax([likely(*between) for between in wider]))
        moves += _moves_with_supply(model, rows, SUPPLY_REACHES_V[most])
    return _range(moves)


def _range(moves: list[Floats]) -> tuple[Floats, Floats]:
    return np.minimum.reduce(moves).clip(max=0.0), np.maximum.reduce(moves).clip(min=0.0)


def _log_likelihood(residual: Floats, sigma: Floats, low: Floats, high: Floats) -> float:
    from scipy.special import ndtr

    width = np.maximum(high - low, 1e-3 * sigma)
    noise = np.exp(-0.5 * (residual / sigma) ** 2) / (np.sqrt(2 * np.pi) * sigma)
    within = (ndtr((residual - low) / sigma) - ndtr((residual - high) / sigma)) / width
    within = np.where(high - low > 1e-3 * sigma, within, noise)
    span = max(float(np.ptp(residual)), float(np.max(width)))
    return float(np.sum(np.log((1 - BESIDE - ANYTHING) * noise + BESIDE * within + ANYTHING / span)))


def _moves_with_speed(model: Model, rows: Ints, reach: float) -> list[Floats]:
    """Return by how much the usual value moves with the speed and the acceleration of a cycle before and after."""
    context, conditions, inputs = model.context, model.conditions, model.inputs(rows)
    log_speed, shift = np.log(context.rpm[rows]), reach * context.speed_reach(rows)

    def effect(by: Floats) -> Floats:
        return conditions.speed_effect(model.fit, log_speed + by) + model.table.at(inputs.shifted(by))

    now = effect(np.zeros_like(shift))
    pull = context.acceleration
    steady = conditions.pull_effect(model.fit, rows, pull[rows])
    beside = (pull[np.maximum(rows - 1, 0)], pull[np.minimum(rows + 1, pull.size - 1)])
    moves = [effect(-shift) - now, effect(shift) - now]
    return moves + [conditions.pull_effect(model.fit, rows, other) - steady for other in beside]


def _moves_with_supply(model: Model, rows: Ints, reach_v: float) -> list[Floats]:
    """Return by how much it moves with another supply: a little more or less, or that of a moment earlier.

    The latter as far as this engine was seen to go by it. Where the supply is recorded but not known at this moment, it
    may be any of the usual ones.
    """
    context, conditions, inputs = model.context, model.conditions, model.inputs(rows)
    if not conditions.with_supply:
        return []

    def effect(supply_v: Floats) -> Floats:
        return conditions.supply_effect(model.fit, supply_v) + model.table.at(inputs.under(supply_v))

    supply_v = context.supply_v[rows]
    now, believed = effect(supply_v), conditions.earlier_share(model.fit)
    moves = [believed * (effect(earlier) - now) for earlier in context.supply_earlier_v[rows].T]
    if reach_v:
        moves += [effect(supply_v + aside_v) - now for aside_v in (-reach_v, reach_v)]
    unknown = ~np.isfinite(supply_v)
    if unknown.any():
        ends = [effect(np.full(rows.size, volts)) for volts in conditions.usual_supply_v.tolist()]
        moves += [np.where(unknown, end - now, 0.0) for end in ends]
    return moves
