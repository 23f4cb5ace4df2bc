"""Loops of the alignment: each pulse extends every hypothesis. Plain arrays in, plain arrays out.

A hypothesis is one row of a float and one row of an integer array, columns named below. What the costs mean is told
in `miner.engine.alignment`; here they are only added up. All costs are natural logarithms of odds.

Everything that is compiled together stays in this file: numba's cache on disk does not see changes in other files.
"""

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = [
    "ADVANCE", "BEFORE", "CAUGHT", "COST", "COUNT", "EXTRA", "LAST_EXTRA", "LAST_SILENT", "LOG_MEAN", "LOG_SPEED",
    "MARGIN", "MAX_KEPT", "NOT_AGAIN", "N_FLOAT", "N_INT", "PATH", "PRUNE", "RAN", "RESTART", "SAME", "SEEN", "TIME",
    "walk",
]  # fmt: skip

_jit = numba.njit(cache=True, nogil=True, error_model="numpy")

ADVANCE, SAME, EXTRA, RESTART = 0, 1, 2, 3
"""What a pulse is: the next slot, another lead in this slot, nothing new, the first after a pause."""

COST, TIME, LOG_SPEED, LOG_MEAN, MARGIN, SPACING, TREND, LAST_DEG, BEFORE = range(9)  # places in a hypothesis' floats
COUNT, SEEN, LAST_EXTRA, PATH, BACK, ACTION, ANCHORED, SILENT, PARTLY, LAST_SILENT, RAN = range(11)  # its integers
N_FLOAT, N_INT = 9, 11  # how many of either

MAX_KEPT = 48  # hypotheses at once (own choice)
PRUNE = 32.0  # log odds against the best from which on one is dropped: four absences in a row and more (own choice)

ABSENT = 7.0  # one slot or lead in a thousand
ABSENT_AGAIN, ALL_AGAIN = 1.5, 0.1  # the same slot was silent a cycle ago; so were its neighbours: one cause
SPREAD = np.array([0.0, 7.0, 10.0, 12.0, 13.0])  # n absent in a row: they come in bursts
SPREAD_MORE, SOON, SOON_CYCLES = 0.7, 4.0, 3  # so much less where slots were silent this many cycles ago
ALSO_ABSENT = 1.0  # command gone, its feedback gone too: one cause
EXTRA_FIRST, EXTRA_NEXT, EXTRA_HABIT = 7.0, 4.0, 0.3  # one in a thousand; one more of them; at an engine's habit
SLOT_AT_HABIT = 4.0  # a pulse close behind another, or at the pace of repeated sparks, is hardly a slot's first
EARLY = 0.6  # repeated sparks end within this share of the way to the next slot
TRAIN_S = 0.03  # and last no longer: 20 degrees while cranking
CLEARLY = 0.3  # the same before the speed is known
REPEATED = 0.6  # and closer together than this share of the second longest interval near them on the lead
CLOSE = 0.42  # and are no further apart than this
LEAST_PACE, MOST_PACE = 0.25, 4.0  # the first charge is up to four times as long as those that repeat it
RESTART_COST, RESYNC_COST = 10.0, 28.0  # after a pause; without one, dearer than any burst of absences (own choice)
TIMING_DEG = 4.0  # event to event movement of turn-on; knock control and unsteady idle move it by up to ten
ACCELERATION = 15000.0  # deg/s^2, 2500 rpm/s; a free engine does three times that
LARGEST_SD = 0.18  # of the change of log speed from slot to slot, at most (own choice)
RISING_SD, STEADY = 0.06, math.log(6.0 * 600.0)  # an engine stalls faster than it gains speed again, once it runs
CAUGHT, CATCHING_SD = 3, 0.6  # an engine that fires leaves the starter's speed within a cycle, and is safe after three
CLUTCH, CLUTCH_SD = 7.0, 0.3  # one in a thousand: a gear change moves the speed by a third within a cycle or two
SLOWEST, FASTEST = math.log(6.0 * 30.0), math.log(6.0 * 9000.0)  # deg/s: 30 rpm of a starter, 9,000 rpm
MEAN_WEIGHT = 0.3  # of each slot in the mean speed: about three slots long (own choice)
TREND_KEPT = 0.7  # share of a change of speed that goes on in the next slot (own choice)
DISPLACED = 0.35  # change of log speed that a displaced event leaves: 40 degrees of 120; what moves more is no timing
LONGEST_S, LONE_LONGEST_S = 1.2, 3.0  # no engine that turns is silent for longer: a starter needs a second a cycle
PAUSE, PAUSE_SLOTS = 2.1, 6.1  # cycles, and at least so many slots, at the last speed
SURELY_PAUSED = 1.5  # times as long is a pause, whatever the speed after it
SAME_SPEED = 0.12  # hypotheses that differ by more may go on differently
NOT_AGAIN = -(1 << 40)  # a slot so far back that nothing follows from it
UNKNOWN_SPEED = 6.0 * 300.0  # between cranking and idle, until two slots tell


