"""Exact smallest and largest values of each lead over blocks of samples, at every coarseness.

Mining leaves the finest level (4096 samples a block) in ``envelope.parquet``; coarser levels are made from it when
the review opens. Picking the level by the width of the view keeps every step as cheap as a few thousand numbers.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

__all__ = ["BLOCK_SAMPLES", "EnvelopeLevels", "coarser", "extremes_of_blocks"]

BLOCK_SAMPLES = 4096
"""Samples a block at the finest level."""

_FACTOR = 4

Floats = NDArray[np.float32]
Number = TypeVar("Number", bound=np.generic)


def extremes_of_blocks(values: NDArray[Number], n_per_block: int) -> tuple[NDArray[Number], NDArray[Number]]:
    """Return smallest and largest of each block of consecutive values; the last block may be shorter.

    Parameters
    ----------
    values : ndarray of shape (n,)
        Any numeric type; NaN is skipped, a block of nothing but NaN gives NaN.
    n_per_block : int
        Values a block.

    Returns
    -------
    low, high : ndarray of shape (ceil(n / n_per_block),)
    """
    if not len(values):
        return values, values
    whole = len(values) // n_per_block * n_per_block
    body, rest = values[:whole].reshape(-1, n_per_block), values[whole:]
    low, high = np.fmin.reduce(body, axis=1), np.fmax.reduce(body, axis=1)
    if len(rest):
        low, high = np.append(low, np.fmin.reduce(rest)), np.append(high, np.fmax.reduce(rest))
    return low, high


def coarser(low: Floats, high: Floats, factor: int = _FACTOR) -> tuple[Floats, Floats]:
    """Return the envelope with ``factor`` blocks joined into one."""
    return extremes_of_blocks(low, factor)[0], extremes_of_blocks(high, factor)[1]


@dataclass(frozen=True)
class EnvelopeLevels:
    """Levels of (low, high) per lead, finest first; level ``k`` has ``BLOCK_SAMPLES * 4**k`` samples a block."""

    levels: tuple[dict[int, tuple[Floats, Floats]], ...]
    block_samples: int = BLOCK_SAMPLES

    @classmethod
    def from_tables(
        cls, tables: Iterable[pa.Table], block_samples: int = BLOCK_SAMPLES, *, joined: int = 1
    ) -> EnvelopeLevels:
        """Build all levels from the stored one, in pieces; blocks that are not listed hold nothing (NaN).

        The finest level has ``joined`` stored blocks in one.
        """
        levels = [_finest(tables, joined)]
        while max((len(low) for low, _ in levels[-1].values()), default=0) > 2 * _FACTOR:
            levels.append({lead: coarser(low, high) for lead, (low, high) in levels[-1].items()})
        return cls(tuple(levels), block_samples * joined)

    def pick(self, samples_per_bin: float) -> tuple[int, dict[int, tuple[Floats, Floats]]]:
        """Return (samples a block, values) of the coarsest level not coarser than asked, else of the finest."""
        level = 0
        while level + 1 < len(self.levels) and self.block_samples * _FACTOR ** (level + 1) <= samples_per_bin:
            level += 1
        return self.block_samples * _FACTOR**level, self.levels[level]


def _finest(tables: Iterable[pa.Table], joined: int) -> dict[int, tuple[Floats, Floats]]:
    out: dict[int, tuple[Floats, Floats]] = {}
    for table in tables:
        leads, blocks = table["lead"].to_numpy(), table["block"].to_numpy() // joined
        lows, highs = (_floats(table[name]) for name in ("min", "max"))
        for lead in np.unique(leads).tolist():
            mine = leads == lead
            n = int(blocks[mine].max()) + 1
            low, high = (_grown(values, n) for values in out.get(lead, (np.empty(0, np.float32),) * 2))
            np.fmin.at(low, blocks[mine], lows[mine])
            np.fmax.at(high, blocks[mine], highs[mine])
            out[lead] = (low, high)
    return out


def _grown(values: Floats, n: int) -> Floats:
    """Return values of at least n blocks, NaN in the new ones."""
    return values if len(values) >= n else np.append(values, np.full(n - len(values), np.nan, np.float32))


def _floats(column: pa.ChunkedArray) -> Floats:
    values: Floats = column.to_numpy(zero_copy_only=False).astype(np.float32, copy=False)
    return values
