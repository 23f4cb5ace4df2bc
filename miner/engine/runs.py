"""Runs of true flags, in order."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["lasting_runs", "runs_of"]

Bools = NDArray[np.bool_]


def runs_of(flags: Bools) -> NDArray[np.int64]:
    """Return the half-open runs of true flags, an array (k, 2).

    Examples
    --------
    >>> runs_of(np.array([True, False, True, True])).tolist()
    [[0, 1], [2, 4]]
    """
    return np.flatnonzero(np.diff(flags.astype(np.int8), prepend=np.int8(0), append=np.int8(0))).reshape(-1, 2)


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
