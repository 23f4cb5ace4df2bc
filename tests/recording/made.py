"""Small recordings written as Parquet for the tests."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import ArrayLike

VOLTS = {"scale": "0.0024", "offset": "0", "unit": "V"}


def write_recording(
    path: Path,
    columns: Mapping[str, ArrayLike | pa.Array],
    *,
    rate_hz: float | str | None = 1e6,
    scales: Mapping[str, Mapping[str, str]] | None = None,
    metadata: Mapping[str, str] | None = None,
    **options: Any,
) -> Path:
    """Write one part; options go to ``pyarrow.parquet.write_table``."""
    arrays = {name: values if isinstance(values, pa.Array) else pa.array(values) for name, values in columns.items()}
    fields = [pa.field(n, a.type, metadata=dict((scales or {}).get(n, {})) or None) for n, a in arrays.items()]
    said = {"sample_rate_hz": str(rate_hz)} if rate_hz is not None else {}
    table = pa.table(list(arrays.values()), schema=pa.schema(fields, metadata={**said, **(metadata or {})}))
    pq.write_table(table, path, **options)
    return path


def with_nulls(values: ArrayLike, at: Sequence[int]) -> pa.Array:
    """Return an array whose entries at the given places are null."""
    values = np.asarray(values)
    mask = np.zeros(values.size, bool)
    mask[list(at)] = True
    return pa.array(values, mask=mask)
