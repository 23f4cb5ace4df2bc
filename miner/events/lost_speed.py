"""How many absent events cost the crank speed, and how often it slowed without anything odd in the ignition."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.events.columns import column_values

__all__ = ["LostSpeed"]

Floats = NDArray[np.float64]

SPEED_BIN_RPM = 500.0
"""Within a bin the scatter of the speed changes is about one: it falls with the square of the speed (own choice)."""

LEAST_IN_BIN = 200
"""Events that came, from which on their slowest hundredth is known."""

SLOWEST = 0.01
"""An absent event cost speed where the crank lost more than it does behind all but this share of those that came."""

FAR_SIGMA = 6.0
"""Robust sigmas below the middle from which on a slow-down is one: a normal law has one in a thousand million. Weak
burns and brakes are not normal, so what is counted is for a person to look at."""

NEIGHBOURS = 9
"""Events whose middle change is taken off each: what the driver and the road do to all of them (dynamic compensation,
as in SAE 900232, from memory)."""


class LostSpeed:
    """Adds up chapter by chapter."""

    def __init__(self) -> None:
        self._counts = dict.fromkeys(("absent_told", "absent_cost_speed", "came_told", "slowed_without_oddity"), 0)

    def add(self, events: pa.Table, odd_ids: NDArray[np.int64]) -> None:
        """Add a chapter.

        Parameters
        ----------
        events : EVENTS table
        odd_ids : ndarray of int64
            ``event_id`` of the events that are listed.
        """
        change, rpm = column_values(events, "speed_change_rpm"), column_values(events, "engine_rpm")
        known = np.flatnonzero(np.isfinite(change) & np.isfinite(rpm))
        if known.size < LEAST_IN_BIN:
            return
        change = _compensated(change[known])
        absent = _absent(events)[known]
        odd = absent | np.isin(events["event_id"].to_numpy()[known], odd_ids)
        place = np.floor(rpm[known] / SPEED_BIN_RPM).astype(np.int64) * 64 + events["slot"].to_numpy()[known]
        for one in np.unique(place):
            own = place == one
            came = change[own & ~absent]
            if came.size < LEAST_IN_BIN:
                continue
            middle = float(np.median(came))
            sigma = 1.4826 * float(np.median(np.abs(came - middle)))
            slowed = change < middle - FAR_SIGMA * sigma
            self._counts["absent_told"] += int(np.count_nonzero(own & absent))
            self._counts["absent_cost_speed"] += int(
                np.count_nonzero(change[own & absent] < np.quantile(came, SLOWEST))
            )
            self._counts["came_told"] += int(came.size)
            self._counts["slowed_without_oddity"] += int(np.count_nonzero(slowed & own & ~odd))

    def as_json(self) -> dict[str, int | float | None]:
        """Return counts and the share of absent events that cost speed; None where none could be told."""
        told = self._counts["absent_told"]
        return {**self._counts, "share_cost_speed": self._counts["absent_cost_speed"] / told if told else None}


def _compensated(change: Floats) -> Floats:
    half = NEIGHBOURS // 2
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(change, half, mode="edge"), NEIGHBOURS)
    return np.asarray(change - np.median(windows, axis=1), np.float64)


def _absent(events: pa.Table) -> NDArray[np.bool_]:
    """Return whether a pulse was due and did not come, on any lead that would have shown it."""
    lost = [events[name].fill_null(True).to_numpy() for name in ("command_seen", "feedback_seen")]
    return np.asarray(~(lost[0] & lost[1]), np.bool_)
