"""Numbers behind the map of the hour and the pictures of the statistics, thinned to what a picture can show."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.engine.arrays import inside
from miner.events.columns import state_codes
from miner.events.rows import cylinder_values, pieces_of, single_values
from miner.questions.exact import binomial_interval
from miner.review.source import ReviewSource
from miner.schema import OPERATING_STATES

__all__ = ["figure_data", "map_data"]

MAP_BINS, MAP_BIN_S = 1200, 0.5
"""At most so many bins, and none shorter: a bin without an event would break the trace."""

MAX_POINTS = 1200
"""Healthy events per cylinder drawn in a scatter picture."""

ONE_PER_HOUR = 1.0
"""The false-alarm line: suspects below it count in the pictures of when it happens."""

SPEED_STEP_RPM = 250.0
TIME_BINS = 12
MOST_STEPS = 30_000

Arrays = dict[str, NDArray[Any]]


def map_data(source: ReviewSource) -> tuple[dict[str, Any], Arrays]:
    """Return states and gaps, and the speed and supply traces of the whole recording.

    Returns
    -------
    header : dict
        ``states``: list of [start_s, stop_s, state]; ``gaps``: list of [start_s, stop_s, lead or None];
        ``supply_name``: what the supply trace is, or None.
    arrays : dict
        ``map_time_s``, ``map_rpm_low``, ``map_rpm_high``, ``map_supply_v``: ndarray of shape (n_bins,)
    """
    n_bins = int(np.clip(source.duration_s / MAP_BIN_S, 1, MAP_BINS))
    edges = np.linspace(0, max(source.duration_s, 1e-6), n_bins + 1)
    low, high = np.full(n_bins, np.nan, np.float32), np.full(n_bins, np.nan, np.float32)
    states = _Runs()
    supply = _Means(n_bins)
    for piece in pieces_of(source.events, ("time_s", "engine_rpm", "operating_state", "supply_v")):
        times, rpm = piece["time_s"].to_numpy(), single_values(piece, "engine_rpm")
        bins = _bin_of(times, edges)
        np.fmin.at(low, bins, rpm)
        np.fmax.at(high, bins, rpm)
        states.add(times, state_codes(piece))
        supply.add(bins, single_values(piece, "supply_v"))
    lead = next((lead for lead in source.leads if lead.role == "supply"), None)
    tracked = None if lead is None else _tracked(source, lead.index, edges)
    header = {
        "states": states.runs(),
        "gaps": [[g["start_s"], g["stop_s"], g["lead"]] for g in source.gaps.to_pylist()],
        "supply_name": None if lead is None else lead.column,
    }
    arrays: Arrays = {
        "map_time_s": (edges[:-1] + edges[1:]) / 2,
        "map_rpm_low": low,
        "map_rpm_high": high,
        "map_supply_v": np.empty(0, np.float32) if lead is None else (tracked or supply).values(),
    }
    return header, arrays


def _bin_of(times: NDArray[np.float64], edges: NDArray[np.float64]) -> NDArray[np.int16]:
    """Return the even bin each instant lies in; `MAP_BINS` at most."""
    return np.asarray(np.clip(times * ((len(edges) - 1) / edges[-1]), 0, len(edges) - 2), dtype=np.int16)


class _Means:
    """Mean value of each bin, added up piece by piece."""

    def __init__(self, n_bins: int) -> None:
        self._n, self._sums = np.zeros(n_bins, np.int64), np.zeros(n_bins)

    def add(self, bins: NDArray[np.int16], values: NDArray[np.float32]) -> None:
        """Add values, each to its bin; NaN is left out."""
        known = np.isfinite(values)
        self._n += np.bincount(bins[known], minlength=self._n.size)
        self._sums += np.bincount(bins[known], values[known], self._n.size)

    def values(self) -> NDArray[np.float32]:
        """Return the means, NaN for a bin without a value."""
        means = np.divide(self._sums, self._n, out=np.full(self._n.size, np.nan), where=self._n > 0)
        return np.asarray(means, dtype=np.float32)


def _tracked(source: ReviewSource, lead: int, edges: NDArray[np.float64]) -> _Means | None:
    """Return the means of a slow lead per bin; None where it left no track."""
    means, found = _Means(len(edges) - 1), False
    for piece in source.track_pieces():
        own = piece.filter(pc.equal(piece["lead"], lead))
        means.add(_bin_of(own["time_s"].to_numpy(), edges), single_values(own, "value"))
        found |= len(own) > 0
    return means if found else None


class _Runs:
    """Stretches of equal state, each ending where the next begins, added up piece by piece."""

    def __init__(self) -> None:
        self._starts: list[tuple[float, int]] = []
        self._end_s = 0.0

    def add(self, times: NDArray[np.float64], codes: NDArray[np.int8]) -> None:
        """Add successive events."""
        before = self._starts[-1][1] if self._starts else -1
        for row in np.flatnonzero(np.diff(codes, prepend=np.int8(before))).tolist():
            self._starts.append((float(times[row]), int(codes[row])))
        self._end_s = float(times[-1])

    def runs(self) -> list[list[Any]]:
        """Return begin, end and state of each."""
        ends = [start for start, _ in self._starts[1:]] + [self._end_s]
        return [[start, end, OPERATING_STATES[code]] for (start, code), end in zip(self._starts, ends, strict=False)]


def figure_data(source: ReviewSource) -> tuple[dict[str, Any], Arrays]:
    """Return what the pictures of the statistics show.

    Returns
    -------
    header : dict
        ``cylinders``: those that have a scatter; ``when``: three lists of bars by ``speed``, ``time`` and
        ``cylinder``, each bar with label, suspects, events, rate and its 95 % interval; ``explained``: what mining
        found out about the list as a whole, in words; ``rates``: ``hours`` judged, and the rate ``up_to`` which
        every event is listed.
    arrays : dict
        ``rpm_<c>``, ``on_<c>``, ``delay_<c>`` per cylinder (0: cannot be told); ``rate`` of the suspects,
        worst first.
    """
    counts, bars = _count(source)
    arrays = _scatters(source, counts)
    arrays["rate"] = source.suspects["false_alarms_per_hour"].to_numpy()
    header = {
        "cylinders": sorted(counts),
        "when": bars,
        "explained": source.summary.get("explained", {}),
        "rates": _rates(source),
    }
    return header, arrays


def _rates(source: ReviewSource) -> dict[str, float]:
    """Return how long was judged, and the rate up to which the list is complete: that of its last suspect."""
    ranking = source.summary.get("ranking", {})
    rates = source.suspects["false_alarms_per_hour"].to_numpy()
    finite = rates[np.isfinite(rates)]
    hours = float(ranking.get("hours", source.duration_s / 3600.0))
    return {"hours": hours, "up_to": float(finite.max()) if finite.size else ONE_PER_HOUR}


def _count(source: ReviewSource) -> tuple[dict[int, int], dict[str, list[Any]]]:
    """Return the events of each cylinder, and the bars by speed, time and cylinder.

    Each bar counts the suspects below the false-alarm line per 1000 events.
    """
    below = source.suspects.filter(pc.less_equal(source.suspects["false_alarms_per_hour"], ONE_PER_HOUR))
    listed = np.sort(source.rows_of(below))
    minutes = _nice_step(source.duration_s / 60 / TIME_BINS)
    speed, time = _Bars(_span(SPEED_STEP_RPM)), _Bars(_span(minutes))
    cylinder = _Bars(lambda number: f"{number}" if number > 0 else "?")
    start = 0
    for piece in pieces_of(source.events, ("time_s", "engine_rpm", "cylinder")):
        rows = inside(listed, start, len(piece))
        start += len(piece)
        speed.add(_steps(single_values(piece, "engine_rpm"), SPEED_STEP_RPM), rows)
        time.add(_steps(piece["time_s"].to_numpy(), 60.0 * minutes), rows)
        cylinder.add(np.maximum(cylinder_values(piece), 0), rows)
    return cylinder.counts(), {"speed": speed.rows(), "time": time.rows(), "cylinder": cylinder.rows()}


def _scatters(source: ReviewSource, counts: dict[int, int]) -> Arrays:
    """Return speed, on-time and delay of events spread over the recording, per cylinder."""
    columns = {"rpm": "engine_rpm", "on": "on_time_us", "delay": "delay_us"}
    ranks = {c: np.linspace(0, n - 1, min(n, MAX_POINTS)).astype(int) for c, n in counts.items()}
    passed = dict.fromkeys(counts, 0)
    parts: dict[str, list[NDArray[np.float32]]] = {f"{short}_{c}": [] for short in columns for c in sorted(counts)}
    for piece in pieces_of(source.events, ("cylinder", *columns.values())):
        cylinders = np.maximum(cylinder_values(piece), 0)
        values = {short: single_values(piece, name) for short, name in columns.items()}
        for c in np.unique(cylinders).tolist():
            own = np.flatnonzero(cylinders == c)
            rows = own[inside(ranks[c], passed[c], own.size)]
            passed[c] += own.size
            for short, measured in values.items():
                parts[f"{short}_{c}"].append(measured[rows])
    return {name: np.concatenate(own) for name, own in parts.items()}


def _steps(values: NDArray[np.floating], width: float) -> NDArray[np.int16]:
    """Return the number of the step each value lies in, -1 where there is none."""
    number = np.floor(values / width)
    return np.asarray(np.where(np.isfinite(number), np.clip(number, 0, MOST_STEPS), -1), dtype=np.int16)


def _span(width: float) -> Callable[[int], str]:
    return lambda number: f"{number * width:g}\u2013{(number + 1) * width:g}"


def _nice_step(at_least: float) -> float:
    """Return the next of 1, 2, 5, 10, 20, 50 ... (tenths below one)."""
    steps = [s * 10.0**k for k in range(-3, 5) for s in (1, 2, 5)]
    return next((step for step in steps if step >= at_least), steps[-1])


class _Bars:
    """Counts per key, added up piece by piece."""

    def __init__(self, label: Callable[[int], str]) -> None:
        self._label = label
        self._n, self._k = (np.zeros(MOST_STEPS + 1, np.int64) for _ in range(2))

    def add(self, key: NDArray[np.int16], suspects: NDArray[np.int64]) -> None:
        """Add events by their key, -1 for none; those at ``suspects`` are suspects."""
        for counts, keys in ((self._n, key), (self._k, key[suspects])):
            counts += np.bincount(keys[keys >= 0], minlength=counts.size)

    def counts(self) -> dict[int, int]:
        """Return the events of each key that occurred."""
        return {key: int(self._n[key]) for key in np.flatnonzero(self._n).tolist()}

    def rows(self) -> list[dict[str, Any]]:
        """Return one bar per key, with its exact 95 % interval."""
        bars = []
        for key, n in self.counts().items():
            k = int(self._k[key])
            share = binomial_interval(k, n)
            bars.append(
                {
                    "label": self._label(key), "n_suspects": k, "n_events": n,
                    "per_thousand": 1000.0 * k / n, "low": 1000.0 * share.low, "high": 1000.0 * share.high,
                }
            )  # fmt: skip
        return bars
