"""Engines: firing orders and crank angles between 1 and 12 cylinders."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Which cylinder fires when.

    Attributes
    ----------
    order : tuple of int
        Cylinders in the order of firing (common orders; every maker numbers differently).
    angles_deg : tuple of float
        Crank angle of each firing within a cycle; empty for even firing.
    strokes : int
        4, or 2 for an engine that fires each cylinder every revolution.
    paired : bool
        One coil for two cylinders 360 degrees apart, fired every revolution.
    """

    order: tuple[int, ...]
    angles_deg: tuple[float, ...] = ()
    strokes: int = 4
    paired: bool = False

    @property
    def cycle_deg(self) -> float:
        return 720.0 if self.strokes == 4 else 360.0

    @property
    def firing_deg(self) -> NDArray[np.float64]:
        """Crank angle of each slot."""
        n = len(self.order)
        even = np.arange(n) * self.cycle_deg / n
        return np.array(self.angles_deg) if self.angles_deg else even

    @property
    def partner(self) -> NDArray[np.int64]:
        """The cylinder that shares the coil with the slot's own, or the own one."""
        order = np.array(self.order)
        return np.roll(order, len(order) // 2) if self.paired else order

    @property
    def coil_of_slot(self) -> NDArray[np.int64]:
        """Name of each slot's coil: the lower number of the cylinders it serves."""
        return np.minimum(np.array(self.order), self.partner)


def even(*order: int, paired: bool = False, strokes: int = 4) -> Layout:
    return Layout(order=order, paired=paired, strokes=strokes)


def uneven(order: tuple[int, ...], angles_deg: tuple[float, ...]) -> Layout:
    return Layout(order=order, angles_deg=angles_deg)


LAYOUTS = {
    "single": even(1), "single_two_stroke": even(1, strokes=2),
    "twin_360": even(1, 2), "twin_180": uneven((1, 2), (0.0, 180.0)), "twin_270": uneven((1, 2), (0.0, 270.0)),
    "vee_twin_52": uneven((1, 2), (0.0, 308.0)), "twin_two_stroke": even(1, 2, strokes=2),
    "twin_paired": even(1, 2, paired=True),
    "three": even(1, 2, 3), "three_two_stroke": even(1, 3, 2, strokes=2),
    "three_t": uneven((1, 2, 3), (0.0, 180.0, 450.0)),
    "four": even(1, 3, 4, 2), "flat_four": even(1, 3, 2, 4), "four_paired": even(1, 3, 4, 2, paired=True),
    "four_cross": uneven((1, 3, 2, 4), (0.0, 270.0, 450.0, 540.0)),
    "five": even(1, 2, 4, 5, 3), "six": even(1, 5, 3, 6, 2, 4), "flat_six": even(1, 6, 2, 4, 3, 5),
    "six_paired": even(1, 6, 5, 4, 3, 2, paired=True),
    "vee_six_odd": uneven((1, 6, 5, 4, 3, 2), (0.0, 90.0, 240.0, 330.0, 480.0, 570.0)),
    "eight": even(1, 8, 4, 3, 6, 5, 7, 2), "eight_flat": even(1, 5, 3, 7, 4, 8, 2, 6),
    "ten": even(1, 6, 5, 10, 2, 7, 3, 8, 4, 9),
    "ten_odd": uneven(
        (1, 10, 9, 4, 3, 6, 5, 8, 7, 2), (0.0, 90.0, 144.0, 234.0, 288.0, 378.0, 432.0, 522.0, 576.0, 666.0)
    ),
    "twelve": even(1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10),
}  # fmt: skip
