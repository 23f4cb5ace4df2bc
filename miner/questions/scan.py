"""The range of a condition in which suspects crowd most, and whether chance would crowd them so."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["N_DRAWS", "Densest", "scan_ranges"]

N_DRAWS = 1999
"""Draws under a constant rate; the smallest p-value is one over this plus one."""

WIDEST_SHARE = 0.5
"""A range with more than half of the exposure is no special condition."""

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Densest:
    """Bands ``[start, stop)`` with the largest likelihood ratio, and its p-value over all ranges looked at."""

    start: int
    stop: int
    p_value: float


def scan_ranges(counts: _Ints, exposure: _Floats, *, seed: int) -> Densest | None:
    """Find the contiguous range of bands in which the rate is most convincingly raised.

    Scan statistic of Kulldorff, Communications in Statistics 26, 1997, 1481-1496 (from memory): for ``k`` of ``n``
    counts in a range that should have ``E``, the log likelihood ratio ``k ln(k/E) + (n-k) ln((n-k)/(n-E))`` where
    ``k > E``. Its largest value is compared with those of counts drawn at a constant rate.

    Parameters
    ----------
    counts, exposure : ndarray of shape (n_bands,)
        Bands in order; those without exposure join their neighbours.
    seed : int
        Of the draws.

    Returns
    -------
    Range or None
        None where no range is raised at all.
    """
    n, share = int(counts.sum()), exposure / exposure.sum()
    starts, stops = _ranges(share)
    if n == 0 or starts.size == 0:
        return None
    expected = n * (_sums(share)[stops] - _sums(share)[starts])
    seen = _ratios(counts[None, :], starts, stops, expected)[0]
    best = int(np.argmax(seen))
    if seen[best] <= 0:
        return None
    draws = np.random.default_rng(seed).multinomial(n, share, size=N_DRAWS)
    largest = np.concatenate([_ratios(part, starts, stops, expected).max(axis=1) for part in np.array_split(draws, 8)])
    more = int(np.count_nonzero(largest >= seen[best] * (1 - 1e-9)))
    return Densest(start=int(starts[best]), stop=int(stops[best]), p_value=(more + 1) / (N_DRAWS + 1))


def _ranges(share: _Floats) -> tuple[_Ints, _Ints]:
    """Return all ranges that begin and end in bands with exposure and are not too wide."""
    used = np.flatnonzero(share > 0)
    first, last = np.meshgrid(used, used, indexing="ij")
    sums = _sums(share)
    fits = (last >= first) & (sums[last + 1] - sums[first] <= WIDEST_SHARE)
    return first[fits], last[fits] + 1


def _sums(values: NDArray[np.float64] | _Ints) -> _Floats:
    return np.concatenate([[0.0], np.cumsum(values)])


def _ratios(counts: _Ints, starts: _Ints, stops: _Ints, expected: _Floats) -> _Floats:
    """Return the log likelihood ratio per row of counts and range."""
    n = counts[0].sum()
    sums = np.concatenate([np.zeros((len(counts), 1), dtype=np.int64), np.cumsum(counts, axis=1)], axis=1)
    k = (sums[:, stops] - sums[:, starts]).astype(np.float64)
    rest = n - k
    inside = k * np.log(np.maximum(k, 1.0) / expected)
    outside = rest * np.log(np.maximum(rest, 1.0) / (n - expected))
    return np.where(k > expected, inside + outside, 0.0)
