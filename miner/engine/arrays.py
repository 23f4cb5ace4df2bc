"""Dataclasses whose fields are arrays with an entry for each of the same things."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

__all__ = ["ArrayFields", "inside"]


@dataclass(frozen=True, kw_only=True)
class ArrayFields:
    """Base of such dataclasses; fields are ndarrays of one length."""

    def take(self, rows: NDArray[np.bool_] | NDArray[np.int64] | slice) -> Self:
        """Return the chosen entries."""
        return replace(self, **{field.name: getattr(self, field.name)[rows] for field in fields(self)})

    @classmethod
    def join(cls, parts: Sequence[Self]) -> Self:
        """Return the entries of all parts, at least one, in order."""
        if len(parts) == 1:
            return parts[0]
        return cls(**{f.name: np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(cls)})


def inside(numbers: NDArray[np.int64], first: int, n: int) -> NDArray[np.int64]:
    """Return those of ascending numbers that lie in ``[first, first + n)``, counted from ``first`` on.

    Examples
    --------
    >>> inside(np.array([3, 10, 12, 20]), 10, 10).tolist()
    [0, 2]
    """
    begin, stop = np.searchsorted(numbers, (first, first + n))
    return numbers[begin:stop] - first
