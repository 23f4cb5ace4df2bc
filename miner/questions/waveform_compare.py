"""Whether faults planted into the waveform came out as the event table was expected to show them.

Two measures differ by no more than they may when the deviation is within the scatter of single events, or within a
tenth of the planted change where that is large. Measures that the fault does not concern are measured again on partly
other samples, so they may lie anywhere in their own scatter (both bounds are our own choice).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from miner.synthetic.columns import MEASURED_COLUMNS, Columns
from miner.synthetic.faults.events import apply_fault, feedback_tie, next_of_coil, robust_sigma

__all__ = ["COMPARED", "Compared", "Planted", "compare_planted"]

AGREES_SIGMA, AGREES_SHARE = 1.0, 0.1
"""What was planted agrees within the scatter of single events, or a tenth of what was planted (own choice)."""

ORDINARY_SIGMA = 3.0
"""What was not planted stays within what single events scatter by."""

LEAST_SIGMA = 1e-12
"""Stands in for no scatter at all: a measure that is the same in every event of a recorder without counts."""

COMPARED = tuple(name for name in MEASURED_COLUMNS if name not in ("supply_v", "ground_v", "coil_current_peak_a"))
"""Measures of the leads that faults are planted into."""

COUNTED = ("cylinder", "command_seen", "feedback_seen", "extra_pulses")

_Floats = NDArray[np.float64]
_Bools = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Planted:
    """One fault, its size as planted (signed), and the row of the event it was planted into."""

    kind: str
    size: float
    row: int


class Compared(NamedTuple):
    """How one planted fault came out; ``deviation_sigma`` is the largest of the measures it changes, 0 for none."""

    planted: Planted
    agreed: bool
    deviation_sigma: float
    measure: str


def compare_planted(
    before: Columns, found: Columns, planted: Sequence[Planted], resolution: Mapping[str, float], *, n_slots: int
) -> tuple[list[Compared], _Bools]:
    """Compare what was measured on the changed waveform with the event table changed by the short-cut.

    Parameters
    ----------
    before : Columns
        Events as they were, in time order.
    found : Columns
        Events measured on the changed waveform.
    planted : sequence of Planted
    resolution : mapping of str to float
        For each of `COMPARED`, what one measurement cannot tell apart; the least that counts as scatter.
    n_slots : int
        Events of one turn of the firing sequence.

    Returns
    -------
    compared : list of Compared
        One for each planted fault.
    agreed : ndarray of shape (n,), bool
        Whether each event came out as expected.
    """
    expected = {name: values.copy() for name, values in before.items()}
    tie, after = feedback_tie(before), next_of_coil(before)
    for one in planted:
        apply_fault(expected, one.row, one.kind, one.size, tie=tie, after=int(after[one.row]))
    if not found["time_s"].size:
        return [Compared(one, agreed=False, deviation_sigma=0.0, measure="") for one in planted], np.zeros(
            before["time_s"].size, dtype=np.bool_
        )
    agreed, near = _matched(expected, found, n_slots)
    worst = np.zeros(agreed.size)
    measure = np.full(agreed.size, "", dtype=object)
    for name in COMPARED:
        sigma = np.nanmax([robust_sigma(before, name), resolution[name]])
        deviation = np.abs(found[name][near] - expected[name])
        change = np.nan_to_num(np.abs(expected[name] - before[name]))
        most = np.where(change > 0, np.maximum(AGREES_SIGMA * sigma, AGREES_SHARE * change), ORDINARY_SIGMA * sigma)
        agreed &= np.isnan(found[name][near]) == np.isnan(expected[name])
        agreed &= ~(deviation > most)  # both null agrees
        counts = np.where(change > 0, np.nan_to_num(deviation / max(sigma, LEAST_SIGMA)), 0.0)
        measure[counts > worst] = name
        np.maximum(worst, counts, out=worst)
    rows = [Compared(one, bool(agreed[one.row]), float(worst[one.row]), str(measure[one.row])) for one in planted]
    return rows, agreed


def _matched(expected: Columns, found: Columns, n_slots: int) -> tuple[_Bools, NDArray[np.int64]]:
    """Return whether each event has a counterpart with the same pulses, and the counterpart's row."""
    at_s, wanted_s = found["time_s"], expected["time_s"]
    right = np.clip(np.searchsorted(at_s, wanted_s), 1, max(at_s.size - 1, 1))
    pair = np.clip(np.stack([right - 1, right]), 0, at_s.size - 1)
    near = np.take_along_axis(pair, np.argmin(np.abs(at_s[pair] - wanted_s), axis=0)[None], axis=0)[0]
    reach_s = 30.0 / (n_slots * np.nan_to_num(expected["engine_rpm"], nan=60.0))  # a quarter of a slot in two turns
    agreed = np.abs(at_s[near] - wanted_s) <= reach_s
    for name in COUNTED:
        agreed &= found[name][near] == expected[name]
    return np.asarray(agreed, dtype=np.bool_), near
