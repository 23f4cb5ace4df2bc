"""Numbers behind the map of the hour and the pictures of the statistics, thinned to what a picture can show."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.review.source import ReviewSource
from miner.schema import OPERATING_STATES
from miner.suspicion.exact import binomial_interval
from miner.suspicion.measures import state_codes
from miner.suspicion.rows import gather

__all__ = ["figure_data", "map_data"]

MAP_BINS, MAP_BIN_S = 1200, 0.5
"""At most so many bins, and none shorter: a bin without an event would break the trace."""

MAX_POINTS = 1200
"""Healthy events per cylinder drawn in a scatter picture."""

ONE_PER_HOUR = 1.0
"""The false-alarm line: suspects below it count in the pictures of when it happens."""

SPEED_STEP_RPM = 250.0
TIME_BINS = 12

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
    times, rpm = source.event_times_s, source.event_values("engine_rpm")
    bins = _bin_of(times, edges)
    low, high = (_per_bin(combine, rpm, bins, n_bins) for combine in (np.fmin, np.fmax))
    supply, name = _supply(source, edges)
    header = {
        "states": _runs(times, gather(source.events, "operating_state", state_codes)),
        "gaps": [[g["start_s"], g["stop_s"], g["lead"]] for g in source.gaps.to_pylist()],
        "supply_name": name,
    }
    arrays: Arrays = {
        "map_time_s": (edges[:-1] + edges[1:]) / 2,
        "map_rpm_low": low,
        "map_rpm_high": high,
        "map_supply_v": supply,
    }
    return header, arrays


def _per_bin(
    combine: np.ufunc, values: NDArray[np.float32], bins: NDArray[np.int16], n_bins: int
) -> NDArray[np.float32]:
    out = np.full(n_bins, np.nan)
    combine.at(out, bins, values)
    return out.astype(np.float32)


def _bin_of(times: NDArray[np.float64], edges: NDArray[np.float64]) -> NDArray[np.int16]:
    """Return the even bin each instant lies in; `MAP_BINS` at most."""
    return np.asarray(np.clip(times * ((len(edges) - 1) / edges[-1]), 0, len(edges) - 2), dtype=np.int16)


def _supply(source: ReviewSource, edges: NDArray[np.float64]) -> tuple[NDArray[np.float32], str | None]:
    """Return mean supply per bin: from its own track, else from what the events measured."""
    lead = next((lead for lead in source.leads if lead.role == "supply"), None)
    if lead is None:
        return np.empty(0, np.float32), None
    tracks = source.tracks.filter(pc.equal(source.tracks["lead"], lead.index))
    times = tracks["time_s"].to_numpy()
    values = tracks["value"].to_numpy(zero_copy_only=False)
    if not len(times):
        times, values = source.event_times_s, source.event_values("supply_v")
    known = np.isfinite(values)
    n_bins = len(edges) - 1
    bins = _bin_of(times[known], edges)
    n = np.bincount(bins, minlength=n_bins)
    sums = np.bincount(bins, values[known], n_bins)
    means = np.divide(sums, n, out=np.full(n_bins, np.nan), where=n > 0)
    return means.astype(np.float32), lead.column


def _runs(times: NDArray[np.float64], codes: NDArray[np.int8]) -> list[list[Any]]:
    """Return the stretches of equal state; each ends where the next begins."""
    if not len(codes):
        return []
    starts = [0, *(np.flatnonzero(np.diff(codes)) + 1).tolist()]
    ends = [float(times[i]) for i in starts[1:]] + [float(times[-1])]
    return [[float(times[i]), end, OPERATING_STATES[codes[i]]] for i, end in zip(starts, ends, strict=True)]


def figure_data(source: ReviewSource) -> tuple[dict[str, Any], Arrays]:
    """Return what the pictures of the statistics show.

    Returns
    -------
    header : dict
        ``cylinders``: those that have a scatter; ``when``: three lists of bars by ``speed``, ``time`` and
        ``cylinder``, each bar with label, suspects, events, rate and its 95 % interval; ``explained``: what mining
        found out about the list as a whole, in words.
    arrays : dict
        ``rpm_<c>``, ``on_<c>``, ``delay_<c>`` per cylinder (0: cannot be told); ``score`` and ``rate`` of the
        suspects, worst first.
    """
    cylinders = np.maximum(source.event_cylinders, 0)
    columns = {"rpm": "engine_rpm", "on": "on_time_us", "delay": "delay_us"}
    drawn = {}
    for cylinder in np.unique(cylinders).tolist():
        rows = np.flatnonzero(cylinders == cylinder)
        drawn[cylinder] = rows[np.linspace(0, len(rows) - 1, min(len(rows), MAX_POINTS)).astype(int)]
    arrays: Arrays = {}
    for short, name in columns.items():
        values = source.event_values(name)
        arrays |= {f"{short}_{cylinder}": values[rows] for cylinder, rows in drawn.items()}
    arrays["score"] = source.suspects["score"].to_numpy()
    arrays["rate"] = source.suspects["false_alarms_per_hour"].to_numpy()
    header = {
        "cylinders": list(drawn),
        "when": _when(source, cylinders),
        "explained": source.summary.get("explained", {}),
    }
    return header, arrays


def _when(source: ReviewSource, cylinders: NDArray[np.int16]) -> dict[str, list[Any]]:
    """Return the bars: suspects below the false-alarm line per 1000 events, by speed, time and cylinder."""
    below = source.suspects.filter(pc.less_equal(source.suspects["false_alarms_per_hour"], ONE_PER_HOUR))
    suspect = np.zeros(source.events.num_rows, dtype=np.bool_)
    suspect[source.rows_of(below)] = True
    minutes = _nice_step(source.duration_s / 60 / TIME_BINS)
    return {
        "speed": _bars(_steps(source.event_values("engine_rpm"), SPEED_STEP_RPM), suspect, _span(SPEED_STEP_RPM)),
        "time": _bars(_steps(source.event_times_s, 60.0 * minutes), suspect, _span(minutes)),
        "cylinder": _bars(cylinders, suspect, lambda v: f"{v}" if v > 0 else "?"),
    }


def _steps(values: NDArray[np.floating], width: float) -> NDArray[np.int16]:
    """Return the number of the step each value lies in, -1 where there is none."""
    number = np.floor(values / width)
    return np.asarray(np.where(np.isfinite(number), np.clip(number, 0, 30_000), -1), dtype=np.int16)


def _span(width: float) -> Callable[[int], str]:
    return lambda number: f"{number * width:g}\u2013{(number + 1) * width:g}"


def _nice_step(at_least: float) -> float:
    """Return the next of 1, 2, 5, 10, 20, 50 ... (tenths below one)."""
    steps = [s * 10.0**k for k in range(-3, 5) for s in (1, 2, 5)]
    return next((step for step in steps if step >= at_least), steps[-1])


def _bars(key: NDArray[np.int16], suspect: NDArray[np.bool_], label: Callable[[int], str]) -> list[dict[str, Any]]:
    """Return one bar per value of the key from 0 on, with its exact 95 % interval."""
    bars = []
    for value in (one for one in np.unique(key).tolist() if one >= 0):
        mine = key == value
        n, k = int(mine.sum()), int(suspect[mine].sum())
        share = binomial_interval(k, n)
        bars.append(
            {
                "label": label(value), "n_suspects": k, "n_events": n,
                "per_thousand": 1000.0 * k / n, "low": 1000.0 * share.low, "high": 1000.0 * share.high,
            }
        )  # fmt: skip
    return bars
