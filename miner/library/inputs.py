"""Whatever a program has in its hands as a recording on the disk: files of any format, data frames, arrays."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner.engine.setup import Setup
from miner.errors import RecordingError, near_names
from miner.files import digest_file
from miner.recording.formats.base import ImportOptions
from miner.recording.intake import take_in
from miner.recording.parts import open_part
from miner.recording.reader import TIME_COLUMN, Recording
from miner.recording.writing import MADE_FROM, RecordingWriter, renamed_when_complete

__all__ = ["Samples", "as_recording", "as_table"]

Samples: TypeAlias = str | os.PathLike[str] | Recording | Mapping[str, Any] | Any
"""A path, an opened recording, columns by name, a data frame or Arrow table, or an array (samples, leads)."""


def as_recording(samples: Samples, setup: Setup, copy: Path, *, rate_hz: float | None = None) -> Path:
    """Return the path of a recording that holds the samples; ``copy`` is written only where there is none yet.

    Parameters
    ----------
    samples : path, Recording, mapping, data frame, Arrow table or ndarray of shape (n_samples, n_leads)
        As `miner.mine` has them.
    setup : Setup
        Names the columns that are needed.
    copy : path
        Parquet file to write.
    rate_hz : float, optional
        Samples per second, where the samples do not say.

    Raises
    ------
    RecordingError
        If a lead of the setup is missing, columns differ in length, there is no rate, or ``copy`` is a recording that
        was not made here.
    """
    if isinstance(samples, Recording):
        return samples.path
    if isinstance(samples, str | os.PathLike):
        return _taken_in(Path(samples), copy, ImportOptions(rate_hz=rate_hz or setup.sample_rate_hz))
    table = _needed(as_table(samples, setup), setup, rate_hz)
    _refuse_foreign(copy)
    with renamed_when_complete(copy) as temporary, RecordingWriter(temporary, table.schema) as writer:
        writer.write({name: table[name] for name in table.column_names})
    return copy


def as_table(samples: Any, setup: Setup | None = None) -> pa.Table:
    """Return a data frame, an Arrow table, columns by name or an array as an Arrow table.

    Parameters
    ----------
    samples : data frame, Arrow table, mapping of str to array (n,), or ndarray of shape (n,) or (n, n_leads)
        Data frames are taken over as they stand: polars, pandas and others have Arrow's stream interface.
    setup : Setup, optional
        Its leads, in their order, are the columns of an array.

    Raises
    ------
    RecordingError
        If it is none of these, or the shape does not fit.
    """
    if isinstance(samples, pa.Table):
        return samples
    try:
        if hasattr(samples, "__arrow_c_stream__"):
            return pa.table(samples)
        if isinstance(samples, Mapping):
            return pa.table({name: _column(values) for name, values in samples.items()})
    except (pa.ArrowException, TypeError, ValueError) as error:
        first = str(error).splitlines()[0].rstrip(".")
        raise RecordingError(
            f"the columns do not make a table ({first})", remedy="hand over numbers, as many in each column"
        ) from error
    array = np.asarray(samples)
    n_leads = len(setup.channel) if setup is not None else 0
    if array.ndim == 1 and n_leads == 1:
        array = array[:, np.newaxis]
    if setup is None or array.ndim != 2 or array.shape[1] != n_leads or array.dtype.kind not in "iufb":
        raise RecordingError(
            f"'{type(samples).__name__}' of shape {array.shape} cannot be taken for samples",
            remedy="hand over a path, a data frame, columns by name, or an array with one column for each lead",
        )
    return pa.table({channel.column: pa.array(array[:, i]) for i, channel in enumerate(setup.channel)})


def _column(values: Any) -> pa.Array | pa.ChunkedArray:
    if hasattr(values, "__arrow_c_stream__"):  # a column of a data frame
        return pa.chunked_array(values)
    return pa.array(values if isinstance(values, np.ndarray) else np.asarray(values))


def _needed(table: pa.Table, setup: Setup, rate_hz: float | None) -> pa.Table:
    """Return the leads of the setup, and the time where there is one, in types that a recording has."""
    names = [channel.column for channel in setup.channel]
    for name in names:
        if name not in table.column_names:
            raise RecordingError(
                "the samples have no such column", remedy=near_names(name, table.column_names).rstrip("?"), column=name
            )
    stated = (table.schema.metadata or {}).get(b"sample_rate_hz")
    rates = {} if stated is None else {"sample_rate_hz": stated.decode()}
    if TIME_COLUMN in table.column_names:
        names = [TIME_COLUMN, *names]
    elif not rates:
        given_hz = rate_hz or setup.sample_rate_hz
        if given_hz is None:
            raise RecordingError(
                "the samples come without a rate",
                remedy=f"give rate_hz, sample_rate_hz in the setup, or a column '{TIME_COLUMN}' in seconds",
            )
        rates = {"sample_rate_hz": repr(float(given_hz))}
    fields = [
        pa.field(name, _kept_type(name, table[name]), metadata=table.schema.field(name).metadata) for name in names
    ]
    return table.select(names).cast(pa.schema(fields, metadata={MADE_FROM: "arrays", **rates}))


def _kept_type(name: str, column: pa.ChunkedArray) -> pa.DataType:
    """Return the type in which a recording keeps a column: nothing is rounded, what is no number is left as it is."""
    kind = column.type
    if name == TIME_COLUMN:
        return pa.float64() if pa.types.is_integer(kind) or pa.types.is_floating(kind) else kind
    if kind in (pa.int64(), pa.uint64(), pa.uint32()):
        ends = pc.min_max(column).as_py()
        fits = all(end is None or -(1 << 31) <= end < 1 << 31 for end in ends.values())
        return pa.int32() if fits else pa.float64()
    return {pa.bool_(): pa.uint8(), pa.float16(): pa.float32()}.get(kind, kind)


def _taken_in(file: Path, copy: Path, options: ImportOptions) -> Path:
    """Return a file that is a recording, or its import; one that lies there already stays if it is the same."""
    if not copy.exists():
        return take_in([file], copy, options=options)[0]
    with TemporaryDirectory(prefix=".half-done-", dir=copy.parent) as beside:
        new = Path(beside) / copy.name
        path, _ = take_in([file], new, options=options)
        if path != new:
            return path
        if digest_file(new) != digest_file(copy):
            raise _foreign(copy)
    return copy


def _refuse_foreign(copy: Path) -> None:
    """Refuse to replace a recording that was not made here."""
    if copy.exists() and MADE_FROM not in open_part(copy, start=0).metadata:
        raise _foreign(copy)


def _foreign(copy: Path) -> RecordingError:
    return RecordingError(
        "a recording lies there that would be replaced", remedy="choose another folder for the findings", file=copy
    )
