"""Instants written as date and time of day (ISO 8601), exact to the nanosecond.

Epoch seconds in float64 are good to 0.2 us only, so whole nanoseconds are parsed and only their distance from the
first instant becomes a float.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

__all__ = ["Stamp", "stamp_of"]

_FORM = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d:\d\d)(?:[.,](\d{1,9}))?(Z|[+-]\d\d(?::?\d\d)?)?", re.ASCII)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NS = 10**9


@dataclass(frozen=True)
class Stamp:
    """An instant.

    Parameters
    ----------
    ns : int
        Nanoseconds since the beginning of 1970, in UTC where ``zoned``, else by the recorder's own clock.
    zoned : bool
        Whether the time zone is told.

    Examples
    --------
    >>> stamp_of("2026-12-01 10:00:00.000010Z").text
    '2026-12-01T10:00:00.00001Z'
    """

    ns: int
    zoned: bool

    @property
    def text(self) -> str:
        """The instant in ISO 8601, in UTC where the zone is told."""
        whole, rest = divmod(self.ns, _NS)
        fraction = f".{rest:09d}".rstrip("0").rstrip(".")
        return f"{_EPOCH + timedelta(seconds=whole):%Y-%m-%dT%H:%M:%S}{fraction}{'Z' if self.zoned else ''}"

    @property
    def type(self) -> pa.DataType:
        """Type of a column of such instants."""
        return pa.timestamp("ns", tz="UTC" if self.zoned else None)

    def seconds_of(self, column: pa.ChunkedArray) -> NDArray[np.float64]:
        """Return the seconds from this instant to those of a column of its type, NaN where missing."""
        ns = pc.subtract(column.cast(pa.int64()), pa.scalar(self.ns, pa.int64()))
        return np.asarray(ns.cast(pa.float64(), safe=False).to_numpy(), np.float64) / _NS

    def seconds_to(self, other: Stamp) -> float | None:
        """Return the seconds to another instant; None where only one of the two tells its zone."""
        return (other.ns - self.ns) / _NS if other.zoned == self.zoned else None


def stamp_of(text: str) -> Stamp | None:
    """Return the instant that a field holds, None where it holds none.

    Date and time of day with a ``T`` or a blank between, up to nine digits of a second, and a zone or none.
    """
    found = _FORM.fullmatch(text.strip())
    if found is None:
        return None
    day, clock, fraction, zone = found.groups()
    try:
        whole = datetime.fromisoformat(f"{day}T{clock}{zone or 'Z'}") - _EPOCH
    except ValueError:
        return None
    seconds = whole.days * 86400 + whole.seconds
    return Stamp(seconds * _NS + int((fraction or "").ljust(9, "0")), zone is not None)
