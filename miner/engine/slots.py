"""Observable slots: the places of the cycle that at least one pulse lead speaks for.

Only these take part in the alignment; a cylinder without any lead cannot be seen, so nothing is due there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.engine.setup import Setup, SetupLead

__all__ = ["SlotPlan", "plan_slots"]


@dataclass(frozen=True, kw_only=True)
class SlotPlan:
    """What the alignment needs to know of engine and leads.

    Attributes
    ----------
    cycle_deg : float
        Crank angle after which the sequence repeats.
    cycles_per_repeat : float
        Engine cycles in one repetition.
    slot : ndarray of int64, shape (n_slots,)
        Place in the firing pattern of each observable slot, ascending.
    angle_deg : ndarray of float64, shape (n_slots,)
        Crank angle of each.
    cylinder : ndarray of int64, shape (n_slots,)
        Number its events carry: the command lead's cylinder where there is one, else the first in firing order.
    lead : ndarray of int64, shape (n_leads,)
        Index in ``Setup.channel`` of each command and feedback lead.
    is_command : ndarray of bool, shape (n_leads,)
        True for command leads.
    serves : ndarray of bool, shape (n_leads, n_slots)
        Which slots a lead speaks for.
    n_starts : int
        Slots after which engine and leads look the same again; below ``n_slots`` the place in the cycle, and so
        the cylinder, cannot be told from pulses alone.
    n_blind_starts : int
        The same as long as no lead that speaks for one slot only is seen: what the rhythm alone can tell.
    """

    cycle_deg: float
    cycles_per_repeat: float
    slot: NDArray[np.int64]
    angle_deg: NDArray[np.float64]
    cylinder: NDArray[np.int64]
    lead: NDArray[np.int64]
    is_command: NDArray[np.bool_]
    serves: NDArray[np.bool_]
    n_starts: int
    n_blind_starts: int

    @property
    def n_slots(self) -> int:
        """Observable slots in one repetition."""
        return len(self.slot)

    @property
    def anchors(self) -> NDArray[np.bool_]:
        """Whether each lead speaks for one slot only, shape (n_leads,)."""
        return np.asarray(self.serves.sum(axis=1) == 1)

    def crank_deg(self, count: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the crank angle of running slot numbers, ``count = repetition * n_slots + slot``."""
        turn, place = np.divmod(count, self.n_slots)
        return np.asarray(turn * self.cycle_deg + self.angle_deg[place])


def plan_slots(setup: Setup) -> SlotPlan:
    """Find the observable slots of a setup; there is at least one when it has a command or feedback lead."""
    pattern = setup.engine.pattern
    leads = setup.leads("command", "feedback")
    serves = np.zeros((len(leads), pattern.n_slots), dtype=np.bool_)
    for row, (_, channel) in enumerate(leads):
        for cylinder in channel.served(setup.engine):
            serves[row, pattern.slot_of(cylinder)] = True
    seen = np.flatnonzero(serves.any(axis=0))
    angles = np.asarray(pattern.angles_deg)[seen]
    serves = serves[:, seen]
    return SlotPlan(
        cycle_deg=pattern.cycle_deg,
        cycles_per_repeat=pattern.cycles_per_repeat,
        slot=seen,
        angle_deg=angles,
        cylinder=np.array([_carried_number(pattern.cylinders[s], [c for _, c in leads]) for s in seen], dtype=np.int64),
        lead=np.array([i for i, _ in leads], dtype=np.int64),
        is_command=np.array([c.role == "command" for _, c in leads], dtype=np.bool_),
        serves=serves,
        n_starts=_period(angles, serves, pattern.cycle_deg),
        n_blind_starts=_period(angles, serves[serves.sum(axis=1) > 1], pattern.cycle_deg),
    )


def _carried_number(served: tuple[int, ...], leads: list[SetupLead]) -> int:
    named = [c.cylinder for c in leads if c.role == "command" and c.cylinder in served]
    return int(named[0] or served[0]) if named else served[0]


def _period(angles: NDArray[np.float64], serves: NDArray[np.bool_], cycle_deg: float) -> int:
    """Return the smallest rotation, in slots, that leaves intervals and leads as they are."""
    n = len(angles)
    intervals = np.diff(angles, append=angles[:1] + cycle_deg) if n else angles
    for shift in range(1, n):
        same_rhythm = np.allclose(np.roll(intervals, -shift), intervals, atol=1e-6)
        if same_rhythm and np.array_equal(np.roll(serves, -shift, axis=1), serves):
            return shift
    return n
