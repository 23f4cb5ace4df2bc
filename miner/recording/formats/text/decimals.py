"""Printed numbers as counts of their last decimal place: exact, small, and quick to decode."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.recording.formats.base import AS_FLOATS, Again

__all__ = ["Decimals"]

_MOST_PLACES = 9
_LARGEST = 2.0**31 - 1
_ROOM = 8.0
"""The rows after the first block may be larger by this factor; beyond, the import begins again with floats."""

_SAME = 1e-6
"""A count this near to a whole number is one: the product of a parsed decimal and a power of ten is off by some
1e-16 of itself, at most 1e-7 of a count."""


@dataclass(frozen=True)
class Decimals:
    """How a column of printed numbers is stored: counts of ``10 ** -places``, or floats where ``places`` is None."""

    places: int | None

    @classmethod
    def floats(cls) -> Self:
        """Return the way that fits every column."""
        return cls(None)

    @classmethod
    def fitting(cls, values: NDArray[np.float64]) -> Self:
        """Return the fewest decimal places that hold all values exactly.

        Examples
        --------
        >>> Decimals.fitting(np.array([0.25, 4.9, np.nan])).places
        2
        """
        known = values[~np.isnan(values)]
        largest = float(np.abs(known).max()) if known.size else 0.0
        for places in range(_MOST_PLACES + 1):
            if largest * 10.0**places * _ROOM > _LARGEST:
                return cls(None)
            counts = known * 10.0**places
            if np.abs(counts - np.rint(counts)).max(initial=0.0) < _SAME:
                return cls(places)
        return cls(None)

    @property
    def type(self) -> pa.DataType:
        """Type of the stored column."""
        return pa.float64() if self.places is None else pa.int32()

    @property
    def scale(self) -> float:
        """Units in one count."""
        return 1.0 if self.places is None else float(f"1e-{self.places}")

    def convert(self, values: NDArray[np.float64]) -> pa.Array:
        """Return the column to store, null where a value is missing.

        Raises
        ------
        Again
            If a value does not fit the places that the first ones had.
        """
        missing = np.isnan(values)
        mask = missing if missing.any() else None
        if self.places is None:
            return pa.array(values, mask=mask)
        counts = values * 10.0**self.places
        whole = np.rint(counts)
        if mask is not None:
            whole[missing] = counts[missing] = 0.0
        if np.abs(counts - whole).max(initial=0.0) > _SAME or np.abs(whole).max(initial=0.0) > _LARGEST:
            raise Again(AS_FLOATS)
        return pa.array(whole.astype(np.int32), mask=mask)
