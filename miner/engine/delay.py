"""The usual delay from command turn-on to the feedback's asserting edge, as it moves along the recording.

It follows coil supply voltage, so it can double or triple while the starter turns. The alignment takes it off the
feedback's time, so that a slot seen by feedback alone lies where its command would have been.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["usual_delay_s"]

LONGEST_S = 0.02
"""A feedback later than this after a command is another one's (coils charge within 20 ms; common practice)."""

N_NEIGHBOURS = 5
"""Pairs in the running median: the starter turns only a few cycles, so it has to be short."""


def usual_delay_s(
    command_s: NDArray[np.float64], feedback_s: NDArray[np.float64], at_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the usual delay at each instant; zeros when no pair is found.

    Parameters
    ----------
    command_s, feedback_s : ndarray of float64
        Turn-on of commands and asserting edges of feedback that answer them, ascending.
    at_s : ndarray of float64, shape (n,)
        Where it is wanted.

    Returns
    -------
    ndarray of float64, shape (n,)
        Seconds.
    """
    if not len(command_s) or not len(feedback_s):
        return np.zeros(len(at_s))
    following = np.searchsorted(feedback_s, command_s, side="left")
    known = following < len(feedback_s)
    gap = np.where(known, feedback_s[np.minimum(following, len(feedback_s) - 1)] - command_s, np.inf)
    usual = _mode(gap[(gap > 0) & (gap < LONGEST_S)])
    pairs = (gap > usual / 4) & (gap < usual * 4)
    if not pairs.any():
        return np.zeros(len(at_s))
    local = _running_median(gap[pairs], N_NEIGHBOURS)
    nearest = _nearest(command_s[pairs], at_s)
    return np.asarray(local[nearest])


def _mode(values: NDArray[np.float64]) -> float:
    """Return the half-sample mode of the logarithms (Bickel and Fruehwirth, 2006; from memory)."""
    if not len(values):
        return float("nan")
    kept = np.sort(np.log(values))
    while len(kept) > 3:
        half = (len(kept) + 1) // 2
        start = int(np.argmin(kept[half - 1 :] - kept[: len(kept) - half + 1]))
        kept = kept[start : start + half]
    return float(np.exp(np.median(kept)))


def _running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    side = width // 2
    padded = np.pad(values, side, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))


def _nearest(sorted_s: NDArray[np.float64], at_s: NDArray[np.float64]) -> NDArray[np.int64]:
    after = np.clip(np.searchsorted(sorted_s, at_s), 0, len(sorted_s) - 1)
    before = np.maximum(after - 1, 0)
    return np.where(np.abs(at_s - sorted_s[before]) <= np.abs(sorted_s[after] - at_s), before, after)
