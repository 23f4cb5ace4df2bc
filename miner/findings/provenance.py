"""What was mined, with what, and how good it was: the content of ``summary.json``."""

from __future__ import annotations

import platform
from collections import Counter
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from miner.engine.setup import Setup
from miner.findings.event_file import EventFile
from miner.recording.reader import Recording

__all__ = ["count_events", "count_suspects", "describe_recording", "describe_setup", "versions"]

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


def count_events(events: pa.Table | EventFile) -> dict[str, Any]:
    """Count events, absences, cylinders, operating states and reasons for less trust.

    Parameters
    ----------
    events : EVENTS table or EventFile
        Read column by column.

    Returns
    -------
    dict
        Counts; cylinders under their number as text, ``"unknown"`` where it could not be told.
    """

    def column(name: str) -> pa.ChunkedArray:
        return events.select([name])[name]

    qualities: Counter[str] = Counter()
    for texts, n in _counts(column("quality")).items():
        qualities.update({part: n for part in texts.split(",") if part})
    return {
        "events": events.num_rows,
        "cycles": pc.count_distinct(column("cycle")).as_py(),
        "absent_command": _count_false(column("command_seen")),
        "absent_feedback": _count_false(column("feedback_seen")),
        "by_cylinder": _counts(column("cylinder")),
        "by_operating_state": _counts(column("operating_state")),
        "by_quality": dict(sorted(qualities.items())),
        "cylinder_confidence_lowest": pc.min(column("cylinder_confidence")).as_py(),
    }


def count_suspects(suspects: pa.Table, incidents: pa.Table) -> dict[str, Any]:
    """Count the listed events by kind and cylinder, and those a healthy hour would hardly show."""
    rare = suspects.filter(pc.less(suspects["false_alarms_per_hour"], 1.0))
    return {
        "listed": suspects.num_rows,
        "under_one_false_alarm_per_hour": rare.num_rows,
        "incidents": incidents.num_rows,
        "by_kind": _counts(rare["kind"]),
        "by_cylinder": _counts(rare["cylinder"]),
    }


def _count_false(column: pa.ChunkedArray) -> int:
    """Count false entries; a null was not recorded and is no absence."""
    return int(pc.sum(pc.equal(column, pa.scalar(value=False))).as_py() or 0)


def _counts(column: pa.ChunkedArray) -> dict[str, int]:
    counted: Mapping[Any, int] = {pair["values"]: pair["counts"] for pair in column.value_counts().to_pylist()}
    return {
        "unknown" if value is None else str(value): counted[value]
        for value in sorted(counted, key=lambda value: (value is None, 0 if value is None else value))
    }
