"""Flags that last."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from miner.recording.ranges import runs_of

__all__ = ["lasting_runs"]

Bools = NDArray[np.bool_]


def lasting_runs(flags: Bools, at_least: int) -> Bools:
    """Return the flags without runs shorter than ``at_least``.

    Examples
    --------
    >>> lasting_runs(np.array([True, False, True, True]), 2).tolist()
    [False, False, True, True]
    """
    lasting = np.zeros_like(flags)
    for first, stop in runs_of(flags):
        lasting[first:stop] = stop - first >= at_least
    return lasting
