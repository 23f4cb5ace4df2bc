"""Pulses to engine cycles: which slot, and so which cylinder, each pulse and each absence belongs to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.alignment import Alignment, First, LeadGaps, align
from miner.engine.arrays import ArrayFields
from miner.engine.kernels import ADVANCE, EXTRA, RESTART
from miner.engine.observed import GAP_SLACK_S, Observed, lead_gaps, observe, with_busy, without_clip
from miner.engine.setup import Setup
from miner.engine.slots import SlotPlan, plan_slots
from miner.engine.speed import cycle_speed_rpm, timing_residual_deg
from miner.engine.states import operating_states
from miner.recording.ranges import ends_in, touches

__all__ = ["Opening", "Tracking", "track_cycles"]

LEAST_CONFIDENCE = 0.9
"""Below this the cylinder is not told."""

DUE_WITHIN_DEG = 20.0
"""A pulse that did not come was due within this; next to a gap it may have been lost."""


FOUND_AGAIN_S = 5e-4
"""A pulse of a feedback lead has its turn-on within this in two trackings; no engine fires twice in that time."""


@dataclass(frozen=True, kw_only=True)
class Opening:
    """A slot that is known from the tracking of what came before; the first pulse is in it.

    Attributes
    ----------
    turn_on_s : float
        Of the slot; earlier pulses are left out.
    count : int
        Running slot number (see `Tracking.count`).
    cycle : int
        Its engine cycle.
    told : bool
        Whether its cylinder could be told.
    rpm : float
        Engine speed there, NaN where it is unknown.
    """

    turn_on_s: float
    count: int
    cycle: int
    told: bool
    rpm: float

    def begins(self, observed: Observed) -> bool:
        """Return whether the first pulse is the slot's own."""
        return bool(len(observed.row)) and abs(float(observed.turn_on_s[0]) - self.turn_on_s) <= FOUND_AGAIN_S


@dataclass(frozen=True, kw_only=True)
class Tracking(ArrayFields):
    """One entry per slot that fired or was due and that at least one lead could have shown, in time order.

    Attributes
    ----------
    count : ndarray of int64
        Running slot number: repetition of the pattern times its observable slots, plus the slot.
    cycle : ndarray of int64
        Running engine cycle, from 0 or from the opening's.
    slot : ndarray of int64
        Place in the firing pattern, from 0.
    cylinder : ndarray of int64
        Number its events carry, -1 where it cannot be told.
    confidence : ndarray of float64
        Chance that the place in the cycle is right; NaN where engine and leads do not tell it.
    turn_on_s : ndarray of float64
        Command turn-on, or where it would have been: feedback less its usual delay; for a slot without any pulse
        interpolated in crank angle between its neighbours.
    delay_s : ndarray of float64
        Usual delay of feedback there; 0 where no command lead tells it.
    crank_deg : ndarray of float64
        Crank angle, counted on through the recording.
    rpm : ndarray of float64
        Speed over the cycle around the slot; NaN where a segment has one slot only.
    residual_deg : ndarray of float64
        (n, 3): turn-on off the place its neighbours expect (on both sides, before, after), positive late; NaN where
        it cannot be told.
    state : ndarray of str
        Operating state.
    segment : ndarray of int64
        Stretch between pauses of all cylinders, from 0.
    stretch : ndarray of int64
        The same, parted also where no lead could be seen for a moment.
    command_row, feedback_row : ndarray of int64
        Row in the pulse table of the slot's first pulse, -1 for none.
    command_expected, feedback_expected : ndarray of bool
        Whether such a lead would have shown a pulse: there is one and it was recorded at that time.
    broken : ndarray of bool
        Whether a gap of a lead of this slot, or a time when its clip was off, lies between the slot's previous turn and
        this one.
    extra : ndarray of int64
        Further pulses in the slot; repeated sparks that show on two leads count once.
    merged : ndarray of bool
        Whether the slot's feedback pulse lasts over another slot's answer: its duration is not the coil's.
    """

    count: NDArray[np.int64]
    cycle: NDArray[np.int64]
    slot: NDArray[np.int64]
    cylinder: NDArray[np.int64]
    confidence: NDArray[np.float64]
    turn_on_s: NDArray[np.float64]
    delay_s: NDArray[np.float64]
    crank_deg: NDArray[np.float64]
    rpm: NDArray[np.float64]
    residual_deg: NDArray[np.float64]
    state: NDArray[np.str_]
    segment: NDArray[np.int64]
    stretch: NDArray[np.int64]
    command_row: NDArray[np.int64]
    feedback_row: NDArray[np.int64]
    command_expected: NDArray[np.bool_]
    feedback_expected: NDArray[np.bool_]
    broken: NDArray[np.bool_]
    extra: NDArray[np.int64]
    merged: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.cycle)

    def opening_after(self, start_s: float, stop_s: float) -> Opening | None:
        """Return a slot turned on between two instants for the next tracking to begin with; None: no pulse is there.

        One with a command where there is any: its turn-on does not depend on what delay is usual.
        """
        near = np.flatnonzero((self.turn_on_s >= start_s) & (self.turn_on_s < stop_s))
        command, feedback = (near[rows[near] >= 0] for rows in (self.command_row, self.feedback_row))
        for rows in (command, feedback):
            if rows.size:
                at = int(rows[0])
                return Opening(
                    turn_on_s=float(self.turn_on_s[at]),
                    count=int(self.count[at]),
                    cycle=int(self.cycle[at]),
                    told=bool(self.cylinder[at] >= 0),
                    rpm=float(self.rpm[at]),
                )
        return None


