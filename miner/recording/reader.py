"""Open a recording: one Parquet file, or a folder of parts that follow each other in name order.

Opening reads footers and a few rows only; the samples themselves are read by `miner.recording.chunks`.

Usage
-----
>>> recording = open_recording("drive.parquet")  # doctest: +SKIP
>>> require_columns(recording, ["lead_1", "lead_2"])  # doctest: +SKIP
>>> recording.n_samples / recording.rate_hz  # doctest: +SKIP
3600.0
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa

from miner.errors import RecordingError, near_names
from miner.recording.identity import content_identity
from miner.recording.parts import Part, open_part
from miner.recording.timing import nominal_time

__all__ = ["TIME_COLUMN", "ChannelInfo", "Part", "Recording", "open_recording", "require_columns"]

TIME_COLUMN = "time_s"

_LEAST_SCALE, _MOST_SCALE = 1e-15, 1e9
"""Volts per count outside these bounds are a slip of the pen (own choice)."""

_CHANNEL_TYPES = frozenset({pa.int8(), pa.int16(), pa.int32(), pa.uint8(), pa.uint16(), pa.float32(), pa.float64()})


@dataclass(frozen=True, kw_only=True)
class ChannelInfo:
    """One column of samples: volts (or what ``unit`` says) are ``raw * scale + offset``."""

    column: str
    dtype: str
    scale: float
    offset: float
    unit: str


@dataclass(frozen=True, kw_only=True)
class Recording:
    """What was recorded: parts in order, channels, rate and length.

    Attributes
    ----------
    path : Path
        The file or folder that was opened.
    parts : tuple of Part
        Files in name order with the absolute index of their first sample.
    channels : mapping of str to ChannelInfo
        Every column that can be a lead.
    other_columns : mapping of str to str
        Columns that cannot be a lead, with their type.
    rate_hz : float
        Nominal samples per second; with a time column, from the median step.
    n_samples : int
        Samples per channel over all parts.
    started_at : str or None
        ISO 8601, as the file says.
    has_time : bool
        Whether a ``time_s`` column gives the instant of every sample.
    first_time_s : float
        Value of ``time_s`` at the first sample; 0 without the column.
    """

    path: Path
    parts: tuple[Part, ...]
    channels: Mapping[str, ChannelInfo]
    other_columns: Mapping[str, str]
    rate_hz: float
    n_samples: int
    started_at: str | None
    has_time: bool
    first_time_s: float

    def identity(self) -> str:
        """Return a hash of the content; name and place of the file do not enter."""
        return content_identity(self.parts, [self.rate_hz, self.started_at or ""])


def open_recording(path: str | Path, *, rate_hz: float | None = None) -> Recording:
    """Open a recording and check everything that can be checked without reading the samples.

    Parameters
    ----------
    path : path
        One Parquet file, or a folder whose ``*.parquet`` files form one continuous recording in name order.
        Names that begin with ``.``, ``_`` or ``~`` are passed over.
    rate_hz : float, optional
        Samples per second from the setup or the command line; must agree with what the file says, where it does.

    Raises
    ------
    RecordingError
        If the file is missing, foreign, truncated or empty; parts disagree; a scale is no number; ``time_s`` is not
        float64; or there is no rate to be had. Names file, column and, where one is to blame, the row.
    """
    path = Path(path)
    parts = _open_parts(path)
    first = parts[0]
    names = first.schema.names
    channels = {f.name: _channel(f, first.path) for f in first.schema if _is_channel(f)}
    timing = nominal_time(parts, TIME_COLUMN, rate_hz)
    return Recording(
        path=path,
        parts=parts,
        channels=channels,
        other_columns={n: str(first.schema.field(n).type) for n in names if n not in channels and n != TIME_COLUMN},
        n_samples=parts[-1].stop,
        started_at=first.metadata.get("started_at"),
        rate_hz=timing.rate_hz,
        has_time=timing.has_time,
        first_time_s=timing.first_time_s,
    )


def require_columns(recording: Recording, columns: Iterable[str]) -> None:
    """Check that every column exists and holds numbers that can be samples.

    Raises
    ------
    RecordingError
        Names the column, and the near names where it is misspelt.
    """
    for column in columns:
        if column in recording.channels:
            continue
        if column in recording.other_columns:
            raise RecordingError(
                f"the column holds {_words(recording.other_columns[column])}, not samples",
                remedy="record counts (int8, int16, int32, uint8, uint16) or volts (float32, float64), "
                "or name another column",
                file=recording.path,
                column=column,
            )
        raise RecordingError(
            "the recording has no such column",
            remedy=near_names(column, recording.channels).rstrip("?"),
            file=recording.path,
            column=column,
        )


def _words(type_name: str) -> str:
    return "text" if "string" in type_name else f"values of type {type_name}"


def _open_parts(path: Path) -> tuple[Part, ...]:
    files = _part_files(path)
    parts: list[Part] = []
    for file in files:
        parts.append(open_part(file, start=parts[-1].stop if parts else 0))
        _check_agreement(parts[0], parts[-1])
    if parts[-1].stop == 0:
        raise RecordingError("the recording holds no samples", remedy="check how it was recorded", file=path)
    return tuple(parts)


def _part_files(path: Path) -> list[Path]:
    if path.is_file():
        return [path]
    if not path.is_dir():
        raise RecordingError("there is no such file or folder", remedy="check the path", file=path)
    files = sorted(
        (f for f in path.iterdir() if f.suffix == ".parquet" and f.is_file() and f.name[0] not in "._~"),
        key=lambda f: f.name,
    )
    if not files:
        raise RecordingError(
            "the folder holds no .parquet file", remedy="name the folder with the parts of one recording", file=path
        )
    return files


def _check_agreement(first: Part, part: Part) -> None:
    """Raise unless a later part has the first part's columns, types and scales."""
    mine, theirs = {f.name: f for f in part.schema}, {f.name: f for f in first.schema}
    for name in sorted(mine.keys() ^ theirs.keys()):
        where = "is missing in this part" if name in theirs else "is in this part but not in the first"
        raise RecordingError(
            f"the column {where} ('{first.path.name}' is the first)",
            remedy="keep only parts of one recording in the folder",
            file=part.path,
            column=name,
        )
    for name, field in mine.items():
        if field.type != theirs[name].type:
            raise RecordingError(
                f"the column is {field.type} here and {theirs[name].type} in '{first.path.name}'",
                remedy="keep only parts of one recording in the folder",
                file=part.path,
                column=name,
            )
        if _is_channel(field) and _channel(field, part.path) != _channel(theirs[name], first.path):
            raise RecordingError(
                f"scale, offset or unit differ from those in '{first.path.name}'",
                remedy="keep only parts of one recording in the folder",
                file=part.path,
                column=name,
            )


def _is_channel(field: pa.Field) -> bool:
    return field.name != TIME_COLUMN and field.type in _CHANNEL_TYPES


def _channel(field: pa.Field, file: Path) -> ChannelInfo:
    metadata = {k.decode(): v.decode("utf-8", "replace") for k, v in (field.metadata or {}).items()}
    scale = _number(metadata, "scale", 1.0, field.name, file)
    if not _LEAST_SCALE <= abs(scale) <= _MOST_SCALE:
        raise RecordingError(
            f"the scale is {scale:g}", remedy="write the volts per count", file=file, column=field.name
        )
    return ChannelInfo(
        column=field.name,
        dtype=str(field.type.to_pandas_dtype()().dtype),
        scale=scale,
        offset=_number(metadata, "offset", 0.0, field.name, file),
        unit=metadata.get("unit", "V"),
    )


def _number(metadata: Mapping[str, str], key: str, default: float, column: str, file: Path) -> float:
    text = metadata.get(key)
    if text is None:
        return default
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise RecordingError(
            f"the {key} '{text}' is not a number", remedy=f"write the {key} as a number", file=file, column=column
        )
    return value
