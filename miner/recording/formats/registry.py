"""Which format a file is: by its first bytes, and by its name where those do not tell."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from pathlib import Path

from miner.recording.formats.base import ImportOptions, Notes, Stream, refuse

__all__ = ["FORMATS", "format_of", "open_stream"]

Opener = Callable[[Path, ImportOptions, Notes], Stream]

FORMATS = {
    "text": ("text.reader", "open_text", "columns of numbers (CSV and its kin)"),
    "vcd": ("edges.vcd", "open_vcd", "value change dump"),
    "wav": ("wav", "open_wav", "WAV or RF64"),
    "npy": ("numpy_arrays", "open_npy", "NumPy array"),
    "npz": ("numpy_arrays", "open_npz", "NumPy archive"),
    "hdf5": ("hdf5", "open_hdf5", "HDF5"),
    "arrow": ("arrow", "open_arrow", "Arrow IPC or Feather"),
    "parquet": ("arrow", "open_parquet", "Parquet of another shape"),
    "mdf": ("mdf", "open_mdf", "ASAM MDF 4"),
}
"""Kind -> module and function that open it, and what it is called. Modules are loaded when one is needed."""

_MAGIC = (
    (b"PAR1", "parquet"),
    (b"ARROW1", "arrow"),
    (b"\xff\xff\xff\xff", "arrow"),
    (b"\x93NUMPY", "npy"),
    (b"PK\x03\x04", "npz"),
    (b"PK\x05\x06", "npz"),
    (b"\x89HDF\r\n\x1a\n", "hdf5"),
    (b"MDF     ", "mdf"),
    (b"UnFinMF ", "mdf"),
    (b"RIFF", "wav"),
    (b"RF64", "wav"),
    (b"RIFX", "wav"),
)

_FOREIGN = {
    b"FEA1": "Feather of the first version",
    b"\xd0\xcf\x11\xe0": "a workbook or another office file",
    b"%PDF": "a PDF",
    b"\x89PNG": "a picture",
    b"MATLAB": "a MAT file of an old version",
}

_HDF5_USER_BLOCKS = (512, 1024, 2048)


def format_of(file: Path) -> str:
    """Return the kind of a file.

    Raises
    ------
    RecordingError
        If it cannot be opened, is empty or of a format that is known not to be read.
    """
    try:
        with file.open("rb") as source:
            head = source.read(4096)
    except OSError as error:
        raise refuse(f"cannot be opened ({error.strerror or error})", "check the path", file) from error
    if not head:
        raise refuse("is empty", "check how it was recorded", file)
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            return kind
    for magic, what in _FOREIGN.items():
        if head.startswith(magic):
            raise refuse(f"is {what}, which cannot be read", "export it as CSV", file)
    if any(head[at : at + 8] == b"\x89HDF\r\n\x1a\n" for at in _HDF5_USER_BLOCKS):
        return "hdf5"
    return "vcd" if file.suffix.lower() == ".vcd" or _looks_like_vcd(head) else "text"


def _looks_like_vcd(head: bytes) -> bool:
    start = head.lstrip()
    return start.startswith(b"$") and any(word in head for word in (b"$end", b"$date", b"$timescale", b"$version"))


def open_stream(file: Path, options: ImportOptions, notes: Notes) -> Stream:
    """Open a file of any format; see `miner.recording.importing.import_recording` for the refusals."""
    module, function, _ = FORMATS[format_of(file)]
    opener: Opener = getattr(importlib.import_module(f"miner.recording.formats.{module}"), function)
    return opener(file, options, notes)
