"""From a distance to a rate: how many events this far out would a healthy hour show.

Peaks over a threshold follow a generalized Pareto law (Pickands, Annals of Statistics 3, 1975; from memory).
Planted or real faults sit in the far tail of the very data the law is fitted to. They must not fatten it, so the
fit looks at a stretch ``threshold < x < limit`` only (the likelihood is conditional on it and does not know how
many lie above), and the limit is raised step by step as long as no more values lie above it than the fit expects.
On a healthy recording it ends with all values in the fit, on a faulty one below its faults.
A weak prior (penalized likelihood, Coles and Dixon, Extremes 2, 1999; from memory) keeps short recordings sensible.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ParetoFit", "Prior", "Tail", "fit_pareto", "fit_tail"]

Floats = NDArray[np.float64]

MAX_PEAKS = 4000
PEAK_SHARE = 0.03
"""Of the values that are peaks: more than the fiftieth that may be faulty, but no more, for a law of the far tail
(own choice)."""

EXCESS_CHANCE = 1e-6
MISFIT = 3.0
"""So many times more above a limit than the law expects may be the law's fault; more than that are not healthy (own
choice: faults stand apart from the rest, at distances where next to none are expected)."""

SHOWN_BY_EACH = 5
"""Occasions on which every cylinder must be so far out for it to be what the engine computer, or a load, does: one
fault does not visit all of them so often (own choice)."""

CLUSTER_S = 0.5
LAW_SHARE = 1e-3
"""Of what the law says below a rate that counts rule out: enough to keep the larger of two values ahead."""

_SHAPE_FLOOR = 1e-6


@dataclass(frozen=True, kw_only=True)
class Prior:
    """What is believed of a tail before seeing it: exponential, unless the data say otherwise.

    Attributes
    ----------
    scale, scale_spread : float
        Centre and spread (natural log) of the scale.
    shape, shape_spread : float
        Centre and spread of the shape; 0 is an exponential tail, above 0 heavier.
    left_out : float
        Share of the peaks that the first fit leaves out; small where wild values are healthy more often than not.
    """

    scale: float = 1.0
    scale_spread: float = 0.4
    shape: float = 0.05
    shape_spread: float = 0.15
    left_out: float = 0.5


@dataclass(frozen=True, kw_only=True)
class ParetoFit:
    """A generalized Pareto law for the excess over a threshold."""

    scale: float
    shape: float

    def log_survival(self, excess: Floats) -> Floats:
        """Return the natural log of the chance that an excess is larger."""
        if abs(self.shape) < _SHAPE_FLOOR:
            return -excess / self.scale
        inside = np.maximum(1 + self.shape * excess / self.scale, 1e-300)
        return -np.log(inside) / self.shape


def fit_pareto(
    excess: Floats,
    *,
    limit: float | None = None,
    prior: Prior | None = None,
    lowest_shape: float = -0.5,
    independent: float = 1.0,
) -> ParetoFit:
    """Fit the generalized Pareto law by maximum likelihood.

    Parameters
    ----------
    excess : ndarray
        Values above the threshold minus the threshold, positive.
    limit : float, optional
        Only values below this excess were kept, and it is not known how many lie above.
    prior : Prior, optional
        Without it, plain maximum likelihood.
    lowest_shape : float, default=-0.5
        Below 0 the law has an end; 0 forbids it, so that no value is ever called impossible.
    independent : float, default=1
        Share of the values that are independent of each other; the weight of the data against the prior.
    """
    from scipy.optimize import minimize

    mean = max(float(np.mean(excess)), 1e-12)

    def loss(p: Floats) -> float:
        log_scale, shape = float(p[0]), float(p[1])
        return independent * _loss(excess / mean, log_scale, shape, None if limit is None else limit / mean) + _penalty(
            log_scale + np.log(mean), shape, prior
        )

    start = np.array([0.0, max(0.05, lowest_shape)])
    bounds = [(-5.0, 5.0), (lowest_shape, 1.5)]
    found = minimize(loss, start, method="Nelder-Mead", bounds=bounds, options={"xatol": 1e-5, "fatol": 1e-7})
    return ParetoFit(scale=float(np.exp(found.x[0])) * mean, shape=float(found.x[1]))


def _loss(x: Floats, log_scale: float, shape: float, limit: float | None) -> float:
    """Return the negative log-likelihood of excesses with mean one."""
    law = ParetoFit(scale=float(np.exp(log_scale)), shape=shape)
    if shape < 0 and 1 + shape * float(x.max()) / law.scale <= 0:
        return 1e12
    total = x.size * log_scale - (1 + shape) * float(np.sum(law.log_survival(x)))
    if limit is not None:
        total += x.size * float(np.log(-np.expm1(min(float(law.log_survival(np.array(limit))), -1e-12))))
    return total


def _penalty(log_scale: float, shape: float, prior: Prior | None) -> float:
    if prior is None:
        return 0.0
    scale_off = (log_scale - float(np.log(prior.scale))) / prior.scale_spread
    shape_off = (shape - prior.shape) / prior.shape_spread
    return 0.5 * (scale_off**2 + shape_off**2)


@dataclass(frozen=True, kw_only=True)
class Tail:
    """Rate of exceedance, per hour, of every value: counted below the threshold, from the law above it.

    Attributes
    ----------
    threshold : float
    rate_at_threshold : float
        Healthy values above the threshold in an hour.
    law : ParetoFit
    n_peaks, n_above_limit : int
        Values above the threshold, and those of them the fit was not allowed to see.
    n_shared : int
        Values that the fit saw only because every cylinder shows the like.
    grid, grid_log_rate : ndarray
        Values up to the threshold and the natural log of their counted rate, for interpolation.
    peaks, least_log_rate : ndarray
        The healthy values above the threshold, ascending, and the log of the rate that their number rules out to be
        lower: whatever the law says, what was seen so often is not so rare.
    """

    threshold: float
    rate_at_threshold: float
    law: ParetoFit
    n_peaks: int
    n_above_limit: int
    n_shared: int
    grid: Floats
    grid_log_rate: Floats
    peaks: Floats
    least_log_rate: Floats

    def log_rate(self, x: Floats) -> Floats:
        """Return the natural log of the rate per hour at which a healthy recording exceeds ``x``; falls with ``x``."""
        below = np.interp(x, self.grid, self.grid_log_rate)
        above = np.log(self.rate_at_threshold) + self.law.log_survival(np.maximum(x - self.threshold, 0.0))
        least = np.append(self.least_log_rate, -np.inf)[np.searchsorted(self.peaks, x)]
        held = least + LAW_SHARE * np.minimum(above - least, 0.0)
        return np.where(x > self.threshold, np.maximum(above, held), below)


def fit_tail(
    values: Floats,
    *,
    hours: float,
    prior: Prior,
    time_s: Floats | None = None,
    series: NDArray[np.int64] | None = None,
) -> Tail:
    """Fit the tail of the healthy part of ``values``; larger is more suspicious.

    Parameters
    ----------
    values : ndarray of shape (n,), n >= 1
    hours : float
        Length of the recording the values come from.
    prior : Prior
    time_s : ndarray of shape (n,), optional
        When each value happened, ascending. Peaks less than `CLUSTER_S` apart are one occasion: unusual moments last,
        and ten peaks in one gear change are not ten reasons to believe in them.
    series : ndarray of shape (n,), optional
        Cylinder of each value. How far out every one of several cylinders was `SHOWN_BY_EACH` times is healthy.
    """
    order = np.argsort(-values, kind="stable")
    ordered = values[order]
    n_peaks = int(np.clip(PEAK_SHARE * ordered.size, min(30, ordered.size // 2), MAX_PEAKS))
    threshold = float(ordered[n_peaks]) if n_peaks < ordered.size else float(ordered[-1])
    excess = ordered[:n_peaks] - threshold
    moments = (order.astype(np.float64) if time_s is None else time_s[order])[:n_peaks]  # without times each is its own
    n_alone = n_peaks if series is None else _n_alone(moments, series[order[:n_peaks]], np.unique(series))
    law, n_above, n_shared = _healthy_law(excess, prior, moments, n_alone)
    share_seen = 1.0
    if n_above:
        share_seen = -float(np.expm1(law.log_survival(np.array(excess[n_above - 1]))))
    n_healthy = max((n_peaks - n_above) / share_seen, 0.5)
    grid, log_rate = _counted(ordered, n_peaks, n_healthy, hours)
    healthy = slice(n_above, n_peaks)
    occasions = _occasions_so_far(moments[healthy])
    return Tail(
        threshold=threshold, rate_at_threshold=n_healthy / hours, law=law, n_peaks=n_peaks, n_above_limit=n_above,
        n_shared=n_shared, grid=grid, grid_log_rate=log_rate,
        peaks=ordered[healthy][::-1], least_log_rate=_least_log_rate(occasions, hours)[::-1],
    )  # fmt: skip


def _n_alone(time_s: Floats, series: NDArray[np.int64], all_series: NDArray[np.int64]) -> int:
    """Return how many of the largest values (n,), descending, lie further out than every series was often enough."""
    if all_series.size < 2:
        return time_s.size
    n_alone = 0
    for one in all_series:
        own = np.flatnonzero(series == one)
        enough = np.flatnonzero(_occasions_so_far(time_s[own]) >= SHOWN_BY_EACH)
        n_alone = max(n_alone, int(own[enough[0]]) if enough.size else time_s.size)
    return n_alone


def _healthy_law(excess: Floats, prior: Prior, time_s: Floats, n_alone: int) -> tuple[ParetoFit, int, int]:
    """Return the law, how many of the largest values it leaves out, and how many more but for `SHOWN_BY_EACH`.

    ``excess`` descends; the ``n_alone`` largest are further out than every cylinder was so often.
    """
    from scipy.stats import poisson

    if excess.size < 4 or excess[excess.size // 2 - 1] <= 0:
        return ParetoFit(scale=prior.scale, shape=prior.shape + prior.shape_spread), 0, 0

    def fit(n_out: int) -> tuple[ParetoFit, float]:
        occasions = _occasions(time_s[n_out:]) / (excess.size - n_out)
        limit = float(excess[n_out - 1]) if n_out else None
        seen = np.maximum(excess[n_out:], 1e-12)
        return fit_pareto(seen, limit=limit, prior=prior, lowest_shape=0.0, independent=occasions), occasions

    left_out = int(prior.left_out * excess.size)
    law, independent = fit(left_out)
    while left_out:
        n_next = left_out // 2
        n_above = max(n_next, 1)
        n_in = excess.size - left_out
        chance = np.exp(law.log_survival(np.array([excess[left_out - 1], excess[n_above - 1]])))
        expected = independent * n_in * float(chance[1]) / (1 - min(float(chance[0]), 1 - 1e-9))
        found = _occasions(time_s[:n_above])
        too_many = poisson.sf(np.ceil(found) - 1, expected * MISFIT) < EXCESS_CHANCE
        if too_many:
            break
        left_out = n_next
        law, independent = fit(left_out)
    if n_alone < left_out:
        return fit(n_alone)[0], n_alone, left_out - n_alone
    return law, left_out, 0


def _occasions(time_s: Floats) -> int:
    """Return how many groups of moments lie more than `CLUSTER_S` apart."""
    return int(np.sum(np.diff(np.sort(time_s)) > CLUSTER_S)) + 1


def _occasions_so_far(time_s: Floats) -> NDArray[np.int64]:
    """Return, for each moment, how many occasions it and those before it in the list make."""
    seen: list[float] = []
    count = np.empty(time_s.size, dtype=np.int64)
    n = 0
    for k, moment in enumerate(time_s.tolist()):
        at = bisect_left(seen, moment)
        near_before = at > 0 and moment - seen[at - 1] <= CLUSTER_S
        near_after = at < len(seen) and seen[at] - moment <= CLUSTER_S
        joined = near_before and near_after and seen[at] - seen[at - 1] > CLUSTER_S
        n += 0 if near_before or near_after else 1
        n -= 1 if joined else 0
        seen.insert(at, moment)
        count[k] = n
    return count


def _least_log_rate(occasions: NDArray[np.int64], hours: float) -> Floats:
    """Return the log of the lower 95 % limit of the rate that a count stands for (Garwood 1936)."""
    from scipy.special import gammaincinv

    return np.asarray(np.log(gammaincinv(np.maximum(occasions, 1), 0.05) / hours), dtype=np.float64)


def _counted(ordered: Floats, n_peaks: int, n_healthy: float, hours: float) -> tuple[Floats, Floats]:
    """Return an ascending grid of values up to the threshold with the log of their counted rate."""
    n = ordered.size
    rank = np.unique(np.linspace(min(n_peaks, n - 1), n - 1, 200).astype(np.int64))
    grid = ordered[rank][::-1]
    count = (rank + (n_healthy - n_peaks))[::-1]
    keep = np.concatenate([np.diff(grid) > 0, [True]])
    return grid[keep], np.log(np.maximum(count[keep], 0.5) / hours)