def track_cycles(
    pulses: pa.Table, gaps: pa.Table, setup: Setup, *, end_s: float, opening: Opening | None = None
) -> Tracking:
    """Give every pulse, and every absence, its slot in the engine cycle.

    Silence of all cylinders for two cycles or more is a pause: nothing was due, a new segment begins after it. With
    one observable slot a cycle, up to four silent cycles are absences when the speed agrees before and after.

    Parameters
    ----------
    pulses : pyarrow.Table
        ``miner.schema.PULSES``.
    gaps : pyarrow.Table
        ``miner.schema.GAPS``; nothing is called absent in them.
    setup : Setup
        Engine and leads.
    end_s : float
        End of the recording; what would have come later is not absent.
    opening : Opening, optional
        Where these pulses go on after others that were tracked before.

    Returns
    -------
    Tracking
        Empty when there are no pulses.
    """
    plan = plan_slots(setup)
    observed = observe(pulses, plan)
    if opening is not None:
        observed = observed.take(observed.turn_on_s >= opening.turn_on_s - FOUND_AGAIN_S)
    unseen = lead_gaps(pulses, gaps, plan, observed, end_s)
    hidden = with_busy(unseen, pulses, plan, observed)
    first = None if opening is None or not opening.begins(observed) else First(count=opening.count, rpm=opening.rpm)
    alignment = align(observed.turn_on_s, observed.lead, observed.delay_s, plan, hidden, first=first)
    return _collect(observed, alignment, plan, unseen, hidden, opening)


