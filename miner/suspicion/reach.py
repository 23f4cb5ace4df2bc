"""Between which values none is odd: the engine computer knows speed and supply of another moment, and less well.

The usual value is reckoned with the speed and the supply measured around the event. The engine computer had others in
mind: of a moment earlier, filtered, rounded. At a step of one of its tables either side is then usual. How far its
idea is off is read off the recording: of several reaches the one is taken under which the residuals are most likely,
each being either noise around the usual value, or anywhere between the values within reach, or (seldom) anything at
all, so that faults do not widen it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from miner.suspicion.context import Conditions, Context
from miner.suspicion.robust import RobustFit
from miner.suspicion.tables import Inputs, Table, inputs_of

__all__ = ["Model", "reaching"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SPEED_REACHES = (1.0, 2.0, 4.0, 8.0, 16.0)
"""Times the change of speed over a cycle here, and its usual change."""

SUPPLY_REACHES_V = (0.0, 0.06, 0.12, 0.25, 0.5)
LIKELY_EVENTS = 2000
BESIDE, ANYTHING = 0.1, 1e-3
"""Shares of events that are somewhere within reach, and that are anything at all (own choices)."""

HARDLY = 0.02
"""An engine that goes by an earlier supply to this share only goes by that of the moment."""


@dataclass(frozen=True, kw_only=True)
class Model:
    """What the usual value of one cylinder was reckoned with; ``looked_up`` is what the table said of its rows."""

    fit: RobustFit
    table: Table
    looked_up: Floats
    context: Context
    conditions: Conditions


def reaching(model: Model, rows: Ints, taught: Ints, residual: Floats, sigma: Floats) -> tuple[Floats, Floats]:
    """Return (low, high), ``low <= 0 <= high``: between usual plus these no value of a row is odd.

    Parameters
    ----------
    model : Model
    rows : ndarray (n,)
        Of the context.
    taught : ndarray (m,)
        Places of trusted ones among them, to learn from.
    residual, sigma : ndarray (m,)
        Measured minus usual, and its noise, of those.
    """
    everywhere = _Moves(model, rows, model.looked_up)
    if model.table.is_empty:
        return _range(everywhere.with_speed(1.0) + everywhere.with_supply(0.0))
    few = np.arange(0, taught.size, max(1, taught.size // LIKELY_EVENTS))
    some = _Moves(model, rows[taught[few]], model.looked_up[taught[few]])
    residual, sigma = residual[few], np.maximum(sigma[few], 1e-9)

    def likeliest(moves: list[list[Floats]]) -> int:
        return int(np.argmax([_log_likelihood(residual, sigma, *_range(one)) for one in moves]))

    by_speed = [some.with_speed(reach) for reach in SPEED_REACHES]
    speed = likeliest(by_speed)
    supply = likeliest([by_speed[speed] + some.with_supply(reach_v) for reach_v in SUPPLY_REACHES_V])
    return _range(everywhere.with_speed(SPEED_REACHES[speed]) + everywhere.with_supply(SUPPLY_REACHES_V[supply]))


def _range(moves: list[Floats]) -> tuple[Floats, Floats]:
    return np.minimum.reduce(moves).clip(max=0.0), np.maximum.reduce(moves).clip(min=0.0)


def _log_likelihood(residual: Floats, sigma: Floats, low: Floats, high: Floats) -> float:
    """Return how likely residuals are that are noise around 0 or, for a share, anywhere between low and high."""
    from scipy.special import ndtr

    noise = np.exp(-0.5 * (residual / sigma) ** 2) / (np.sqrt(2 * np.pi) * sigma)
    width = np.maximum(high - low, 1e-3 * sigma)
    within = (ndtr((residual - low) / sigma) - ndtr((residual - high) / sigma)) / width
    within = np.where(high - low > 1e-3 * sigma, within, noise)
    span = max(float(np.ptp(residual)), float(np.max(width)))
    return float(np.sum(np.log((1 - BESIDE - ANYTHING) * noise + BESIDE * within + ANYTHING / span)))


class _Moves:
    """By how much the usual value of some rows moves with what the engine computer may have had in mind."""

    def __init__(self, model: Model, rows: Ints, looked_up: Floats) -> None:
        self._model, self._rows, self._here = model, rows, looked_up

    def with_speed(self, reach: float) -> list[Floats]:
        """Return the moves with a speed a little lower or higher, and with the acceleration of the neighbours."""
        context, conditions, fit, rows = self._model.context, self._model.conditions, self._model.fit, self._rows
        shift = reach * context.speed_reach(rows)
        now = conditions.speed_effect(fit, np.log(context.rpm[rows])) + self._here
        pull = context.acceleration
        steady = conditions.pull_effect(fit, rows, pull[rows])
        beside = (pull[np.maximum(rows - 1, 0)], pull[np.minimum(rows + 1, pull.size - 1)])
        moves = [conditions.pull_effect(fit, rows, other) - steady for other in beside]
        return moves + [self._faster_by(by) - now for by in (-shift, shift)]

    def with_supply(self, reach_v: float) -> list[Floats]:
        """Return the moves with a supply a little lower or higher, and with that of a moment earlier.

        The latter as far as this engine was seen to go by it. Where the supply is recorded but not known at this
        moment, it may be any of the usual ones.
        """
        context, conditions = self._model.context, self._model.conditions
        if not conditions.with_supply:
            return []
        supply_v, now = context.supply_v[self._rows], self._under_now
        believed = conditions.earlier_share(self._model.fit)
        earlier = context.supply_earlier_v[self._rows].T if believed > HARDLY else ()
        moves = [believed * (self._under(volts) - now) for volts in earlier]
        moves += [self._under(supply_v + aside_v) - now for aside_v in (-reach_v, reach_v) if aside_v]
        unknown = ~np.isfinite(supply_v)
        if unknown.any():
            ends = [self._under(np.full(supply_v.size, volts)) for volts in conditions.usual_supply_v.tolist()]
            moves += [np.where(unknown, end - now, 0.0) for end in ends]
        return moves or [np.zeros(supply_v.size)]

    def _faster_by(self, shift: Floats) -> Floats:
        log_speed = np.log(self._model.context.rpm[self._rows]) + shift
        effect = self._model.conditions.speed_effect(self._model.fit, log_speed)
        return effect if self._model.table.is_empty else effect + self._model.table.at(self._inputs.shifted(shift))

    def _under(self, supply_v: Floats) -> Floats:
        effect = self._model.conditions.supply_effect(self._model.fit, supply_v)
        return effect if self._model.table.is_empty else effect + self._model.table.at(self._inputs.under(supply_v))

    @cached_property
    def _under_now(self) -> Floats:
        return self._under(self._model.context.supply_v[self._rows])

    @cached_property
    def _inputs(self) -> Inputs:
        return inputs_of(self._model.context, self._rows, supply=self._model.conditions.with_supply)
