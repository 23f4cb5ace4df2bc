"""The list's own limits, as fitted on a recording, applied to a changed copy of it.

Planted faults sit in the tails that the limits are fitted to. So that thousands of them can be scored at once, the
tails of the untouched recording and the steps its cylinders share are kept, while everything else (usual values, noise,
distances) is worked out anew.
The forest is left out: it can only find more.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.suspicion.absence import count_suspects
from miner.suspicion.baseline import Distance, measure_distances
from miner.suspicion.channels import Channel, combined_log_rate, distance_channels
from miner.suspicion.context import Context, build_context
from miner.suspicion.rate import Tail
from miner.suspicion.rhythm import explain_rhythm
from miner.suspicion.shared import Steps
from miner.suspicion.threads import one_core

__all__ = ["FrozenLimits", "freeze_limits"]

_Floats = NDArray[np.float64]
_Singles = NDArray[np.float32]

_SEARCHED_SIGMA = np.linspace(0.5, 60.0, 1191)


@dataclass(frozen=True, kw_only=True)
class FrozenLimits:
    """Distances of a recording, and the tails fitted to them.

    Attributes
    ----------
    log_rate : ndarray of shape (n,)
        Natural log of the false alarms per hour of each event as it stands; +inf where nothing speaks.
    """

    setup: Setup
    context: Context
    distances: tuple[Distance, ...]
    channels: tuple[Channel, ...]
    tail: Tail | None
    log_rate: _Floats

    def rescore(self, events: pa.Table) -> _Floats:
        """Return the natural log of the false alarms per hour of each event of a changed copy, shape (n,)."""
        steps = {d.measure.column: d.steps for d in self.distances}  # planted events are no others
        distances, counted = _look(events, self.setup, steps)[1:]
        by_column = {d.measure.column: d for d in distances}
        least = np.full(events.num_rows, np.inf)
        for channel in self.channels:
            before = self.distances[channel.distance]
            now = by_column.get(before.measure.column)
            if now is not None:
                log_rate = _channel_log_rate(channel, before.z, now.z, self.context)
                np.minimum(least, log_rate.astype(np.float32), out=least)  # as precise as the channels' own
        return np.minimum(_combined(self.tail, least), counted)

    def sigma_needed(self, kind: str, column: str) -> float:
        """Return the distance from which on a calm event is listed at one false alarm an hour; NaN: no such kind."""
        for channel in self.channels:
            if channel.kind == kind and self.distances[channel.distance].measure.column == column and channel.tails:
                n_judged = int(np.isfinite(self.distances[channel.distance].z).sum())
                rate = _combined(self.tail, _judge(channel.tails[0], _SEARCHED_SIGMA, n_judged / self.context.hours))
                return float(_SEARCHED_SIGMA[np.argmax(rate <= 0.0)]) if (rate <= 0.0).any() else float("nan")
        return float("nan")

    def distance_of(self, column: str) -> Distance | None:
        """Return the distances of one column, None where it was not recorded."""
        return next((d for d in self.distances if d.measure.column == column), None)


def freeze_limits(events: pa.Table, setup: Setup) -> FrozenLimits:
    """Fit the limits of the list to a recording as it stands; ``events`` has at least one row."""
    context, distances, counted = _look(events, setup, {})
    channels = distance_channels(distances, context)
    measured, tail = combined_log_rate(channels, context)
    return FrozenLimits(
        setup=setup,
        context=context,
        distances=tuple(distances),
        channels=tuple(channels),
        tail=tail,
        log_rate=np.minimum(measured, counted),
    )


def _look(events: pa.Table, setup: Setup, steps: Mapping[str, Steps | None]) -> tuple[Context, list[Distance], _Floats]:
    """Return conditions, distances, and the log rate of what is counted rather than measured."""
    with one_core():
        context = build_context(events, setup)
        distances = explain_rhythm(measure_distances(events, context, steps=steps), events, context)
    counted = np.full(events.num_rows, np.inf)
    for kind in count_suspects(events, context)[0]:
        np.minimum(counted, np.log(kind.rate), out=counted)
    return context, distances, counted


def _channel_log_rate(channel: Channel, before: _Singles, now: _Singles, context: Context) -> _Floats:
    """Return the log rate of changed distances: each event answers to the tail of its stratum, as it did before.

    A distance where there was none before has no tail.
    """
    out = np.full(now.size, np.inf)
    in_hour = np.isfinite(before).sum() / context.hours
    for stratum, tail in enumerate(channel.tails):
        rows = (channel.strata == stratum) & np.isfinite(now)
        out[rows] = _judge(tail, np.maximum(channel.sign * now[rows].astype(np.float64), 0.0), in_hour)
    return out


def _judge(tail: Tail, size: _Floats, in_hour: float) -> _Floats:
    """Return the log rate of distances by a tail, never rarer than under a normal law of ``in_hour`` values."""
    from scipy.special import log_ndtr

    return np.asarray(np.maximum(tail.log_rate(0.5 * size**2), log_ndtr(-size) + np.log(in_hour)), dtype=np.float64)


def _combined(tail: Tail | None, least: _Floats) -> _Floats:
    out = np.full(least.size, np.inf)
    known = np.isfinite(least)
    if tail is not None:
        out[known] = tail.log_rate(-least[known])
    return out
