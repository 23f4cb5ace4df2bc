"""HDF5: datasets of one length are leads; rate, scale, offset and unit may stand in their attributes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from miner.recording.formats.arrays import RATE_NAMES, Arrays, NamedArray, is_numeric, stream_of
from miner.recording.formats.base import ImportOptions, Notes, Stream, refuse

__all__ = ["open_hdf5"]


def open_hdf5(file: Path, options: ImportOptions, notes: Notes) -> Stream:  # noqa: ARG001 - nothing to note
    """Open an HDF5 file; a dataset is named by its path, with dots.

    Raises
    ------
    RecordingError
        If the file is damaged or holds no datasets of numbers of one length.
    """
    import h5py

    found: list[Any] = []
    try:
        source = h5py.File(file, "r")
        source.visititems(lambda _name, item: found.append(item) if isinstance(item, h5py.Dataset) else None)
        columns = [column for item in found for column in _columns(item, file)]
        numbers = {_name(item): float(item[()]) for item in found if item.shape == () and is_numeric(item.dtype)}
        rate = _rate([source, *found])
        started = source.attrs.get("started_at")
    except Exception as error:
        raise refuse(f"is no complete HDF5 file ({error})", "copy it again from where it was made", file) from error
    return stream_of(Arrays(columns=columns, rate_hz=rate, numbers=numbers, started_at=_text(started)), options, file)


def _name(item: Any) -> str:
    return str(item.name).strip("/").replace("/", ".")


def _columns(item: Any, file: Path) -> list[NamedArray]:
    if not is_numeric(item.dtype) or item.shape is None or len(item.shape) not in (1, 2) or 0 in item.shape:
        return []
    name = _name(item)
    if len(item.shape) == 1:
        return [_column(item, name, file, lambda a, b: item[a:b], item.shape[0])]
    if item.shape[1] <= item.shape[0]:
        return [
            _column(item, f"{name}_{i + 1}", file, lambda a, b, i=i: item[a:b, i], item.shape[0])
            for i in range(item.shape[1])
        ]
    return [
        _column(item, f"{name}_{i + 1}", file, lambda a, b, i=i: item[i, a:b], item.shape[1])
        for i in range(item.shape[0])
    ]


def _column(item: Any, name: str, file: Path, read: Any, n_rows: int) -> NamedArray:
    def checked(start: int, stop: int) -> Any:
        try:
            return np.asarray(read(start, stop))
        except Exception as error:
            raise refuse(f"is damaged ({error})", "copy it again", file, column=name, row=start) from error

    return NamedArray(
        name=name,
        dtype=item.dtype,
        n_rows=n_rows,
        read=checked,
        scale=_number(item, "scale", 1.0),
        offset=_number(item, "offset", 0.0),
        unit=_text(item.attrs.get("unit", item.attrs.get("units"))) or "V",
    )


def _number(item: Any, key: str, default: float) -> float:
    value = np.asarray(item.attrs.get(key, default))
    return float(value.reshape(-1)[0]) if value.size == 1 and is_numeric(value.dtype) else default


def _text(value: Any) -> str | None:
    if value is None:
        return None
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def _rate(items: list[Any]) -> float | None:
    """Return the rate that an attribute of the file, or of a dataset, says."""
    for item in items:
        for name in RATE_NAMES:
            if name in item.attrs:
                rate = _number(item, name, 0.0)
                if np.isfinite(rate) and rate > 0:
                    return rate
    return None
