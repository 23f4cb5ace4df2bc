"""ASAM MDF 4 (extra ``mdf``): one channel group, its master channel as time.

The library decodes a channel as a whole, so each is laid down in a temporary file before all are read side by side:
what is held in memory is one channel at a time.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from miner.errors import RecordingError
from miner.recording.formats.arrays import Arrays, NamedArray, stream_of
from miner.recording.formats.base import ImportOptions, Notes, Stream, refuse

__all__ = ["open_mdf"]


def open_mdf(file: Path, options: ImportOptions, notes: Notes) -> Stream:
    """Open the channel group that holds the leads.

    Raises
    ------
    RecordingError
        If the library is not installed, the file is damaged, or several groups could be meant.
    """
    try:
        import mf4_rs
    except ImportError as error:
        raise RecordingError(
            "MDF needs a library that is not installed", remedy="run: pip install 'ignition-miner[mdf]'", file=file
        ) from error
    try:
        source = mf4_rs.Mdf(str(file))
        group = _group(source, options, file)
        numeric = [c for c in group.channels if _is_number(c)]
        notes.remark(f"of the file's channel groups, '{group.name or 'the first'}' was taken")
        columns = [_column(source, group, channel, file) for channel in numeric]
    except (mf4_rs.MdfException, OSError, ValueError) as error:
        raise refuse(f"is no MDF 4 file that can be read ({error})", "export it as CSV", file) from error
    return stream_of(Arrays(columns=columns), options, file)


def _is_number(channel: Any) -> bool:
    kind = str(channel.data_type).lower()
    return not channel.is_vlsd and ("int" in kind or "float" in kind)


def _group(source: Any, options: ImportOptions, file: Path) -> Any:
    """Return the group with the leads that were named, or the longest one."""
    groups = [g for g in source.groups if sum(_is_number(c) for c in g.channels if not c.is_master)]
    if options.columns:
        groups = [g for g in groups if set(options.columns) <= set(g.channel_names)]
    if not groups:
        raise refuse("has no channel group with the leads", "check --column, or export it as CSV", file)
    longest = max(groups, key=lambda g: g.record_count)
    if sum(g.record_count == longest.record_count for g in groups) > 1:
        raise refuse("has several channel groups of one length", "name the leads of one with --column", file)
    return longest


def _column(source: Any, group: Any, channel: Any, file: Path) -> NamedArray:
    name = "time_s" if channel.is_master else channel.name
    return NamedArray(
        name=name,
        dtype=np.dtype(np.float64),
        n_rows=group.record_count,
        read=_spooled(lambda: source.values(channel.name, group.name), group.record_count, name, file),
        unit=channel.unit or "V",
    )


def _spooled(decode: Callable[[], Any], n_rows: int, name: str, file: Path) -> Callable[[int, int], NDArray[Any]]:
    """Return a reader of slices that decodes the channel once, into a temporary file."""
    laid_down: list[NDArray[Any]] = []

    def read(start: int, stop: int) -> NDArray[Any]:
        if not laid_down:
            values = np.asarray(decode(), np.float64)
            if values.size != n_rows:
                raise refuse(
                    f"has {values.size} values, its group announces {n_rows}", "copy the file again", file, column=name
                )
            with tempfile.TemporaryFile() as spool:
                held = np.memmap(spool, np.float64, "w+", shape=(n_rows,))
                held[:] = values
                laid_down.append(held)
        return np.array(laid_down[0][start:stop])

    return read
