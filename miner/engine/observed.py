"""What the leads show, on one time axis, and when they could not have shown it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.alignment import LeadGaps, lead_intervals
from miner.engine.arrays import ArrayFields
from miner.engine.delay import usual_delay_s
from miner.engine.runs import lasting_runs
from miner.engine.slots import SlotPlan
from miner.recording.ranges import runs_of
from miner.signal.extraction import spans_of

__all__ = ["CLIP_OFF", "GAP_SLACK_S", "Observed", "lead_gaps", "observe", "with_busy", "without_clip"]

BUSY_AFTER, BUSY_BEFORE_END = 0.25, 0.5
"""Shares of a usual pulse. A slot due sooner after a pulse's beginning is the pulse's own; one due nearer to its end
did not answer, for its answer would have held the line for longer (own choice)."""

REPEATS_WITHIN = 0.1
"""Repeated sparks follow within this share of the time between first sparks: milliseconds, where a cycle takes a tenth
of a second (common practice, no source)."""

SLOWEST_CYCLE_S = 1.0
"""Longer between two pulses of a lead is a pause: 120 rpm of the starter."""

SINGLE_PULSE = 0.01
"""Quantile of a lead's pulse durations that is surely one answer, not two that overlap (own choice)."""

CLIP_OFF = 30
"""Cycles in a row in which a lead was silent while others showed that the engine turned, and nothing that hung on it
stood still: its clip was off, or its wire open. Fewer are shown as absences, for someone to look at (own choice)."""

GAP_SLACK_S = 0.002
"""A due time is not known better than this next to a gap."""


LEAST_SPARK_S = 40e-6
"""A command that charges a coil of some millihenries at 14 V for less lets flow under 0.2 A (i = V t / L): no spark,
but what a neighbour's turn-off leaves on a wire."""


@dataclass(frozen=True, kw_only=True)
class Observed(ArrayFields):
    """Pulses of the plan's leads in order of equivalent turn-on.

    Attributes
    ----------
    row : ndarray of int64, shape (n,)
        Row in the pulse table.
    lead : ndarray of int64, shape (n,)
        Row of ``plan.lead``.
    turn_on_s : ndarray of float64, shape (n,)
        Command turn-on; feedback less its usual delay.
    delay_s : ndarray of float64, shape (n,)
        Usual delay between command and feedback there; 0 where no pair tells it.
    could_spark : ndarray of bool, shape (n,)
        Not a command too short for any spark; one that is may still be what is left of a pulse that was due.
    """

    row: NDArray[np.int64]
    lead: NDArray[np.int64]
    turn_on_s: NDArray[np.float64]
    delay_s: NDArray[np.float64]
    could_spark: NDArray[np.bool_]


def observe(pulses: pa.Table, plan: SlotPlan) -> Observed:
    """Bring all leads to one time axis: equivalent command turn-on."""
    index = pulses["lead"].to_numpy().astype(np.int64)
    start, stop = (pulses[name].to_numpy().astype(np.float64) for name in ("start_s", "stop_s"))
    place = np.full(max(int(plan.lead.max(initial=0)), int(index.max(initial=0))) + 1, -1)
    place[plan.lead] = np.arange(len(plan.lead))
    lead = place[index]
    delay = _delays(lead, start, stop, plan)
    is_command = plan.is_command[lead] & (lead >= 0)
    turn_on = np.where(is_command, start, start - delay)
    row = np.flatnonzero(lead >= 0)
    row = row[np.lexsort((lead[row], turn_on[row]))]
    asked, answered = row[is_command[row]], row[~is_command[row]]
    if len(answered):  # how far a command and its answer may be apart
        after = np.minimum(np.searchsorted(turn_on[answered], start[asked]), len(answered) - 1)
        delay[asked] = delay[answered[after]]
    could_spark = ~is_command | (stop - start >= LEAST_SPARK_S)
    return Observed(
        row=row, lead=lead[row], turn_on_s=turn_on[row], delay_s=delay[row], could_spark=could_spark[row]
    )  # fmt: skip


def _delays(
    lead: NDArray[np.int64], start: NDArray[np.float64], stop: NDArray[np.float64], plan: SlotPlan
) -> NDArray[np.float64]:
    """Return the usual feedback delay at each pulse, learned for each feedback lead from the commands it answers.

    A feedback lead whose coils have no command lead is taken to answer like those that have one. Repeated sparks
    charge for another time than the first one, so they teach nothing.
    """
    delay = np.zeros(len(start))
    since, longest = lead_intervals(start, lead)
    first = since > REPEATS_WITHIN * np.minimum(longest, SLOWEST_CYCLE_S)
    answers = plan.serves[~plan.is_command] @ plan.serves[plan.is_command].T
    feedbacks, commands = np.flatnonzero(~plan.is_command), np.flatnonzero(plan.is_command)
    for feedback, mine in zip(feedbacks, answers, strict=True):
        like = [feedback] if mine.any() else feedbacks[answers.any(axis=1)]
        asked = commands[mine if mine.any() else answers.any(axis=0)]
        command_s = np.sort(start[first & np.isin(lead, asked)])
        own = lead == feedback
        row = np.flatnonzero(np.isin(lead, like))
        row = row[np.argsort(start[row], kind="stable")]
        released_s = np.maximum.accumulate(stop[row])
        delay[own] = usual_delay_s(command_s, start[row], start[own], released_s=released_s)
    return delay


