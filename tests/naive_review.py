"""Slow, obvious versions of what the review computes."""

from __future__ import annotations

import math
from collections.abc import Sequence


def extremes(values: Sequence[float], n_per_block: int) -> tuple[list[float], list[float]]:
    """Smallest and largest of each block, NaN skipped."""
    low, high = [], []
    for start in range(0, len(values), n_per_block):
        block = [v for v in values[start : start + n_per_block] if not math.isnan(v)]
        low.append(min(block, default=math.nan))
        high.append(max(block, default=math.nan))
    return low, high


def sample_times(rate_hz: float, n_samples: int, gaps: Sequence[tuple[int, float]]) -> list[float]:
    """Time of each sample; ``gaps`` are (first sample after the gap, seconds from the sample before it)."""
    times, step_after = [0.0], dict(gaps)
    for i in range(1, n_samples):
        times.append(times[-1] + step_after.get(i, 1 / rate_hz))
    return times
