"""Whether a setup fits the signals, before anything is ranked by it, or another reading fits clearly better.

Some stretches of pulses are aligned to the slots the setup describes. What that costs a pulse is little where the
setup is right, whatever the engine does. Where it costs much, the same pulses are aligned to what may have been meant:
other numbers of cylinders, other orders and angles of the leads, paired coils, leads with each other's roles. Readings
that differ in the scale of the speed alone cost the same and cannot be told apart, so none of them is ever proposed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.alignment import align
from miner.engine.fit.readings import other_readings
from miner.engine.kernels import EXTRA
from miner.engine.observed import lead_gaps, observe, with_busy
from miner.engine.setup import Setup
from miner.engine.slots import SlotPlan, plan_slots
from miner.errors import SetupError

__all__ = ["SetupFit", "fit_setup", "spread_stretches"]

Floats = NDArray[np.float64]

FITS = 0.4
"""Log odds a pulse up to which a setup is taken to fit: right ones of outside recordings and of made-up drives lie
below 0.3, wrong ones above 0.6 (own measurement)."""

CLEARLY = 0.4
"""Another reading fits clearly better when it costs less than this share, and fits itself (own choice)."""

ALIKE = (1.2, 0.02)
"""Of readings that cost up to so much times the least, and so much more, the one nearest to the setup is meant."""

N_TRIED = 4
"""Readings that one stretch alone speaks for are held against all stretches; so many of them (own choice)."""

UNPLACED = 0.03
"""Share of the pulses without a slot from which on it is said (own choice)."""

CLOSE = 0.42
"""Repeated sparks follow each other within this share of the time between slots."""

FEWEST = 40
"""Fewer pulses prove nothing: a start of the engine is uneven."""

N_STRETCHES, STRETCH_PULSES = 6, 300
"""What is looked at of a long recording (own choice: two dozen cycles of twelve cylinders each)."""


@dataclass(frozen=True, kw_only=True)
class SetupFit:
    """What the signals say of a setup.

    Attributes
    ----------
    n_pulses : int
        Pulses it rests on.
    strain : float
        Log odds a pulse against the setup as described.
    unplaced : float
        Share of the pulses that found no slot and are no repeated sparks.
    other : str
        The reading that fits clearly better, in words; empty: there is none.
    other_strain : float
        Log odds a pulse against that one; NaN without.
    """

    n_pulses: int
    strain: float
    unplaced: float
    other: str = ""
    other_strain: float = field(default=float("nan"))

    @property
    def fits(self) -> bool:
        """Whether nothing else fits clearly better."""
        return not self.other

    @property
    def sentence(self) -> str:
        """One sentence that says what does not fit; empty where all does."""
        if self.other:
            return f"the setup does not fit the signals: {self.other} fits clearly better than what it describes"
        if self.unplaced >= UNPLACED and self.n_pulses >= FEWEST:
            return (
                f"{self.unplaced:.0%} of the pulses looked at have no place in the engine cycle the setup describes: "
                "check cylinders, firing order and leads"
            )
        return ""

    def require(self, file: object = None) -> None:
        """Raise ``SetupError`` where another reading fits clearly better."""
        if self.other:
            raise SetupError(
                self.sentence,
                remedy="correct the setup, or go on all the same with --as-described",
                file=None if file is None else str(file),
                key="engine",
            )

    def as_json(self) -> dict[str, object]:
        """Return it for ``summary.json``."""
        return {
            "fits": self.fits,
            "n_pulses": self.n_pulses,
            "strain": round(self.strain, 4),
            "unplaced_share": round(self.unplaced, 5),
            "better_reading": self.other or None,
        }


def spread_stretches(pulses: pa.Table, n_stretches: int = N_STRETCHES) -> list[pa.Table]:
    """Return up to some stretches of successive pulses, spread evenly over those given."""
    n = pulses.num_rows
    if n <= n_stretches * STRETCH_PULSES:
        return [pulses]
    starts = ((np.arange(n_stretches) + 0.5) / n_stretches * (n - STRETCH_PULSES)).astype(np.int64)
    return [pulses.slice(start, STRETCH_PULSES) for start in starts.tolist()]


def fit_setup(stretches: Sequence[pa.Table], gaps: pa.Table, setup: Setup) -> SetupFit:
    """Hold a setup against the signals.

    Parameters
    ----------
    stretches : sequence of PULSES table
        Successive pulses each; a sample of them for a long recording (`spread_stretches`).
    gaps : GAPS table
        Of the recording.
    setup : Setup
        With at least one command or feedback lead.

    Returns
    -------
    SetupFit
    """
    stretches = [pulses for pulses in stretches if pulses.num_rows >= 2]
    n_pulses = sum(pulses.num_rows for pulses in stretches)
    strain, unplaced = _strain(stretches, gaps, setup)
    if strain <= FITS or n_pulses < FEWEST:
        return SetupFit(n_pulses=n_pulses, strain=strain, unplaced=unplaced)
    words, least = _best(stretches, gaps, setup, strain)
    if least > min(CLEARLY * strain, FITS):
        return SetupFit(n_pulses=n_pulses, strain=strain, unplaced=unplaced)
    return SetupFit(n_pulses=n_pulses, strain=strain, unplaced=unplaced, other=words, other_strain=least)


def _best(stretches: Sequence[pa.Table], gaps: pa.Table, setup: Setup, strain: float) -> tuple[str, float]:
    """Return the words for the cheapest reading, or one as cheap that is nearer to the setup, and its cost a pulse.

    One stretch, the one with most pulses, tells which are worth a closer look.
    """
    longest = max(stretches, key=lambda pulses: pulses.num_rows)
    first = [longest.slice(0, STRETCH_PULSES)]
    readings = list(_told_apart(other_readings(stretches, setup), plan_slots(setup)))
    looks = [_strain(first, gaps, other)[0] for _, other in readings]
    chosen = [k for k in np.argsort(looks, kind="stable")[:N_TRIED].tolist() if looks[k] < strain]
    costs = {k: _strain(stretches, gaps, readings[k][1])[0] for k in chosen}
    if not costs:
        return "", float("inf")
    alike = ALIKE[0] * min(costs.values()) + ALIKE[1]
    nearest = min(k for k, cost in costs.items() if cost <= alike)
    return readings[nearest][0], costs[nearest]


def _told_apart(readings: Iterator[tuple[str, Setup]], described: SlotPlan) -> Iterator[tuple[str, Setup]]:
    """Leave out the readings that are the described one at another speed."""
    for words, setup in readings:
        plan = plan_slots(setup)
        same = np.array_equal(plan.serves, described.serves) and np.array_equal(plan.is_command, described.is_command)
        if not (same and np.allclose(plan.angle_deg / plan.cycle_deg, described.angle_deg / described.cycle_deg)):
            yield words, setup


def _strain(stretches: Sequence[pa.Table], gaps: pa.Table, setup: Setup) -> tuple[float, float]:
    """Return the cost a pulse, and the share of pulses that found no slot."""
    plan = plan_slots(setup)
    cost, unplaced, n = 0.0, 0, 0
    for pulses in stretches:
        observed = observe(pulses, plan)
        if not len(observed.row):
            continue
        end_s = float(observed.turn_on_s[-1]) + 1.0
        hidden = with_busy(lead_gaps(pulses, gaps, plan, observed, end_s), pulses, plan, observed)
        alignment = align(observed.turn_on_s, observed.lead, observed.delay_s, plan, hidden)
        cost += alignment.cost
        extra = alignment.action == EXTRA
        unplaced += int((extra & ~_repeats(observed.turn_on_s, observed.lead, alignment.count)).sum())
        n += len(observed.row)
    return cost / max(n, 1), unplaced / max(n, 1)


def _repeats(turn_on_s: Floats, lead: NDArray[np.int64], count: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which pulses follow one of their own lead in the same slot closely, as repeated sparks do."""
    slot, first = np.unique(count, return_index=True)
    began = turn_on_s[first]
    step = np.diff(began, append=began[-1:]) / np.maximum(np.diff(slot, append=slot[-1:] + 1), 1)
    slot_s = np.full(len(turn_on_s), np.inf)
    slot_s[:] = step[np.searchsorted(slot, count)]
    repeats = np.zeros(len(turn_on_s), dtype=np.bool_)
    for one in np.unique(lead):
        own = np.flatnonzero(lead == one)
        close = np.diff(turn_on_s[own]) <= CLOSE * slot_s[own[1:]]
        repeats[own[1:]] = close & (np.diff(count[own]) == 0)
    return repeats
