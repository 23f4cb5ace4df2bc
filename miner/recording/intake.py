"""Files of any format as a recording: what is one already is opened as it is, the rest is imported first."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa

from miner.errors import RecordingError
from miner.recording.formats.base import ImportOptions
from miner.recording.formats.registry import format_of
from miner.recording.importing import Imported, OnImport, import_recording
from miner.recording.parts import open_part

__all__ = ["is_recording", "take_in"]


def is_recording(path: Path) -> bool:
    """Say whether a path is a recording as it stands: a folder of parts, or a Parquet file of that shape.

    Raises
    ------
    RecordingError
        If it cannot be opened.
    """
    if path.is_dir() or not path.exists():
        return True  # the reader says what is missing
    if format_of(path) != "parquet":
        return False
    try:
        schema = open_part(path, start=0).schema
    except RecordingError:
        return True  # damaged: the reader says so
    return not any(_is_of_another_shape(field.type) for field in schema)


def _is_of_another_shape(kind: pa.DataType) -> bool:
    """Whether a column of this type makes a table that has to be imported: names of leads, lists, times of a clock."""
    types = pa.types
    asks = (types.is_string, types.is_large_string, types.is_dictionary, types.is_list, types.is_large_list,
            types.is_fixed_size_list, types.is_timestamp, types.is_duration)  # fmt: skip
    return any(ask(kind) for ask in asks)


def take_in(
    paths: Sequence[Path],
    copy: Path,
    *,
    options: ImportOptions | None = None,
    on_import: OnImport = lambda _done, _n: None,
) -> tuple[Path, Imported | None]:
    """Return the recording that the paths are, and what was imported into ``copy`` for it, if anything.

    Raises
    ------
    RecordingError
        As `miner.recording.importing.import_recording`.
    """
    if len(paths) == 1 and is_recording(paths[0]):
        return paths[0], None
    done = import_recording(paths, copy, options=options, on_import=on_import)
    return done.path, done
