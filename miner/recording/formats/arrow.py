"""Arrow IPC, Feather and Parquet of other shapes: read batch by batch, shaped by `miner.recording.formats.shapes`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from miner.recording.formats.base import BLOCK_ROWS, ImportOptions, Notes, Stream, refuse
from miner.recording.formats.shapes import Batches, shaped

__all__ = ["open_arrow", "open_parquet"]

_DAMAGED = "copy it again from where it was made"


def open_parquet(file: Path, options: ImportOptions, notes: Notes) -> Stream:
    """Open a Parquet file of any shape.

    Raises
    ------
    RecordingError
        If it is damaged, or no samples can be seen in it.
    """

    def batches() -> Iterator[tuple[pa.RecordBatch, float]]:
        n_done = 0
        with _open_parquet(file) as source:
            total = max(source.metadata.num_rows, 1)
            for batch in _guarded(source.iter_batches(BLOCK_ROWS), file):
                n_done += batch.num_rows
                yield batch, n_done / total

    with _open_parquet(file) as source:
        schema = source.schema_arrow
    return shaped(Batches(file=file, schema=schema, read=batches), options, notes)


def _open_parquet(file: Path) -> pq.ParquetFile:
    try:
        return pq.ParquetFile(file, pre_buffer=False, buffer_size=1 << 20, page_checksum_verification=True)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise refuse("is no complete Parquet file", _DAMAGED, file) from error


def open_arrow(file: Path, options: ImportOptions, notes: Notes) -> Stream:
    """Open an Arrow IPC file, a Feather file (version 2) or an IPC stream."""

    def batches() -> Iterator[tuple[pa.RecordBatch, float]]:
        with pa.memory_map(str(file)) as source:
            yield from _in_pieces(_guarded(_ipc_batches(source), file), source)

    try:
        with pa.memory_map(str(file)) as source:
            schema = _ipc_reader(source).schema
    except (pa.ArrowException, OSError, ValueError) as error:
        raise refuse("is no complete Arrow file", _DAMAGED, file) from error
    return shaped(Batches(file=file, schema=schema, read=batches), options, notes)


def _ipc_reader(source: pa.NativeFile) -> pa.RecordBatchReader | pa.RecordBatchFileReader:
    magic = source.read(6)
    source.seek(0)
    return pa.ipc.open_file(source) if magic == b"ARROW1" else pa.ipc.open_stream(source)


def _ipc_batches(source: pa.NativeFile) -> Iterator[pa.RecordBatch]:
    reader = _ipc_reader(source)
    if hasattr(reader, "num_record_batches"):
        for i in range(reader.num_record_batches):
            yield reader.get_batch(i)
    else:
        yield from reader


def _in_pieces(batches: Iterator[pa.RecordBatch], source: pa.NativeFile) -> Iterator[tuple[pa.RecordBatch, float]]:
    for batch in batches:
        for first in range(0, batch.num_rows, BLOCK_ROWS):
            yield batch.slice(first, BLOCK_ROWS), min(source.tell() / max(source.size(), 1), 1.0)


def _guarded(batches: Iterator[pa.RecordBatch], file: Path) -> Iterator[pa.RecordBatch]:
    n_rows = 0
    while True:
        try:
            batch = next(batches, None)
            if batch is not None:
                batch.validate(full=True)
        except (pa.ArrowException, OSError, ValueError) as error:
            raise refuse("cannot be decoded from here on (damaged file)", _DAMAGED, file, row=n_rows) from error
        if batch is None:
            return
        n_rows += batch.num_rows
        yield batch