@_jit
def _in_gap(gaps, lead, at):  # type: ignore[no-untyped-def]
    """Whether a lead's gaps (rows ``gap_first[lead]:gap_first[lead + 1]``, ascending) hold an instant."""
    gap_first, gap_start, gap_stop = gaps
    low, high, last = gap_first[lead], gap_first[lead + 1], gap_first[lead + 1]
    while low < high:
        middle = (low + high) // 2
        if gap_stop[middle] < at:
            low = middle + 1
        else:
            high = middle
    return low < last and gap_start[low] <= at


@_jit
def _robust(z):  # type: ignore[no-untyped-def]
    """Huber's loss: square up to two deviations, then a straight line."""
    z = abs(z)
    return 0.5 * z * z if z < 2.0 else 2.0 * z - 2.0


@_jit
def _silent(seen, place, at, serves, gaps):  # type: ignore[no-untyped-def]
    """Leads that would have shown a pulse in this slot at this time, and are not among those seen."""
    n = 0
    for lead in range(serves.shape[0]):
        if serves[lead, place] and not (seen >> lead) & 1 and not _in_gap(gaps, lead, at):
            n += 1
    return n


@_jit
def _closing(seen, partly, place, at, serves, gaps):  # type: ignore[no-untyped-def]
    """Cost of the leads that stayed silent in the slot that ends, and the slots where some did the last time."""
    silent = _silent(seen, place, at, serves, gaps)
    if silent == 0:
        return 0.0, partly & ~(1 << place)
    again = (partly >> place) & 1
    return (ABSENT_AGAIN if again else ABSENT) + ALSO_ABSENT * (silent - 1), partly | (1 << place)


@_jit
def _skipping(place, m, silent, soon, start, dt, steps, serves, gaps):  # type: ignore[no-untyped-def]
    """Cost of the ``m - 1`` slots passed over without any pulse, and the slots silent the last time."""
    n_slots = serves.shape[1]
    n_absent, also, again, silent = 0, 0, 0.0, silent & ~(1 << place)
    for j in range(1, m):
        at = start + dt * steps[place, j] / steps[place, m]
        slot = (place + j) % n_slots
        n = _silent(0, slot, at, serves, gaps)
        if n and (silent >> slot) & 1:
            again += ABSENT_AGAIN if again == 0.0 or j > n_slots else ALL_AGAIN
        elif n:
            n_absent += 1
            also = max(also, n - 1)
            silent |= 1 << slot
    cost = again + ALSO_ABSENT * also - (SOON if soon and n_absent else 0.0)
    more = max(0, n_absent - len(SPREAD) + 1)
    return cost + SPREAD[n_absent - more] + SPREAD_MORE * more, silent


