"""Silence that is none of a fault's doing: all cylinders together, or in a fixed pattern at the highest speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.expected.context import Context
from miner.expected.robust import mad_sigma

__all__ = ["Pauses", "find_pauses"]

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

SHORT_PAUSE_S = 0.4
"""A single cylinder's silence from this long on is that of the engine (own choice)."""

COAST_SIGMA = 2.0
"""A fall of speed of this many usual changes from cycle to cycle is more than the unevenness of steady running."""

AT_THE_TOP = 0.98
"""Of the highest speed that is driven with all sparks: a limiter begins there, or nobody would drive faster (own
choice: its threshold, less what speed moves over a cycle)."""

REPEATS = 3
"""Times that a pattern must be seen to be one (own choice)."""


@dataclass(frozen=True, kw_only=True)
class Pauses:
    """Why events are silent, without a fault; all (n,).

    Attributes
    ----------
    paused : ndarray of bool
        Every cylinder is: a cut, a stop or a start.
    may_be_cut : ndarray of bool
        Several are while the engine was coasting already, which a short cut of the fuel looks like as well.
    limited : ndarray of bool
        A limiter leaves them out in turn.
    """

    paused: Bools
    may_be_cut: Bools
    limited: Bools


def find_pauses(silent: Bools, rows: Ints, context: Context) -> Pauses:
    """Tell the silence of the engine from that of a cylinder.

    Parameters
    ----------
    silent : ndarray (n,)
    rows : ndarray
        Events of cylinders that are watched.
    context : Context
    """
    paused, may_be_cut, limited = (np.zeros_like(silent) for _ in range(3))
    paused[rows], may_be_cut[rows] = _pauses(silent[rows], rows, context)
    limited[rows] = _limited(silent[rows], rows, context) & ~paused[rows]
    return Pauses(paused=paused, may_be_cut=may_be_cut, limited=limited)


def _pauses(silent: Bools, rows: NDArray[np.int64], context: Context) -> tuple[Bools, Bools]:
    """Return which ``rows`` lie in a stretch where every cylinder is silent: a cut, a stop or a start, not a fault.

    That is a run over two whole cycles, or, where only one cylinder is watched, a run of at least four that lasts
    `SHORT_PAUSE_S`; and a run that touches the start or the end of a stretch, because there the engine may as well
    not have been running. Secondly, which lie in a shorter run over several cylinders while the engine was coasting
    already: a short cut of the fuel looks like that as well.
    """
    paused, may_be_cut = np.zeros_like(silent), np.zeros_like(silent)
    places = np.flatnonzero(silent)
    if places.size == 0:
        return paused, may_be_cut
    n_watched = np.unique(context.group[rows]).size
    for run in _together(places, rows, context, 1):
        first, last = rows[run[0]], rows[run[-1]]
        long_enough = n_watched > 1 or context.time_s[last] - context.time_s[first] >= SHORT_PAUSE_S
        whole = run.size >= max(2 * n_watched, 4) and long_enough
        paused[run] = whole or context.since[first] == 0 or context.until[last] == 0
        may_be_cut[run] = np.unique(context.group[rows[run]]).size > 1 and _coasts(int(first), int(last), context)
    return paused, may_be_cut


def _coasts(first: int, last: int, context: Context) -> bool:
    """Tell whether the speed falls over the cycle before the rows, across them and over the cycle after them."""
    turn = context.n_groups
    places = np.clip(np.array([first - 1 - turn, first - 1, last + 1, last + 1 + turn]), 0, context.rpm.size - 1)
    falls = np.diff(np.log(context.rpm[places]))
    return bool(np.all(falls < 0) and falls.sum() < -COAST_SIGMA * mad_sigma(context.acceleration))


def _together(places: Ints, rows: Ints, context: Context, apart: int) -> list[Ints]:
    """Return the places in groups, of which neighbours are no further apart and no stop lies between."""
    breaks = (np.diff(places) > apart) | (np.diff(context.segment[rows[places]]) > 0)
    return np.split(places, np.flatnonzero(breaks) + 1)


def _limited(silent: Bools, rows: Ints, context: Context) -> Bools:
    """Return which of the silent ``rows`` repeat a pattern over several cylinders, from the highest speed on.

    That nothing faster is driven with all sparks is what tells a limiter from a fault of, say, one bank of coils.
    """
    limited = np.zeros_like(silent)
    places = np.flatnonzero(silent)
    n_watched = np.unique(context.group[rows]).size
    bouts = [
        bout
        for bout in (_together(places, rows, context, n_watched) if places.size else [])
        if np.unique(context.group[rows[bout]]).size > 1 and _repeats(silent[bout[0] : bout[-1] + 1], n_watched)
    ]
    with_all_sparks = np.ones_like(silent)
    for bout in bouts:
        with_all_sparks[max(bout[0] - n_watched, 0) : bout[-1] + n_watched + 1] = False
    top_rpm = context.rpm[rows[with_all_sparks]].max(initial=0.0)
    for bout in bouts:
        limited[bout] = context.rpm[rows[bout[0]]] >= AT_THE_TOP * top_rpm
    return limited


def _repeats(silent: Bools, n_watched: int) -> bool:
    periods = range(2, min(2 * n_watched, silent.size // REPEATS) + 1)
    return any(np.array_equal(silent[period:], silent[:-period]) for period in periods)
