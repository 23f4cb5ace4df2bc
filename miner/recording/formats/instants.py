"""From instants to a sample grid: a regular time column becomes a rate, its jumps become gaps.

A recording without a time column reads faster and is smaller, so the column is dropped where every instant lies on one
grid to a quarter of a sample. Where one does not, the import begins again with the column kept.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.recording.formats.base import KEEP_TIME, Again, Block, refuse

__all__ = ["Grid", "RisingInstants", "check_rate", "estimate_rate"]

_ON_GRID = 0.25
"""An instant off its place by more of a sample is not on the grid: half would make the place ambiguous."""

_LONGEST_FILL_S = 60.0
"""A longer jump is kept as a time column instead of rows without values (own choice: a minute at 1 MS/s is written
in a second)."""

_SLOWEST_HZ = 1000.0
"""Below this no ignition pulse can be measured: on-times are of the order of milliseconds."""

_MOST_FIGURES = 12


def estimate_rate(time_s: NDArray[np.float64]) -> float | None:
    """Return the rate that the instants step at, rounded where they cannot tell it from a round number.

    None where fewer than two instants follow each other. Single jumps do not matter.

    Examples
    --------
    >>> estimate_rate(np.arange(1000) / 1e6)
    1000000.0
    """
    time_s = time_s[np.isfinite(time_s)]  # whoever keeps the others refuses them
    steps = np.diff(time_s)
    steps = steps[np.isfinite(steps) & (steps > 0)]
    if steps.size == 0:
        return None
    median = float(np.median(steps))
    length = float(time_s[-1] - time_s[0])
    n = round(length / median) if np.isfinite(length) and length > 0 else 0
    # over many steps the rounding of printed times evens out; with jumps the median is the better guess
    rate = n / length if n == steps.size else 1.0 / median
    for figures in range(1, _MOST_FIGURES):
        rounded = float(f"{rate:.{figures}g}")
        if abs(rounded / rate - 1.0) * max(steps.size, 1) < _ON_GRID / 10:
            return rounded
    return rate


class Grid:
    """Puts rows on the grid of the first block; jumps forward become rows without values.

    Parameters
    ----------
    first : ndarray
        Instants of the first block.

    Raises
    ------
    Again
        From `place`, where an instant lies between two places of the grid, or a jump is long.
    """

    def __init__(self, first: NDArray[np.float64]) -> None:
        rate = estimate_rate(first)
        if rate is None:
            raise Again(KEEP_TIME)
        self.rate_hz = rate
        self._origin_s = float(first[0])
        self._next = 0

    def restart(self, first_s: float) -> None:
        """Go on with another file whose first instant is given; one whose clock began anew follows directly."""
        if (first_s - self._origin_s) * self.rate_hz < self._next - 0.5:
            self._origin_s = first_s - self._next / self.rate_hz

    def place(self, block: Block) -> Mapping[str, pa.Array]:
        """Return the columns with rows without values where the instants jump."""
        assert block.time_s is not None
        with np.errstate(invalid="ignore"):
            exact = (block.time_s - self._origin_s) * self.rate_hz
        at = np.rint(exact)
        if not (np.isfinite(exact).all() and (np.abs(exact - at) <= _ON_GRID).all()):
            raise Again(KEEP_TIME)
        at = at.astype(np.int64) - self._next
        if at.size == 0:
            return block.columns
        steps = np.diff(at, prepend=-1)
        if steps.min() < 1 or steps.max() > _LONGEST_FILL_S * self.rate_hz:
            raise Again(KEEP_TIME)
        self._next += int(at[-1]) + 1
        if int(at[-1]) + 1 == at.size:
            return block.columns
        source = np.full(int(at[-1]) + 1, -1, np.int64)
        source[at] = np.arange(at.size)
        rows = pa.array(source, mask=source < 0)
        return {name: column.take(rows) for name, column in block.columns.items()}


class RisingInstants:
    """Checks instants that are kept: they must ascend; a file whose clock began anew follows the one before."""

    def __init__(self) -> None:
        self._last_s = -np.inf
        self._shift_s = 0.0
        self._step_s = 0.0

    def restart(self, first_s: float) -> None:
        """Go on with another file whose first instant is given."""
        if first_s + self._shift_s <= self._last_s:
            self._shift_s = self._last_s + self._step_s - first_s

    def check(self, block: Block) -> NDArray[np.float64]:
        """Return the instants of a block, or refuse with the row that runs backwards."""
        assert block.time_s is not None
        time_s = block.time_s + self._shift_s
        with np.errstate(invalid="ignore"):
            steps = np.diff(time_s, prepend=self._last_s)
        bad = np.flatnonzero(~((steps > 0) & np.isfinite(time_s)))
        if bad.size:
            what = "repeats (is it printed with too few digits?)" if steps[bad[0]] == 0 else "runs backwards"
            what = what if np.isfinite(time_s[bad[0]]) else "is no number"
            raise refuse(
                f"the time {what}",
                "give --rate-hz, then the time column is passed over, or correct the file",
                block.file,
                **block.place(int(bad[0])),
            )
        if time_s.size:
            self._last_s = float(time_s[-1])
            self._step_s = float(np.median(steps[np.isfinite(steps)])) if time_s.size > 1 else self._step_s
        return time_s


def check_rate(rate_hz: float, block: Block) -> None:
    """Refuse a rate no ignition pulse can be seen at: most likely the unit of the time is another one."""
    if rate_hz < _SLOWEST_HZ:
        raise refuse(
            f"the time steps at {rate_hz:g} samples a second, which is too slow for any ignition signal",
            "say what the time column counts with --time-unit s, ms, us, ns or samples",
            block.file,
        )
