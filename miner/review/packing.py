"""Arrays to the page as bytes: one JSON header, then the numbers as they lie in memory.

Layout, little-endian: ``uint32`` length of the header, the header as UTF-8 JSON padded with spaces so that the
arrays start at a multiple of 8, then the arrays, each padded to a multiple of 8. The header's ``arrays`` maps a
name to ``[type, byte offset from the first array, number of items]``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["pack", "unpack"]

_TYPES: dict[str, np.dtype[Any]] = {
    "f4": np.dtype("<f4"),
    "f8": np.dtype("<f8"),
    "i2": np.dtype("<i2"),
    "i4": np.dtype("<i4"),
}
_ALIGN = 8


def pack(header: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> bytes:
    """Return header and arrays as one block of bytes.

    Parameters
    ----------
    header : mapping
        JSON-ready content; must not use the key ``arrays``.
    arrays : mapping of str to ndarray of shape (n,)
        float32, float64, int16 or int32.

    Raises
    ------
    KeyError
        If an array has another type.
    """
    names = {dtype: name for name, dtype in _TYPES.items()}
    places: dict[str, tuple[str, int, int]] = {}
    bodies: list[bytes] = []
    offset = 0
    for name, array in arrays.items():
        body = np.ascontiguousarray(array).tobytes()
        places[name] = (names[array.dtype.newbyteorder("<")], offset, len(array))
        bodies.append(body + bytes(-len(body) % _ALIGN))
        offset += len(bodies[-1])
    text = json.dumps({**header, "arrays": places}, ensure_ascii=False, allow_nan=False).encode()
    text += b" " * (-(len(text) + 4) % _ALIGN)
    return len(text).to_bytes(4, "little") + text + b"".join(bodies)


def unpack(block: bytes) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """Return what `pack` was given.

    Examples
    --------
    >>> header, arrays = unpack(pack({"start_s": 1.5}, {"x": np.array([1.0, 2.0], dtype="f4")}))
    >>> header["start_s"], arrays["x"].tolist()
    (1.5, [1.0, 2.0])
    """
    length = int.from_bytes(block[:4], "little")
    header = json.loads(block[4 : 4 + length])
    first = 4 + length
    arrays = {
        name: np.frombuffer(block, dtype=_TYPES[kind], count=count, offset=first + offset)
        for name, (kind, offset, count) in header.pop("arrays").items()
    }
    return header, arrays
