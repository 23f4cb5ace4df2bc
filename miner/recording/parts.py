"""One Parquet file of a recording: its footer, checked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from miner.errors import RecordingError

__all__ = ["Part", "open_file", "open_part", "text_of", "unreadable"]

_BUFFER_BYTES = 1 << 20
"""Read-ahead of one column; with ``pre_buffer=False`` a row group of any size is read page by page."""


@dataclass(frozen=True, kw_only=True)
class Part:
    """One file: its place in the recording, absolute half-open ``[start, stop)``, and its row groups."""

    path: Path
    start: int
    stop: int
    schema: pa.Schema
    metadata: Mapping[str, str]
    group_starts: tuple[int, ...]
    """Absolute index of the first sample of each row group."""

    def group_stop(self, group: int) -> int:
        """Return the absolute index after a row group's last sample."""
        following = group + 1
        return self.group_starts[following] if following < len(self.group_starts) else self.stop


def open_file(path: Path) -> pq.ParquetFile:
    """Open a file for reading in bounded memory, or raise ``RecordingError``."""
    try:
        return pq.ParquetFile(path, pre_buffer=False, buffer_size=_BUFFER_BYTES, page_checksum_verification=True)
    except PermissionError as error:
        raise RecordingError("the file cannot be read", remedy="check its permissions", file=path) from error
    except (pa.ArrowException, OSError, ValueError) as error:
        raise RecordingError(
            "this is no complete Parquet file (truncated, still being written, or of another format)",
            remedy="copy or convert the recording again",
            file=path,
        ) from error


def open_part(path: Path, *, start: int) -> Part:
    """Read the footer of one file; ``start`` is the absolute index of its first sample."""
    with open_file(path) as file:
        schema, footer = file.schema_arrow, file.metadata
        starts, stop = [], start
        for group in range(footer.num_row_groups):
            starts.append(stop)
            stop += footer.row_group(group).num_rows
    twice = sorted({name for name in schema.names if schema.names.count(name) > 1})
    if twice:
        raise RecordingError("the column is there twice", remedy="give each a name", file=path, column=twice[0])
    return Part(
        path=path, start=start, stop=stop, schema=schema, metadata=text_of(schema.metadata), group_starts=tuple(starts)
    )


def text_of(metadata: Mapping[bytes, bytes] | None) -> dict[str, str]:
    """Return metadata as text; what other programs left there need not be UTF-8."""
    return {k.decode("utf-8", "replace"): v.decode("utf-8", "replace") for k, v in (metadata or {}).items()}


def unreadable(part: Part, sample: int) -> RecordingError:
    """Return the error for a page that cannot be decoded at an absolute sample."""
    return RecordingError(
        "the samples cannot be decoded from here on (damaged file)",
        remedy="copy the recording again from where it was made",
        file=part.path,
        row=sample - part.start,
    )
