"""The marks of the crank wheel, read back from the files of the sections where somebody asks for them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa

from miner.mining.section_file import read_crank, read_start_s

__all__ = ["CrankRows"]


class CrankRows:
    """CRANK rows between two instants; one section is held at a time.

    Parameters
    ----------
    sections : sequence of path
        Files of all sections, in order.
    """

    def __init__(self, sections: Sequence[Path]) -> None:
        self._sections = sections
        self._start_s = np.array([read_start_s(section) for section in sections])
        self._held: tuple[int, pa.Table] | None = None

    def __call__(self, start_s: float, stop_s: float) -> Iterator[pa.Table]:
        """Yield the rows of the sections that reach over the time, section after section."""
        first = max(int(np.searchsorted(self._start_s, start_s, side="right")) - 1, 0)
        for index in range(first, int(np.searchsorted(self._start_s, stop_s, side="right"))):
            if self._held is None or self._held[0] != index:
                self._held = index, read_crank(self._sections[index])
            yield self._held[1]