@_jit
def _speed_cost(row, ran, m, degrees, dt, lone, cycle_deg):  # type: ignore[no-untyped-def]
    """Return what the change of speed costs, the new logarithms of speed and mean speed, and the new trend per degree.

    The new speed is held against the last one, the last one with its trend, the mean within the cycle, and the one
    before the last interval with both intervals as one, whichever is nearest: an engine holds its speed, keeps
    speeding up, or turns unevenly about a mean; and a displaced event upsets two intervals, but moves nothing heavy.
    """
    old, mean, last_deg = row[LOG_SPEED], row[LOG_MEAN], row[LAST_DEG]
    new = math.log(degrees / dt)
    if math.isnan(old):
        return 3.0 * max(0.0, SLOWEST - new) + 6.0 * max(0.0, new - FASTEST), new, new, 0.0
    apart_deg = 0.5 * (degrees + last_deg) if last_deg > 0.0 else degrees
    miss = min(abs(new - old), abs(new - old - TREND_KEPT * row[TREND] * apart_deg))
    if not lone and (max(old, mean) < STEADY or abs(old - mean) < DISPLACED):
        miss = min(miss, abs(new - mean))
    if last_deg > 0.0 and ran == CAUGHT and abs(old - row[BEFORE]) < DISPLACED:
        both = math.log((degrees + last_deg) / (dt + last_deg * math.exp(-old)))
        miss = min(miss, abs(both - row[BEFORE]) * (degrees + last_deg) / degrees)
    jitter = 1.414 * TIMING_DEG / degrees
    largest = LARGEST_SD if new < old else min(LARGEST_SD, RISING_SD * math.exp(max(0.0, STEADY - max(old, mean))))
    drive = min(ACCELERATION * dt / math.exp(max(old, mean)), largest)
    if lone and m == 1 and ran < CAUGHT and new > old and not row[BEFORE] > old + DISPLACED:
        drive = CATCHING_SD
    cost = _robust(miss / math.sqrt(jitter * jitter + drive * drive))
    if m == 1:
        cost = min(cost, CLUTCH + _robust(miss / (CLUTCH_SD * degrees / cycle_deg)))
    cost += 6.0 * max(0.0, new - FASTEST)
    weight = 1.0 - (1.0 - MEAN_WEIGHT) ** m
    trend = max(-0.5, min(0.5, new - old)) / apart_deg
    return cost, new, mean + weight * (new - mean), trend


@_jit
def _pace(row, ints, tau, gap, longest, elapsed_deg, slot_deg, n_slots):  # type: ignore[no-untyped-def]
    """How well a pulse keeps the pace of repeated sparks: their spacing over its own, 0 where there is no habit."""
    if math.isnan(row[LOG_SPEED]):
        return 1.0 if gap < CLEARLY * longest and tau - row[TIME] <= TRAIN_S else 0.0
    habit = row[SPACING] > 0.0 and ints[COUNT] - ints[LAST_EXTRA] <= 2 * n_slots
    early = elapsed_deg <= EARLY * slot_deg and tau - row[TIME] <= TRAIN_S
    close = gap * math.exp(row[LOG_SPEED]) <= CLOSE * slot_deg and gap <= REPEATED * longest
    return row[SPACING] / gap if habit and early and close else 0.0


@_jit
def _restart_cost(dt, log_speed, cycle_deg, pause, lone, best):  # type: ignore[no-untyped-def]
    """Two cycles without any pulse are a pause; a restart inside running is the last resort."""
    if dt > (LONE_LONGEST_S if lone else LONGEST_S):
        return RESTART_COST
    if math.isnan(log_speed):
        return RESTART_COST if dt > 0.25 else (RESYNC_COST if best else np.inf)
    turned = dt * math.exp(log_speed) / cycle_deg
    if turned > pause:
        return RESTART_COST
    if lone and turned > 1.5:
        return RESTART_COST + ABSENT
    return RESYNC_COST if best else np.inf


