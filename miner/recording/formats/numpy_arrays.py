"""NPY and NPZ: plain, two-dimensional or structured arrays; packed archives are unpacked as they are read."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy_format
from numpy.typing import NDArray

from miner.errors import RecordingError
from miner.recording.formats.arrays import Arrays, NamedArray, is_numeric, stream_of
from miner.recording.formats.base import ImportOptions, Notes, Stream, refuse

__all__ = ["open_npy", "open_npz"]

_DAMAGED = "copy it again from where it was made"


def open_npy(file: Path, options: ImportOptions, notes: Notes) -> Stream:  # noqa: ARG001 - nothing to note
    """Open one array: a lead; two-dimensional, the shorter side counts leads; structured, its fields."""
    try:
        array = np.load(file, mmap_mode="r", allow_pickle=False)
    except Exception as error:
        raise refuse(f"is no complete array of numbers ({error})", _DAMAGED, file) from error
    return stream_of(Arrays(columns=_columns(array, file)), options, file)


def _columns(array: NDArray[Any], file: Path, name: str = "lead") -> list[NamedArray]:
    if array.dtype.names:
        return [_column(field, array[field]) for field in array.dtype.names if is_numeric(array.dtype[field])]
    if array.ndim not in (1, 2) or not is_numeric(array.dtype):
        raise refuse(
            f"holds an array of {array.dtype} with {array.ndim} dimensions",
            "save numbers, one row or column a lead",
            file,
        )
    if array.ndim == 1:
        return [_column(f"{name}_1" if name == "lead" else name, array)]
    across = array if array.shape[1] <= array.shape[0] else array.T
    return [_column(f"{name}_{i + 1}", across[:, i]) for i in range(across.shape[1])]


def _column(name: str, array: NDArray[Any]) -> NamedArray:
    return NamedArray(name=name, dtype=array.dtype, n_rows=array.shape[0], read=lambda start, stop: array[start:stop])


def open_npz(file: Path, options: ImportOptions, notes: Notes) -> Stream:  # noqa: ARG001
    """Open an archive of arrays: one-dimensional ones are leads by their names, single numbers may be the rate."""
    columns: list[NamedArray] = []
    numbers: dict[str, float] = {}
    try:
        with zipfile.ZipFile(file) as archive:
            for entry in archive.namelist():
                if entry.endswith(".npy"):
                    _take(_Member.open(file, entry), columns, numbers, file)
    except RecordingError:
        raise
    except Exception as error:
        raise refuse(f"is no complete archive of arrays ({error})", _DAMAGED, file) from error
    return stream_of(Arrays(columns=columns, numbers=numbers), options, file)


def _take(member: _Member, columns: list[NamedArray], numbers: dict[str, float], file: Path) -> None:
    name = member.entry.removesuffix(".npy")
    if not is_numeric(member.dtype):
        return
    if member.shape in ((), (1,)):
        numbers[name] = float(member.read(0, 1)[0])
    elif len(member.shape) == 1:
        columns.append(NamedArray(name=name, dtype=member.dtype, n_rows=member.shape[0], read=member.read))
    else:
        with np.load(file, allow_pickle=False) as archive:  # an archive cannot be read across: unpacked as a whole
            columns.extend(_columns(archive[name], file, name))


@dataclass(kw_only=True)
class _Member:
    """One array in an archive, read forwards by slices."""

    file: Path
    entry: str
    shape: Sequence[int]
    dtype: np.dtype[Any]
    _source: IO[bytes] | None = field(default=None)
    _at: int = 0

    @classmethod
    def open(cls, file: Path, entry: str) -> _Member:
        """Read the head of an array."""
        with zipfile.ZipFile(file) as archive, archive.open(entry) as source:
            shape, _, dtype = _read_head(source)
        return cls(file=file, entry=entry, shape=shape, dtype=dtype)

    def read(self, start: int, stop: int) -> NDArray[Any]:
        """Return rows ``[start, stop)``; begins anew where it has gone past them."""
        try:
            if self._source is None or start < self._at:
                self._source = zipfile.ZipFile(self.file).open(self.entry)  # noqa: SIM115 - open from slice to slice
                _read_head(self._source)
                self._at = 0
            size = self.dtype.itemsize
            while self._at < start:
                self._at += len(self._source.read((start - self._at) * size)) // size or start
            data = self._source.read((stop - start) * size)
        except (zipfile.BadZipFile, OSError, EOFError, zlib.error, ValueError, NotImplementedError) as error:
            raise refuse(f"is damaged ({error})", _DAMAGED, self.file, column=self.entry, row=start) from error
        self._at = stop
        if len(data) < (stop - start) * size:
            raise refuse("ends too early", _DAMAGED, self.file, column=self.entry, row=start)
        return np.frombuffer(data, self.dtype)


def _read_head(source: IO[bytes]) -> tuple[Sequence[int], bool, np.dtype[Any]]:
    version = npy_format.read_magic(source)
    if version == (1, 0):
        head = npy_format.read_array_header_1_0(source)
    elif version == (2, 0):
        head = npy_format.read_array_header_2_0(source)
    else:
        raise ValueError(f"version {version} of the array format")
    if head[2].hasobject:
        raise ValueError("it holds Python objects")
    return head
