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

    def counts(self) -> dict[str, int | float]:
        """Return turns of the crank, and teeth of its wheel that did not come or were too many."""
        turns, n_missing, n_extra, at_s = 0.0, 0, 0, np.nan
        for piece in self(-np.inf, np.inf):
            time_s, rpm = (piece[name].to_numpy().astype(np.float64) for name in ("time_s", "rpm"))
            turns += float(np.nansum(rpm * np.diff(time_s, prepend=at_s))) / 60.0
            n_missing += int(piece["n_missing"].to_numpy().sum())
            n_extra += int(piece["n_extra"].to_numpy().sum())
            at_s = float(time_s[-1]) if time_s.size else at_s
        return {"turns": turns, "teeth_missing": n_missing, "teeth_extra": n_extra}