@_jit
def _put(floats, ints, h, cost, action, out, n):  # type: ignore[no-untyped-def]
    """Write a candidate: hypothesis ``h`` with more cost and an action."""
    new_f, new_i = out
    for k in range(N_FLOAT):
        new_f[n, k] = floats[h, k]
    for k in range(N_INT):
        new_i[n, k] = ints[h, k]
    new_f[n, COST] += cost
    new_i[n, BACK] = h
    new_i[n, ACTION] = action
    new_i[n, ANCHORED] = 0


@_jit
def _extend(tau, lead, delay, gap, longest, kept, n_kept, out, plan, gaps):  # type: ignore[no-untyped-def]
    """Extend every kept hypothesis, cheapest first, by one pulse; return the number of candidates in ``out``."""
    floats, ints = kept
    cycle_deg, n_slots, lone = plan[4], plan[1].shape[1], plan[1].shape[1] == 1
    pause = max(PAUSE, PAUSE_SLOTS / n_slots)
    limit = np.inf
    n = 0
    for h in range(n_kept):
        if floats[h, COST] > limit:
            break
        dt = tau - floats[h, TIME]
        n, limit = _stay(tau, lead, delay, gap, longest, kept, h, out, n, limit, plan)
        if dt <= 0.0:
            continue
        place = ints[h, COUNT] % n_slots
        closing, partly = _closing(ints[h, SEEN], ints[h, PARTLY], place, floats[h, TIME], plan[1], gaps)
        n, limit = _go_on(tau, lead, gap, longest, closing, partly, kept, h, out, n, limit, plan, gaps)
        cost = closing + _restart_cost(dt, floats[h, LOG_SPEED], cycle_deg, pause, lone, h == 0)
        if floats[h, COST] + cost <= limit:
            n = _restart(tau, lead, cost, kept, h, out, n, plan)
            limit = min(limit, floats[h, COST] + cost + PRUNE)
    return n


@_jit
def _go_on(tau, lead, gap, longest, closing, partly, kept, h, out, n, limit, plan, gaps):  # type: ignore[no-untyped-def]
    """Candidates that open a later slot, from the next one up to two cycles on."""
    (floats, ints), (new_f, new_i) = kept, out
    steps, serves, anchors = plan[0], plan[1], plan[2]
    n_slots = serves.shape[1]
    count, place = ints[h, COUNT], ints[h, COUNT] % n_slots
    dt, known = tau - floats[h, TIME], not math.isnan(floats[h, LOG_SPEED])
    speed = math.exp(floats[h, LOG_SPEED]) if known else UNKNOWN_SPEED
    reach = 3.0 * dt * speed if known else np.inf
    if known and dt * speed > SURELY_PAUSED * max(PAUSE, PAUSE_SLOTS / n_slots) * plan[4]:
        return n, limit
    pace = _pace(floats[h], ints[h], tau, gap, longest, dt * speed, steps[place, 1], n_slots)
    follows = known and gap <= TRAIN_S and gap * speed <= CLOSE * steps[place, 1] and gap <= REPEATED * longest
    if follows or 0.75 < pace < 1.33:
        closing += SLOT_AT_HABIT
    soon = count - ints[h, LAST_SILENT] <= SOON_CYCLES * n_slots
    closing -= SOON if soon and closing >= ABSENT else 0.0
    for m in range(1, steps.shape[1]):
        degrees = steps[place, m]
        if m > 1 and degrees > reach:
            break
        if not serves[lead, (place + m) % n_slots]:
            continue
        skipped, silent = _skipping(place, m, ints[h, SILENT], soon, floats[h, TIME], dt, steps, serves, gaps)
        if floats[h, COST] + closing + skipped > limit:
            break
        change, new, mean, trend = _speed_cost(floats[h], ints[h, RAN], m, degrees, dt, n_slots == 1, plan[4])
        cost = closing + skipped + change
        if floats[h, COST] + cost > limit:
            continue
        limit = min(limit, floats[h, COST] + cost + PRUNE)
        _put(floats, ints, h, cost, ADVANCE, out, n)
        new_f[n, LOG_SPEED], new_f[n, LOG_MEAN], new_f[n, TREND] = new, mean, trend
        new_f[n, BEFORE], new_f[n, LAST_DEG] = floats[h, LOG_SPEED], degrees
        new_f[n, TIME], new_i[n, COUNT], new_i[n, SEEN] = tau, count + m, 1 << lead
        new_i[n, SILENT], new_i[n, PARTLY] = silent & ~(1 << ((place + m) % n_slots)), partly
        new_i[n, RAN] = min(ints[h, RAN] + (new > STEADY), CAUGHT)
        new_i[n, LAST_SILENT] = count + m - 1 if m > 1 else ints[h, LAST_SILENT]
        new_i[n, PATH] = (ints[h, PATH] * 31 + (m - 1) * (count + 7)) % 1000003
        new_i[n, ANCHORED] = 1 if ints[h, SEEN] & anchors else 0
        n += 1
    return n, limit


