"""The judge: learns from a recording what is usual and how rare what is not, and judges events by it.

    log rate of an event = least over (channels: distance -> tail of its healthy part) -> tail of the least

`fit` learns, `score` judges; ranking, sensitivity and comparison use the same two.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.expected.context import Context, build_context
from miner.expected.distance import Distance, Expectation, fit_expectations
from miner.expected.least import Resolution
from miner.expected.measures import Measure
from miner.expected.place import explain_place
from miner.expected.threads import one_core, side_by_side
from miner.rarity.counts import Counted, count_suspects
from miner.rarity.tails import Prior, Tail, fit_tail

__all__ = ["Channel", "Judge", "Judgement", "fit_judge"]

_Floats = NDArray[np.float64]
_Singles = NDArray[np.float32]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

CALM = Prior(scale=1.0, scale_spread=0.4, shape=0.05, shape_spread=0.15)
LIVELY = Prior(scale=1.2, scale_spread=0.4, shape=0.2, shape_spread=0.2)
EDGE = Prior(scale=1.5, scale_spread=0.4, shape=0.3, shape_spread=0.2, left_out=0.125)
COMBINED = Prior(scale=1.0, scale_spread=0.3, shape=0.02, shape_spread=0.1, left_out=0.0)
STRATA, FIRST_LAST = (CALM, LIVELY, EDGE, EDGE), 3
LEAST_VALUES = 8
MIXED_SHARE = 0.5
"""Of the least difference that matters, in two measures at least: what makes a mixture matter (own choice)."""

MIXED_CLIP = 4.5
"""Sigma that one measure may add to a mixture at most: further out it speaks for itself."""


@dataclass(frozen=True, kw_only=True)
class Channel:
    """One way of being odd: a measure in one direction, or (``measure`` None) a mixture of small oddities."""

    kind: str
    measure: Measure | None
    sign: int


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """What is known of every event.

    Attributes
    ----------
    log_rate : ndarray (n,)
        Natural log of the false alarms an hour; lower is more suspicious.
    channels : tuple of Channel
    by_channel : ndarray (channels, n)
        Log rate of each alone, +inf where it says nothing or the difference does not matter in a workshop.
    distances : list of Distance
    counted : list of Counted
    context : Context
    n_too_small : int
        Events that would be rarer than once an hour, but for differences too small to matter in a workshop.
    notes : list of str
        What is not listed because all cylinders do it, or only in part because one does it all the time.
    """

    log_rate: _Floats
    channels: tuple[Channel, ...]
    by_channel: _Singles
    distances: list[Distance]
    counted: list[Counted]
    context: Context
    n_too_small: int
    notes: list[str]

    @property
    def bounded_log_rate(self) -> _Floats:
        """The log rate, no higher than that of all events: none is more common than all of them, (n,)."""
        most = np.log(max(self.log_rate.size, 1) / self.context.hours)
        return np.minimum(self.log_rate, most)


@dataclass(frozen=True, kw_only=True)
class Judge:
    """Fitted by `fit_judge`."""

    setup: Setup
    expectations: list[Expectation]
    channels: tuple[Channel, ...]
    tails: tuple[tuple[Tail | None, ...], ...]
    combined: Tail | None
    in_hour: float
    hours: float

    def score(self, events: pa.Table) -> Judgement:
        """Judge every event."""
        context = build_context(events, self.setup)
        with one_core():
            return self._judgement(events, context, _distances(self.expectations, events, context))

    def _judgement(self, events: pa.Table, context: Context, distances: list[Distance]) -> Judgement:
        rates = side_by_side(lambda one: self._rates(one, distances, context), list(range(len(self.channels))))
        by_channel = np.stack(rates) if rates else np.empty((0, context.time_s.size), dtype=np.float32)
        matters = _matters(self.channels, distances, context.time_s.size)
        least_any = by_channel.min(axis=0, initial=np.inf)
        by_channel[~matters] = np.inf
        least = by_channel.min(axis=0, initial=np.inf).astype(np.float64)
        measured = np.full(least.size, np.inf)
        known = np.isfinite(least)
        if self.combined is not None:
            together = np.maximum(self.combined.log_rate(-least[known]), least[known])
            measured[known] = _believed(together, self._furthest(by_channel, distances)[known], self.hours)
        gross = _gross(self.channels, distances, least.size) & (context.strata < FIRST_LAST)
        measured[gross] = np.minimum(measured[gross], np.log(GROSS_RATE))
        counted, notes = count_suspects(events, context)
        notes += _shared_notes(self.channels, self.tails)
        log_rate = np.minimum.reduce([measured, *(np.log(c.rate) for c in counted)])
        too_small = int(np.sum((least_any < 0) & ~(least < 0)))
        return Judgement(
            log_rate=log_rate, channels=self.channels, by_channel=by_channel, distances=distances, counted=counted,
            context=context, n_too_small=too_small, notes=notes,
        )  # fmt: skip

    def _furthest(self, by_channel: _Singles, distances: list[Distance]) -> _Floats:
        """Return how far out each event is (n,) in the channel where it is rarest, half the square of sigma."""
        if not self.channels:
            return np.zeros(by_channel.shape[1])
        rarest = by_channel.argmin(axis=0)
        out = np.zeros(rarest.size)
        for index, channel in enumerate(self.channels):
            rows = rarest == index
            out[rows] = np.nan_to_num(_oddness(channel, distances)[rows])
        return out

    def sigma_needed(self, kind: str) -> float:
        """Return the distance from which a calm event of a kind is rarer than once an hour; infinite: never."""
        for channel, tails in zip(self.channels, self.tails, strict=True):
            if channel.kind == kind and channel.measure is not None and tails[0] is not None and self.combined:
                sigma = np.linspace(2.0, 40.0, 400)
                rate = np.maximum(tails[0].log_rate(0.5 * sigma**2), _normal(0.5 * sigma**2, self.in_hour))
                rare = np.flatnonzero(self.combined.log_rate(-rate) <= 0.0)
                return float(sigma[rare[0]]) if rare.size else float("inf")
        return float("inf")

    def _rates(self, index: int, distances: list[Distance], context: Context) -> _Singles:
        x = _oddness(self.channels[index], distances)
        out = np.full(x.size, np.inf, dtype=np.float32)
        for stratum, tail in enumerate(self.tails[index]):
            rows = (context.strata == stratum) & np.isfinite(x)
            if tail is not None:
                out[rows] = np.maximum(tail.log_rate(x[rows]), _normal(x[rows], self.in_hour))
        return out


def fit_judge(events: pa.Table, setup: Setup, resolution: Resolution | None = None) -> tuple[Judge, Judgement]:
    """Learn from a recording; returned with its own verdict."""
    context = build_context(events, setup)
    with one_core():
        fitted = fit_expectations(events, context, resolution or Resolution())
        expectations = [one for one, _ in fitted]
        distances = explain_place([distance for _, distance in fitted], events, context)
        channels = _channels(distances)
        fits = side_by_side(
            lambda channel: _tails(_oddness(channel, distances), context, not _pooled(channel)), list(channels)
        )
        tails = tuple(tuple(tail for tail, _ in fit) for fit in fits)
        judge = Judge(
            setup=setup,
            expectations=expectations,
            channels=channels,
            tails=tails,
            combined=None,
            in_hour=context.time_s.size / context.hours,
            hours=context.hours,
        )
        judge = _with_combined(judge, [np.any([o for _, o in fit], axis=0) for fit in fits], distances, context)
        return judge, judge._judgement(events, context, distances)


def _distances(expectations: list[Expectation], events: pa.Table, context: Context) -> list[Distance]:
    found = side_by_side(lambda one: one.distance(events, context), expectations)
    return explain_place(found, events, context)


def _channels(distances: list[Distance]) -> tuple[Channel, ...]:
    named = [
        Channel(kind=kind, measure=d.measure, sign=sign)
        for d in distances
        for sign, kind in ((-1, d.measure.low), (1, d.measure.high))
        if kind is not None
    ]
    return (*named, Channel(kind="unusual", measure=None, sign=1)) if len(distances) > 1 else tuple(named)


def _pooled(channel: Channel) -> bool:
    return channel.measure is not None and channel.measure.pooled


def _shared_notes(channels: tuple[Channel, ...], tails: tuple[tuple[Tail | None, ...], ...]) -> list[str]:
    """Return, in one sentence, what is less rare than it looks because every cylinder shows the like."""
    labels = [
        channel.measure.label.lower()
        for channel, of_strata in zip(channels, tails, strict=True)
        if channel.measure is not None and any(tail is not None and tail.n_shared for tail in of_strata)
    ]
    if not labels:
        return []
    told = ", ".join(dict.fromkeys(labels))
    return [f"all cylinders alike stray now and then in {told}: taken for what this engine does, and so for less rare"]


def _oddness(channel: Channel, distances: list[Distance]) -> _Floats:
    """Return half the square of the distance (n,), near exponential with scale one under a normal law."""
    from scipy.special import gammaincc

    if channel.measure is not None:
        z = next(d.z for d in distances if d.measure is channel.measure).astype(np.float64)
        return np.where(np.isfinite(z), 0.5 * np.maximum(channel.sign * z, 0.0) ** 2, np.nan)
    z2 = np.stack([np.minimum(np.abs(d.z), MIXED_CLIP).astype(np.float64) ** 2 for d in distances])
    n = np.isfinite(z2).sum(axis=0)
    chance = gammaincc(np.maximum(n, 1) / 2.0, np.nansum(z2, axis=0) / 2.0)
    return np.where(n >= 2, -np.log(np.maximum(chance, 1e-300)), np.nan)


GROSS_RATE, GROSS_SIGMA, ROUNDING = 0.5, 5.0, 0.8
"""Gross differences an hour that a healthy engine is believed to show at most, however little a recording can teach
(an assumption, no source), the very first and last apart; they must be beyond the noise all the same, and the range of
usual values rounds them."""


def _gross(channels: tuple[Channel, ...], distances: list[Distance], n_events: int) -> _Bools:
    """Return which events (n,) are off by so much that no lack of experience excuses them."""
    found = np.zeros(n_events, dtype=np.bool_)
    by_measure = {id(d.measure): d for d in distances}
    for channel in channels:
        if channel.measure is not None and np.isfinite(channel.measure.gross):
            d = by_measure[id(channel.measure)]
            off = channel.sign * np.expm1(d.residual)
            found |= (off >= ROUNDING * channel.measure.gross) & (channel.sign * d.z >= GROSS_SIGMA)
    return found


FURTHEST, BEYOND = 1e-3, 0.5
"""Of one over the hours that taught a tail: rarer than that nobody can tell. What lies beyond is put in the order of
its distance, by so much in the log for each time it is e times as large (own choice): two laws differ more there than
the events."""


def _believed(log_rate: _Floats, distance: _Floats, hours: float) -> _Floats:
    """Return the rates with no more than a recording of so many hours can teach."""
    limit = np.log(FURTHEST / max(hours, 1e-3))
    return np.where(log_rate < limit, limit - BEYOND * np.log1p(distance), log_rate)


def _normal(x: _Floats, in_hour: float) -> _Floats:
    from scipy.special import log_ndtr

    return np.asarray(log_ndtr(-np.sqrt(2.0 * x)) + np.log(in_hour), dtype=np.float64)


def _tails(x: _Floats, context: Context, by_cylinder: bool) -> list[tuple[Tail | None, _Bools]]:
    """Return the tail of each stratum and the rows it left out as too far out and too many for healthy."""
    out: list[tuple[Tail | None, _Bools]] = []
    for stratum, prior in enumerate(STRATA):
        rows = (context.strata == stratum) & np.isfinite(x)
        left_out = np.zeros(x.size, dtype=np.bool_)
        tail = None
        if rows.sum() >= LEAST_VALUES:
            taught = rows & context.learns
            taught = taught if taught.sum() >= LEAST_VALUES else rows
            series = context.group[taught] if by_cylinder else None
            moments = context.time_s[taught]
            tail = fit_tail(x[taught], hours=context.hours, prior=prior, time_s=moments, series=series)
            left_out[rows] = (x[rows] > tail.peaks.max(initial=-np.inf)) & (tail.n_above_limit > 0)
        out.append((tail, left_out))
    return out


def _with_combined(judge: Judge, left_out: list[_Bools], distances: list[Distance], context: Context) -> Judge:
    from dataclasses import replace

    rates = side_by_side(lambda one: judge._rates(one, distances, context), list(range(len(judge.channels))))
    if not rates:
        return judge
    least = np.minimum.reduce(rates)
    healthy = np.isfinite(least) & context.learns
    for rate, out in zip(rates, left_out, strict=True):
        healthy &= ~out | (rate > least)
    if healthy.sum() < LEAST_VALUES:
        return judge
    tail = fit_tail(
        -least[healthy].astype(np.float64), hours=context.hours, prior=COMBINED, time_s=context.time_s[healthy]
    )
    return replace(judge, combined=tail)


def _matters(channels: tuple[Channel, ...], distances: list[Distance], n_events: int) -> _Bools:
    """Return (channels, n): where the difference is one that matters in a workshop."""
    share = {id(d.measure): least_share(d) for d in distances}
    out = np.ones((len(channels), n_events), dtype=np.bool_)
    for index, channel in enumerate(channels):
        if channel.measure is not None:
            out[index] = channel.sign * share[id(channel.measure)] >= 1.0
        else:
            out[index] = np.sum(np.abs(np.stack(list(share.values()))) >= MIXED_SHARE, axis=0) >= 2
    return out


def least_share(distance: Distance) -> _Singles:
    """Return each difference over the least that matters (n,), signed."""
    return np.asarray(
        np.nan_to_num(distance.residual / np.maximum(distance.least, 1.5 * distance.step)), dtype=np.float32
    )