def lead_gaps(pulses: pa.Table, gaps: pa.Table, plan: SlotPlan, observed: Observed, end_s: float) -> LeadGaps:
    """Return when each lead cannot show a pulse: its gaps, the time gaps, and beyond the recording's ends.

    A pulse that would reach into a gap cannot be measured, so each gap begins one usual pulse earlier.
    """
    named = gaps["lead"].to_numpy(zero_copy_only=False).astype(np.float64)
    spans = spans_of(gaps)
    index = pulses["lead"].to_numpy()
    duration = pulses["duration_us"].to_numpy() * 1e-6
    of_leads = []
    for k, lead in enumerate(plan.lead):
        mine = np.isnan(named) | (named == lead)
        own = duration[index == lead]
        reach = 1.5 * float(np.median(own)) if len(own) else 0.0
        answers = len(own) and not plan.is_command[k]
        reach += 2.0 * float(np.median(observed.delay_s[observed.lead == k])) if answers else 0.0
        beyond = [(-np.inf, 0.0), (end_s - reach, np.inf)]
        of_leads.append(np.concatenate([spans[mine] + (-reach, GAP_SLACK_S), beyond]))
    return LeadGaps.of_leads(of_leads)


def with_busy(unseen: LeadGaps, pulses: pa.Table, plan: SlotPlan, observed: Observed) -> LeadGaps:
    """Add to each lead's gaps when it is busy with a pulse: another one that begins then cannot be told from it.

    With many cylinders at high speed the answers of two coils overlap on their shared lead. Only pulses longer than
    the pause beside them come into question. Instants are equivalent turn-on times.
    """
    start = observed.turn_on_s
    length = pulses["duration_us"].to_numpy()[observed.row] * 1e-6
    of_leads = []
    for lead in range(len(plan.lead)):
        hidden = unseen.of(lead)
        own = np.flatnonzero(observed.lead == lead)
        if plan.serves[lead].sum() > 1 and len(own) > 1:
            pause = np.diff(start[own]) - length[own[:-1]]
            beside = np.minimum(np.append(pause, np.inf), np.append(np.inf, pause))
            least = float(np.quantile(length[own], SINGLE_PULSE))
            own = own[(beside < length[own]) & (length[own] > (BUSY_AFTER + BUSY_BEFORE_END) * least)]
            busy = start[own] + BUSY_AFTER * least, start[own] + length[own] - BUSY_BEFORE_END * least
            hidden = np.concatenate((hidden, np.stack(busy, axis=1)))
        of_leads.append(hidden)
    return LeadGaps.of_leads(of_leads)


def without_clip(
    gaps: LeadGaps,
    plan: SlotPlan,
    place: NDArray[np.int64],
    turn_on_s: NDArray[np.float64],
    command: NDArray[np.int64],
    feedback: NDArray[np.int64],
) -> LeadGaps:
    """Add to each lead's gaps when its clip had fallen off.

    A command whose coil answers all the same was sent: nothing fires unasked. A command that nothing answers to, or a
    feedback lead on which no coil at all answers the commands, hangs on one clip as well.

    Parameters
    ----------
    gaps : LeadGaps
    plan : SlotPlan
    place, turn_on_s, command, feedback : ndarray, shape (n,)
        Observable slot, turn-on and pulses (-1 for none) of each tracked slot.
    """
    of_leads = []
    answered: NDArray[np.bool_] = np.any(plan.serves[~plan.is_command], axis=0)[place]
    for lead in range(len(plan.lead)):
        spans = [gaps.of(lead)]
        own = np.flatnonzero(plan.serves[lead, place])
        if plan.is_command[lead]:
            off = (command[own] < 0) & ((feedback[own] >= 0) | ~answered[own])
        else:
            off = feedback[own] < 0
        for low, high in runs_of(lasting_runs(off, CLIP_OFF * int(plan.serves[lead].sum()))):
            if not plan.is_command[lead] and (command[own[low:high]] >= 0).sum() < CLIP_OFF:
                continue
            after = turn_on_s[own[high]] - 2.0 * GAP_SLACK_S if high < len(own) else np.inf
            spans.append(np.array([[turn_on_s[own[low]] - GAP_SLACK_S, after]]))
        of_leads.append(np.concatenate(spans))
    return LeadGaps.of_leads(of_leads)