@_jit
def _stay(tau, lead, delay, gap, longest, kept, h, out, n, limit, plan):  # type: ignore[no-untyped-def]
    """Candidates that stay in the slot: its next lead, or an extra pulse."""
    floats, ints = kept
    new_f, new_i = out
    steps, serves = plan[0], plan[1]
    n_slots = serves.shape[1]
    place = ints[h, COUNT] % n_slots
    speed = UNKNOWN_SPEED if math.isnan(floats[h, LOG_SPEED]) else math.exp(floats[h, LOG_SPEED])
    elapsed = (tau - floats[h, TIME]) * speed
    if serves[lead, place] and not (ints[h, SEEN] >> lead) & 1:
        cost = _robust(elapsed / (4.0 + 0.25 * delay * speed))
        if floats[h, COST] + cost <= limit:
            limit = min(limit, floats[h, COST] + cost + PRUNE)
            _put(floats, ints, h, cost, SAME, out, n)
            new_i[n, SEEN] |= 1 << lead
            if (plan[2] >> lead) & 1 and not ints[h, SEEN] & plan[2]:
                new_f[n, TIME] = tau  # feedback came too early: the slot is where its own lead says
                new_f[n, LOG_SPEED] -= math.log1p(max(0.0, elapsed) / steps[(place - 1) % n_slots, 1])
            n += 1
    since = ints[h, COUNT] - ints[h, LAST_EXTRA]
    pace = _pace(floats[h], ints[h], tau, gap, longest, elapsed, steps[place, 1], n_slots)
    cost = EXTRA_NEXT if since == 0 and elapsed < steps[place, 1] else EXTRA_FIRST
    cost = EXTRA_HABIT if LEAST_PACE < pace < MOST_PACE else cost
    if floats[h, COST] + cost <= limit:
        limit = min(limit, floats[h, COST] + cost + PRUNE)
        _put(floats, ints, h, cost, EXTRA, out, n)
        new_i[n, LAST_EXTRA] = ints[h, COUNT]
        if elapsed < EARLY * steps[place, 1] and gap * speed < CLOSE * steps[place, 1]:
            new_f[n, SPACING] = gap
        elif since > 2 * n_slots:
            new_f[n, SPACING] = 0.0
        n += 1
    return n, limit


@_jit
def _restart(tau, lead, cost, kept, h, out, n, plan):  # type: ignore[no-untyped-def]
    """Candidates that open a new segment: every place this lead speaks for, speed unknown."""
    (floats, ints), (new_f, new_i), serves = kept, out, plan[1]
    turn = ints[h, COUNT] // serves.shape[1] + 1
    for place in range(plan[3]):
        if not serves[lead, place]:
            continue
        _put(floats, ints, h, cost, RESTART, out, n)
        new_f[n, LOG_SPEED] = np.nan
        new_f[n, TREND], new_f[n, LAST_DEG], new_f[n, BEFORE] = 0.0, 0.0, np.nan
        new_i[n, SILENT], new_i[n, PARTLY] = 0, 0
        new_f[n, TIME], new_i[n, COUNT], new_i[n, SEEN] = tau, turn * serves.shape[1] + place, 1 << lead
        new_i[n, LAST_EXTRA], new_i[n, LAST_SILENT], new_i[n, RAN] = NOT_AGAIN, NOT_AGAIN, 0
        new_i[n, ANCHORED] = 1  # what came before is closed here, labelled or not
        n += 1
    return n