def _collect(
    observed: Observed,
    alignment: Alignment,
    plan: SlotPlan,
    unseen: LeadGaps,
    hidden: LeadGaps,
    opening: Opening | None,
) -> Tracking:
    """Lay out one entry for each slot, seen or skipped, from the aligned pulses."""
    n = plan.n_slots
    opens = np.isin(alignment.action, (ADVANCE, RESTART))
    restart = alignment.action[opens] == RESTART
    opened = alignment.count[opens]
    step = np.where(restart, 1, np.diff(opened, prepend=opened[:1]))
    row_of = np.cumsum(step) - 1
    total = int(row_of[-1]) + 1 if len(row_of) else 0
    owner = np.repeat(np.arange(len(opened)), step)
    count = np.asarray(opened[owner] - (row_of[owner] - np.arange(total)), dtype=np.int64)
    slot_row = row_of[np.cumsum(opens) - 1]
    place = count % n
    crank = plan.crank_deg(count)
    is_command = plan.is_command[observed.lead]
    primary = alignment.action != EXTRA
    command = _first_in_slot(slot_row, primary & is_command, total)
    feedback = _first_in_slot(slot_row, primary & ~is_command, total)
    timed = np.where(command >= 0, command, feedback)
    seen = timed >= 0
    turn_on = np.interp(crank, crank[seen], observed.turn_on_s[timed[seen]]) if total else np.zeros(0)
    recorded = _visible(unseen, plan, place, turn_on, 0.0)
    unseen, hidden = (without_clip(g, plan, place, turn_on, command, feedback) for g in (unseen, hidden))
    clip_off = (recorded & ~_visible(unseen, plan, place, turn_on, 0.0)).any(axis=0)
    segment = (np.cumsum(restart) - 1)[owner]
    rpm = cycle_speed_rpm(turn_on, crank, segment, n)
    sure = (command >= 0) | (n == 1)  # a command lead says itself whose it is, and one alone is no other
    chance = np.where(sure, 1.0, (1.0 / (1.0 + np.exp(-alignment.margin[opens])))[owner])
    anchored = np.unique(segment[slot_row[primary & plan.anchors[observed.lead]]])
    if opening is not None and opening.told:
        anchored = np.union1d(anchored, segment[:1])
    tellable = (plan.n_blind_starts == n) | ((plan.n_starts == n) & np.isin(segment, anchored))
    told = tellable & (chance >= LEAST_CONFIDENCE)
    delay = _delay_of_slots(observed, plan, turn_on)
    due_within = np.where((timed < 0) & np.isfinite(rpm), DUE_WITHIN_DEG / (6.0 * rpm), 0.0)
    visible = _visible(hidden, plan, place, turn_on, due_within)
    cycle = np.floor(count // n * plan.cycles_per_repeat).astype(np.int64)
    first_cycle = 0 if opening is None else opening.cycle
    tracking = Tracking(
        count=count,
        cycle=cycle - cycle[:1].sum() + first_cycle,
        slot=plan.slot[place],
        cylinder=np.where(told, plan.cylinder[place], -1),
        confidence=np.where(tellable, chance, np.nan),
        turn_on_s=turn_on,
        delay_s=delay,
        crank_deg=crank,
        rpm=rpm,
        residual_deg=timing_residual_deg(turn_on, crank, segment, seen),
        state=operating_states(turn_on, rpm, segment),
        segment=segment,
        stretch=np.cumsum((np.diff(segment, prepend=0) > 0) | unseen.parts(turn_on + GAP_SLACK_S)),
        command_row=np.where(command >= 0, observed.row[command], -1),
        feedback_row=np.where(feedback >= 0, observed.row[feedback], -1),
        command_expected=(command >= 0) | (visible & plan.is_command[:, None]).any(axis=0),
        feedback_expected=(feedback >= 0) | (visible & ~plan.is_command[:, None]).any(axis=0),
        broken=clip_off | _broken(unseen, plan, place, turn_on, plan.cycle_deg / (6.0 * rpm)),
        extra=_extra_pulses(observed, alignment, plan, slot_row, place, turn_on),
        merged=_merged(hidden, plan, observed, place, turn_on, feedback),
    )
    return tracking.take(tracking.command_expected | tracking.feedback_expected)


def _first_in_slot(slot_row: NDArray[np.int64], chosen: NDArray[np.bool_], total: int) -> NDArray[np.int64]:
    """Return for each slot the first chosen pulse in it, -1 for none."""
    first = np.full(total, -1)
    picked = np.flatnonzero(chosen)[::-1]
    first[slot_row[picked]] = picked
    return first


def _delay_of_slots(observed: Observed, plan: SlotPlan, turn_on: NDArray[np.float64]) -> NDArray[np.float64]:
    feedback = np.flatnonzero(~plan.is_command[observed.lead])
    if not len(feedback) or not len(turn_on):
        return np.zeros(len(turn_on))
    after = np.minimum(np.searchsorted(observed.turn_on_s[feedback], turn_on), len(feedback) - 1)
    return np.asarray(observed.delay_s[feedback[after]])


def _visible(
    unseen: LeadGaps,
    plan: SlotPlan,
    place: NDArray[np.int64],
    turn_on: NDArray[np.float64],
    slack_s: NDArray[np.float64] | float,
) -> NDArray[np.bool_]:
    """Return whether each lead would have shown each slot, shape (n_leads, n)."""
    visible = plan.serves[:, place]
    for lead in range(len(plan.lead)):
        visible[lead] &= ~touches(unseen.of(lead), turn_on - slack_s, turn_on + slack_s)
    return np.asarray(visible)


def _merged(
    hidden: LeadGaps,
    plan: SlotPlan,
    observed: Observed,
    place: NDArray[np.int64],
    turn_on: NDArray[np.float64],
    feedback: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Return whether a slot without own answer was due while the lead was busy with this slot's feedback."""
    merged = np.zeros(len(place), dtype=np.bool_)
    for lead in np.flatnonzero(~plan.is_command).tolist():
        silent = np.flatnonzero(plan.serves[lead, place] & (feedback < 0))
        answered = np.flatnonzero((feedback >= 0) & (observed.lead[feedback] == lead))
        inside = silent[touches(hidden.of(lead), turn_on[silent], turn_on[silent])]
        before = np.searchsorted(turn_on[answered], turn_on[inside]) - 1
        merged[answered[before[before >= 0]]] = True
    return merged


def _broken(
    unseen: LeadGaps,
    plan: SlotPlan,
    place: NDArray[np.int64],
    turn_on: NDArray[np.float64],
    cycle_s: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Return whether a gap of one of a slot's leads ended within the cycle before it."""
    broken = np.zeros(len(place), dtype=np.bool_)
    for lead in range(len(plan.lead)):
        broken |= plan.serves[lead, place] & ends_in(unseen.of(lead) - GAP_SLACK_S, turn_on - cycle_s, turn_on)
    return broken


def _extra_pulses(
    observed: Observed,
    alignment: Alignment,
    plan: SlotPlan,
    slot_row: NDArray[np.int64],
    place: NDArray[np.int64],
    turn_on: NDArray[np.float64],
) -> NDArray[np.int64]:
    """Count further pulses of each slot: the most on any one lead, so that a spark seen on two counts once.

    A pulse on a lead that does not speak for the slot it fell into goes to the nearest slot the lead speaks for.
    """
    most = np.zeros(len(place), dtype=np.int64)
    for lead in range(len(plan.lead)):
        pulses = np.flatnonzero((observed.lead == lead) & (alignment.action == EXTRA) & observed.could_spark)
        own = np.flatnonzero(plan.serves[lead, place])
        if not len(pulses) or not len(own):
            continue
        home = slot_row[pulses]
        after = np.clip(np.searchsorted(turn_on[own], observed.turn_on_s[pulses]), 1, max(len(own) - 1, 1))
        pair = own[np.clip(np.stack([after - 1, after]), 0, len(own) - 1)]
        nearer = np.argmin(np.abs(turn_on[pair] - observed.turn_on_s[pulses]), axis=0)
        home = np.where(plan.serves[lead, place[home]], home, pair[nearer, np.arange(len(pulses))])
        most = np.maximum(most, np.bincount(home, minlength=len(place)))
    return most
