"""What was mined, with what, and how good it was: the content of ``summary.json``."""

from __future__ import annotations

import platform
from collections import Counter
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner.engine.setup import Setup
from miner.events.rows import Rows, pieces_of
from miner.recording.reader import Recording

__all__ = ["count_events", "describe_recording", "describe_setup", "suspect_counts", "versions"]

PACKAGES = ("ignition-miner", "numba", "numpy", "pyarrow", "scikit-learn", "scipy")
"""Packages whose version can change a figure."""


def versions() -> dict[str, str]:
    """Return the version of this tool, of Python and of every package that can change a figure."""
    return {"python": platform.python_version(), **{name: _version(name) for name in PACKAGES}}


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "unknown"


def describe_recording(recording: Recording) -> dict[str, Any]:
    """Return what identifies a recording and how it was taken; the path is where it was, not what it is."""
    return {
        "path": str(recording.path.resolve()),
        "identity": recording.identity(),
        "rate_hz": recording.rate_hz,
        "n_samples": recording.n_samples,
        "duration_s": recording.n_samples / recording.rate_hz,
        "started_at": recording.started_at,
        "has_time": recording.has_time,
        "channels": {
            name: {"dtype": info.dtype, "scale": info.scale, "offset": info.offset, "unit": info.unit}
            for name, info in recording.channels.items()
        },
    }


def describe_setup(setup: Setup) -> dict[str, Any]:
    """Return the setup as plain values, defaults left out, ready for `miner.engine.setup.parse_setup`."""
    return setup.model_dump(mode="json", exclude_defaults=True)


def count_events(events: Rows) -> dict[str, Any]:
    """Count events, absences, cylinders, operating states and reasons for less trust.

    Parameters
    ----------
    events : Rows
        Of EVENTS.

    Returns
    -------
    dict
        Counts; cylinders under their number as text, ``"unknown"`` where it could not be told.
    """
    named = ("cylinder", "operating_state", "quality", "command_seen", "feedback_seen")
    counts: dict[str, Counter[Any]] = {name: Counter() for name in named}
    n_cycles, before, least = 0, np.zeros(0, np.int64), []
    for piece in pieces_of(events, [*named, "cycle", "cylinder_confidence"]):
        for name in named:
            counts[name].update(_tally(piece[name]))
        cycles = np.unique(piece["cycle"].to_numpy())
        n_cycles += cycles.size - np.intersect1d(cycles, before).size
        before = cycles
        least.append(pc.min(piece["cylinder_confidence"]).as_py())
    qualities: Counter[str] = Counter()
    for texts, n in counts["quality"].items():
        qualities.update({part: n for part in texts.split(",") if part})
    return {
        "events": events.num_rows,
        "cycles": n_cycles,
        "absent_command": counts["command_seen"][False],
        "absent_feedback": counts["feedback_seen"][False],
        "by_cylinder": _in_order(counts["cylinder"]),
        "by_operating_state": _in_order(counts["operating_state"]),
        "by_quality": dict(sorted(qualities.items())),
        "cylinder_confidence_lowest": min((value for value in least if value is not None), default=None),
    }


def suspect_counts(suspects: pa.Table, incidents: pa.Table) -> dict[str, Any]:
    """Count the listed events by kind and cylinder, and those a healthy hour would hardly show."""
    rare = suspects.filter(pc.less(suspects["false_alarms_per_hour"], 1.0))
    return {
        "listed": suspects.num_rows,
        "under_one_false_alarm_per_hour": rare.num_rows,
        "incidents": incidents.num_rows,
        "by_kind": _in_order(_tally(rare["kind"])),
        "by_cylinder": _in_order(_tally(rare["cylinder"])),
    }


def _tally(column: pa.ChunkedArray) -> dict[Any, int]:
    return {pair["values"]: pair["counts"] for pair in column.value_counts().to_pylist()}


def _in_order(counts: Mapping[Any, int]) -> dict[str, int]:
    return {
        "unknown" if value is None else str(value): counts[value]
        for value in sorted(counts, key=lambda value: (value is None, 0 if value is None else value))
    }