@_jit
def _by_cost(costs, n, order):  # type: ignore[no-untyped-def]
    """Write the order of ascending cost, ties as they came (insertion sort: candidates arrive nearly in order)."""
    for i in range(n):
        j = i
        while j > 0 and costs[order[j - 1], COST] > costs[i, COST]:
            order[j] = order[j - 1]
            j -= 1
        order[j] = i


@_jit
def _select(out, n, kept, n_slots, order):  # type: ignore[no-untyped-def]
    """Keep the best candidates, one for each state; return how many.

    A worse way into the same state leaves its cost difference in ``MARGIN`` where it would have labelled pulses
    differently.
    """
    (new_f, new_i), (floats, ints) = out, kept
    _by_cost(new_f, n, order)
    n_kept = 0
    for rank in range(n):
        row = order[rank]
        if new_f[row, COST] > new_f[order[0], COST] + PRUNE:
            break
        twin = _same_state(floats, ints, n_kept, new_f, new_i, row, n_slots)
        if twin >= 0:
            if ints[twin, PATH] != new_i[row, PATH] or ints[twin, COUNT] != new_i[row, COUNT]:
                floats[twin, MARGIN] = min(floats[twin, MARGIN], new_f[row, COST] - floats[twin, COST])
        elif n_kept < MAX_KEPT:
            for k in range(N_FLOAT):
                floats[n_kept, k] = new_f[row, k]
            for k in range(N_INT):
                ints[n_kept, k] = new_i[row, k]
            n_kept += 1
    return n_kept


@_jit
def _same_state(floats, ints, n_kept, new_f, new_i, row, n_slots):  # type: ignore[no-untyped-def]
    """Return the kept hypothesis in the same slot at the same time, speed and leads seen, -1 for none."""
    for k in range(n_kept):
        if (
            floats[k, TIME] == new_f[row, TIME]
            and ints[k, SEEN] == new_i[row, SEEN]
            and (ints[k, COUNT] - new_i[row, COUNT]) % n_slots == 0
            and not abs(floats[k, LOG_SPEED] - new_f[row, LOG_SPEED]) > SAME_SPEED
        ):
            return k
    return -1


@_jit
def walk(pulses, kept, n_kept, out, order, rows, row, plan, gaps):  # type: ignore[no-untyped-def]
    """Take pulses one after the other, noting each survivor's step from ``row`` of the window on; return survivors."""
    turn_on, lead, delay, gap, longest = pulses
    for i in range(len(turn_on)):
        n = _extend(turn_on[i], lead[i], delay[i], gap[i], longest[i], kept, n_kept, out, plan, gaps)
        n_kept = _select(out, n, kept, plan[1].shape[1], order)
        _remember(rows, row + i, kept, n_kept)
    return n_kept


@_jit
def _remember(rows, row, kept, n_kept):  # type: ignore[no-untyped-def]
    """Note predecessor, action and count; where a labelled slot just ended, the margin of the stretch before it."""
    floats, ints = kept
    steps, margins = rows
    for k in range(n_kept):
        steps[row, k, 0], steps[row, k, 1], steps[row, k, 2] = ints[k, BACK], ints[k, ACTION], ints[k, COUNT]
        margins[row, k] = -1.0
        if ints[k, ANCHORED]:
            margins[row, k] = floats[k, MARGIN]
            floats[k, MARGIN] = PRUNE
            ints[k, PATH] = ints[k, COUNT] + 1 if ints[k, ACTION] == RESTART else 0
            ints[k, ANCHORED] = 0
