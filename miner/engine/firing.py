"""Firing orders and angles: which cylinder is due at which crank angle.

Engine arithmetic: a four-stroke cycle is two turns of the crank (720 degrees), a two-stroke cycle one;
degrees = 6 * rpm * seconds (Heywood, Internal Combustion Engine Fundamentals, ch. 2; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

__all__ = ["FiringPattern", "firing_pattern"]


@dataclass(frozen=True, kw_only=True)
class FiringPattern:
    """The slots of one repetition of the ignition sequence.

    Attributes
    ----------
    cycle_deg : float
        Crank angle after which the sequence repeats: 720 (four-stroke), 360 (two-stroke or paired coils).
    angles_deg : tuple of float
        Crank angle of each slot from slot 0, ascending, in ``[0, cycle_deg)``.
    cylinders : tuple of tuple of int
        Cylinders served in each slot: one, or two with paired coils.
    cycles_per_repeat : float
        Engine cycles in one repetition: 1, or 0.5 with paired coils on a four-stroke.
    """

    cycle_deg: float
    angles_deg: tuple[float, ...]
    cylinders: tuple[tuple[int, ...], ...]
    cycles_per_repeat: float = 1.0

    @property
    def n_slots(self) -> int:
        """Slots in one repetition."""
        return len(self.angles_deg)

    def slot_of(self, cylinder: int) -> int:
        """Return the slot in which a cylinder is due."""
        return next(slot for slot, served in enumerate(self.cylinders) if cylinder in served)

    def intervals_deg(self) -> tuple[float, ...]:
        """Return the crank angle from each slot to the next; they sum to ``cycle_deg``."""
        after = (*self.angles_deg[1:], self.cycle_deg + self.angles_deg[0])
        return tuple(b - a for a, b in zip(self.angles_deg, after, strict=True))


def firing_pattern(
    firing_order: tuple[int, ...],
    *,
    strokes: int = 4,
    firing_angles_deg: tuple[float, ...] | None = None,
    paired: bool = False,
) -> FiringPattern:
    """Build the pattern from a firing order.

    Parameters
    ----------
    firing_order : tuple of int
        Cylinder numbers in the order they fire.
    strokes : {2, 4}, default=4
        Strokes of one working cycle.
    firing_angles_deg : tuple of float, optional
        Crank angle of each firing, ascending from 0; even spacing without it.
    paired : bool, default=False
        One coil serves the two cylinders that are 360 degrees apart and fires every turn.

    Raises
    ------
    ValueError
        If the angles do not ascend within the cycle, or paired cylinders are not 360 degrees apart.

    Examples
    --------
    >>> firing_pattern((1, 3, 4, 2)).angles_deg
    (0.0, 180.0, 360.0, 540.0)
    >>> firing_pattern((1, 3, 4, 2), paired=True).cylinders
    ((1, 4), (3, 2))
    """
    n = len(firing_order)
    cycle_deg = 720.0 if strokes == 4 else 360.0
    angles = tuple(float(a) for a in firing_angles_deg or tuple(cycle_deg / n * i for i in range(n)))
    if len(angles) != n:
        raise ValueError(f"{len(angles)} firing angles for {n} cylinders")
    if angles[0] < 0 or angles[-1] - angles[0] >= cycle_deg or any(b <= a for a, b in pairwise(angles)):
        raise ValueError(f"firing angles must ascend within {cycle_deg:.0f} degrees")
    angles = tuple(a - angles[0] for a in angles)
    if not paired:
        return FiringPattern(cycle_deg=cycle_deg, angles_deg=angles, cylinders=tuple((c,) for c in firing_order))
    return _paired_pattern(firing_order, angles, cycle_deg)


def _paired_pattern(order: tuple[int, ...], angles: tuple[float, ...], cycle_deg: float) -> FiringPattern:
    if cycle_deg != 720.0:
        raise ValueError("paired coils belong to four-stroke engines")
    if len(order) == 1:  # one cylinder, fired every turn
        return FiringPattern(cycle_deg=360.0, angles_deg=(0.0,), cylinders=(order,), cycles_per_repeat=0.5)
    half = len(order) // 2
    pairs_fit = len(order) % 2 == 0 and all(abs(angles[i + half] - angles[i] - 360.0) < 1e-6 for i in range(half))
    if not pairs_fit:
        raise ValueError("paired coils need cylinders that fire 360 degrees apart two by two")
    return FiringPattern(
        cycle_deg=360.0,
        angles_deg=angles[:half],
        cylinders=tuple((order[i], order[i + half]) for i in range(half)),
        cycles_per_repeat=0.5,
    )
