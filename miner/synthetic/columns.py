"""The event table as plain columns that can be changed in place, and back.

Null is NaN in a number, -1 in ``command_seen`` and ``feedback_seen`` and in ``cylinder``.
"""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.schema import EVENTS

__all__ = ["MEASURED_COLUMNS", "Columns", "columns_of", "events_table"]

Columns: TypeAlias = dict[str, NDArray[Any]]

MEASURED_COLUMNS = (
    "on_time_us", "delay_us", "feedback_width_us", "amplitude_v", "feedback_amplitude_v", "rise_us", "fall_us",
    "ripple_v", "interval_us", "timing_residual_deg", "supply_v", "ground_v", "coil_current_peak_a",
    "feedback_rise_us", "feedback_ripple_v", "off_level_v", "quiet_ripple_v", "timing_from_before_deg",
    "timing_from_after_deg",
)  # fmt: skip
"""Columns that are measured on the pulses of one event and null where there is none."""


def columns_of(events: pa.Table) -> Columns:
    """Return an event table as columns that can be written to."""
    out: Columns = {}
    for column in EVENTS.columns:
        values = events[column.name]
        if pa.types.is_boolean(column.type):
            out[column.name] = values.cast(pa.int8()).fill_null(-1).to_numpy().copy()
        elif pa.types.is_floating(column.type):
            out[column.name] = values.cast(pa.float64()).to_numpy(zero_copy_only=False).copy()
        elif pa.types.is_string(column.type):
            out[column.name] = values.to_numpy(zero_copy_only=False).astype(object)
        else:
            out[column.name] = values.fill_null(-1).to_numpy().copy()
    return out


def events_table(columns: Columns) -> pa.Table:
    """Return columns as a table of `EVENTS`: further columns are left out, and what no lead made up shows is null."""
    n = len(columns["time_s"])
    arrays = [
        _array(columns[c.name], c.name, c.type) if c.name in columns or not c.nullable else pa.nulls(n, c.type)
        for c in EVENTS.columns
    ]
    return EVENTS.validate(pa.table(arrays, names=[c.name for c in EVENTS.columns]))


def _array(values: NDArray[Any], name: str, kind: pa.DataType) -> pa.Array:
    if pa.types.is_boolean(kind):
        return pa.array(values == 1, mask=values < 0)
    if pa.types.is_floating(kind):
        return pa.array(values, kind, mask=np.isnan(values))
    if name == "cylinder":
        return pa.array(values, kind, mask=values < 0)
    return pa.array(values, kind)
