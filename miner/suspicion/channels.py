"""Each way of being odd, as a rate: one channel per kind and measure, each with the tail of its own healthy part.

Distances of different measures cannot be compared as they are: ripple has a heavier tail than on-time. Each channel
therefore turns its distance into the rate at which a healthy hour shows as much. The smallest of these rates leads,
and because many channels are looked at, the smallest is small more often: its own tail, fitted in the same way, gives
the rate over all kinds together. Correlation between the channels is in the data and needs no correction.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from miner.suspicion.baseline import Distance
from miner.suspicion.context import Context
from miner.suspicion.rate import Prior, Tail, fit_tail
from miner.suspicion.rhythm import RHYTHM
from miner.suspicion.threads import side_by_side

__all__ = ["Channel", "combined_log_rate", "distance_channels", "forest_channel"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]

CALM = Prior(scale=1.0, scale_spread=0.4, shape=0.05, shape_spread=0.15)
LIVELY = Prior(scale=1.2, scale_spread=0.4, shape=0.2, shape_spread=0.2)
EDGE = Prior(scale=1.5, scale_spread=0.4, shape=0.3, shape_spread=0.2, left_out=0.125)
COMBINED = Prior(scale=1.0, scale_spread=0.3, shape=0.02, shape_spread=0.1, left_out=0.0)
LEAST_VALUES = 8
RHYTHM_HABIT = 0.7
"""Spark timing that jumps (retard against knock, at gear changes) is the engine's habit where it does in most parts of
the recording; other faults that often are faults all the same."""


@dataclass(frozen=True, kw_only=True)
class Channel:
    """One kind read off one measure in one direction.

    Attributes
    ----------
    kind : str
    distance : int
        Index in the list of distances; -1 for the forest.
    sign : int
        1: above usual, -1: below.
    log_rate : ndarray (n,)
        Natural log of the healthy exceedances per hour; +inf where it says nothing.
    strata : ndarray (n,)
        Which tail each row answers to; -1: none.
    left_out : ndarray (n,)
        Rows too far out, and too many, to have been taken for healthy by their tail.
    tails : tuple of Tail
        The fitted tails, calm rows first.
    """

    kind: str
    distance: int
    sign: int
    log_rate: Singles
    strata: NDArray[np.int8]
    left_out: Bools
    tails: tuple[Tail, ...]


def distance_channels(distances: list[Distance], context: Context) -> list[Channel]:
    """Return one channel for each kind that a measure can show.

    The tail is fitted to half the square of the distance: under a normal law that is close to exponential with scale
    one, which is what the prior says, and no distance is ever impossible.
    """
    named = [
        (index, sign, kind)
        for index, distance in enumerate(distances)
        for sign, kind in ((-1, distance.measure.low), (1, distance.measure.high))
        if kind is not None
    ]

    def channel(one: tuple[int, int, str]) -> Channel:
        index, sign, kind = one
        z = distances[index].z.astype(np.float64)
        size = np.where(np.isfinite(z), np.maximum(sign * z, 0.0), np.nan)
        rhythm = distances[index].measure.column in RHYTHM
        answer = _answer(0.5 * size**2, context, habit=RHYTHM_HABIT if rhythm else None)
        answer["log_rate"] = np.fmax(answer["log_rate"], _normal_log_rate(size, context)).astype(np.float32)
        return Channel(kind=kind, distance=index, sign=sign, **answer)

    return side_by_side(channel, named)


def _normal_log_rate(size: Floats, context: Context) -> Floats:
    """Return the log rate under a normal law: no distance is believed to be rarer than that."""
    from scipy.special import log_ndtr

    return np.asarray(log_ndtr(-size) + np.log(np.isfinite(size).sum() / context.hours), dtype=np.float64)


def forest_channel(rarity: Floats, context: Context) -> Channel:
    """Return the channel of the forest; rows that were not scored lie below every other."""
    answer = _answer(np.where(np.isfinite(rarity), rarity, np.nan), context)
    return Channel(kind="unusual", distance=-1, sign=1, **answer)


def _answer(size: Floats, context: Context, *, habit: float | None = None) -> dict[str, Any]:
    """Fit calm and lively rows, and starts and stops apart, so that each answers for itself.

    Returns ``log_rate``, ``strata``, ``left_out`` and ``tails`` of a `Channel`.
    """
    log_rate = np.full(size.size, np.inf, dtype=np.float32)
    answers, left_out = np.full(size.size, -1, dtype=np.int8), np.zeros(size.size, dtype=np.bool_)
    tails: list[Tail] = []
    for stratum, prior in enumerate((CALM if habit is None else LIVELY, LIVELY, EDGE)):
        rows = (context.strata == stratum) & np.isfinite(size)
        if rows.sum() >= LEAST_VALUES:
            taught = rows & context.learns
            taught = taught if taught.sum() >= LEAST_VALUES else rows
            tail = fit_tail(size[taught], hours=context.hours, prior=prior, time_s=context.time_s[taught], habit=habit)
            log_rate[rows], answers[rows] = tail.log_rate(size[rows]), len(tails)
            left_out[rows] = (size[rows] > tail.peaks.max(initial=-np.inf)) & (tail.n_above_limit > 0)
            tails.append(tail)
    return {"log_rate": log_rate, "strata": answers, "left_out": left_out, "tails": tuple(tails)}


def combined_log_rate(channels: list[Channel], context: Context) -> tuple[Floats, Tail | None]:
    """Return the log of the rate over all channels together, +inf where none speaks, and its tail.

    The tail is that of the trusted rows that the channel which leads them did not leave out: what is healthy was
    settled there. A row that taught no channel was left out by none, however wild it is.
    """
    least = np.full(context.time_s.size, np.inf)
    for channel in channels:
        np.minimum(least, channel.log_rate, out=least)
    healthy = np.ones(context.time_s.size, dtype=np.bool_)
    for channel in channels:
        healthy &= ~channel.left_out | (channel.log_rate > least)
    rows = np.isfinite(least)
    if not rows.any():
        return least, None
    healthy &= rows & context.learns
    healthy = healthy if healthy.any() else rows
    tail = fit_tail(-least[healthy], hours=context.hours, prior=COMBINED, time_s=context.time_s[healthy])
    out = np.full(least.size, np.inf)
    out[rows] = tail.log_rate(-least[rows])
    return out, tail
