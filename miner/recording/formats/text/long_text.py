"""Text with one row a sample and lead (time, name of the lead, value): how it is laid out, and its rows."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.recording.formats.base import ImportOptions
from miner.recording.formats.text.layout import LONG_WAYS, TextLayout, fields_of, lay_out_long, number_of
from miner.recording.formats.text.stamps import stamp_of

__all__ = ["LongRows", "long_layout"]

Floats = NDArray[np.float64]
Place = Callable[[int], dict[str, int]]


def long_layout(lines: Sequence[str], options: ImportOptions) -> TextLayout | None:
    """Return the layout of a file most of whose lines hold two numbers and a name, None where they do not."""
    lines = [line for line in lines[:2000] if line.strip()]
    for delimiter, decimal in LONG_WAYS:
        rows = [fields_of(line, delimiter) for line in lines]
        texts = [_text_place(row, decimal) for row in rows]
        known = [place for place in texts if place is not None]
        if len(known) >= 2 and len(set(known)) == 1 and 2 * len(known) > len(rows):
            first = next(i for i, place in enumerate(texts) if place is not None)
            return lay_out_long(rows, first, known[0], (delimiter, decimal), options)
    return None


def _text_place(row: Sequence[str], decimal: str) -> int | None:
    if len(row) != 3:
        return None
    texts = [i for i, field in enumerate(row) if number_of(field, decimal) is None and stamp_of(field) is None]
    return texts[0] if len(texts) == 1 else None


class LongRows:
    """The rows of a long file, and where each of the last ones stands in it.

    Parameters
    ----------
    begin : callable
        Begins anew and returns what yields (columns, where a row is, share read).
    seconds : callable
        Takes such columns and returns their instants.
    label, value : str
        Names of the columns of names and of values.
    names : list of str
        Names by their number in the column of names; grows while rows are read.
    """

    def __init__(
        self, begin: Callable[[], Iterator[Any]], seconds: Callable[[dict[str, Floats]], Floats], label: str,
        value: str, names: list[str],
    ) -> None:  # fmt: skip
        self._begin, self._seconds, self._label, self._value, self._names = begin, seconds, label, value, names
        self._places: deque[tuple[int, Place]] = deque(maxlen=4)

    def read(self) -> Iterator[tuple[Floats, pa.Array, Floats, float]]:
        """Yield as `miner.recording.formats.long_form.Triples`."""
        self._places.clear()
        row = 0
        for columns, place, done in self._begin():
            self._places.append((row, place))
            codes = columns[self._label]
            written = pa.array(self._names, pa.string()).take(pa.array(codes, from_pandas=True).cast(pa.int64()))
            yield self._seconds(columns), written, columns[self._value], done
            row += codes.size

    def place(self, row: int) -> dict[str, int]:
        """Return the line of one of the rows read last."""
        first, place = next(item for item in reversed(self._places) if item[0] <= row or item is self._places[0])
        return place(max(row - first, 0))
