"""Loops of the alignment: one step extends every hypothesis by one pulse. Plain arrays in, plain arrays out.

A hypothesis is one row of a float and one row of an integer array, columns named below. What the costs mean is told
in `miner.engine.alignment`; here they are only added up. All costs are natural logarithms of odds.
"""

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = [
    "ACTION", "ADVANCE", "ANCHORED", "BACK", "COST", "COUNT", "EXTRA", "MARGIN", "MAX_KEPT", "NOT_AGAIN", "N_FLOAT",
    "N_INT", "PATH", "PRUNE", "RESTART", "SAME", "extend", "in_gap", "select",
]  # fmt: skip

ADVANCE, SAME, EXTRA, RESTART = 0, 1, 2, 3
"""What a pulse is: the next slot, another lead in this slot, nothing new, the first after a pause."""

COST, TIME, LOG_SPEED, LOG_MEAN, VARIANCE, MARGIN = 0, 1, 2, 3, 4, 5
COUNT, SEEN, LAST_EXTRA, PATH, BACK, ACTION, ANCHORED = 0, 1, 2, 3, 4, 5, 6
N_FLOAT, N_INT = 6, 7

MAX_KEPT = 48
PRUNE = 45.0

ABSENT = 7.0  # one slot or lead in a thousand
SPREAD = np.array([0.0, 7.0, 10.0, 12.0, 13.0])  # n absent in a row: they come in bursts
SPREAD_MORE = 0.7
ALSO_ABSENT = 1.0  # command gone, its feedback gone too: one cause
EXTRA_FIRST, EXTRA_CYCLE, EXTRA_LATE, EXTRA_HABIT = 7.0, 3.0, 4.0, 1.0
RESTART_COST, RESYNC_COST = 10.0, 35.0
TIMING_DEG = 3.0  # event to event movement of turn-on in a steady engine; more is learned from the stretch itself
ACCELERATION = 30000.0  # deg/s^2, 5000 rpm/s: a free engine
LARGEST_SD = 0.4
SLOWEST, FASTEST = math.log(6.0 * 30.0), math.log(6.0 * 9000.0)
LEARN, LARGEST_LEARNED = 0.15, 0.1
MEAN_WEIGHT = 0.3
NOT_AGAIN = -(1 << 40)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def in_gap(gap_first, gap_start, gap_stop, lead, at):  # type: ignore[no-untyped-def]
    """Whether a lead's gaps (rows ``gap_first[lead]:gap_first[lead + 1]``, ascending) hold an instant."""
    low, high = gap_first[lead], gap_first[lead + 1]
    last = high
    while low < high:
        middle = (low + high) // 2
        if gap_stop[middle] < at:
            low = middle + 1
        else:
            high = middle
    return low < last and gap_start[low] <= at


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _robust(z):  # type: ignore[no-untyped-def]
    """Huber's loss: square up to two deviations, then a straight line."""
    z = abs(z)
    return 0.5 * z * z if z < 2.0 else 2.0 * z - 2.0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _closing(seen, place, at, serves, gaps):  # type: ignore[no-untyped-def]
    """Cost of the leads that stayed silent in the slot that ends."""
    gap_first, gap_start, gap_stop = gaps
    silent = 0
    for lead in range(serves.shape[0]):
        if serves[lead, place] and not (seen >> lead) & 1 and not in_gap(gap_first, gap_start, gap_stop, lead, at):
            silent += 1
    return 0.0 if silent == 0 else ABSENT + ALSO_ABSENT * (silent - 1)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _visible(place, at, serves, gaps):  # type: ignore[no-untyped-def]
    """Leads that would have shown a pulse in this slot at this time."""
    gap_first, gap_start, gap_stop = gaps
    n = 0
    for lead in range(serves.shape[0]):
        if serves[lead, place] and not in_gap(gap_first, gap_start, gap_stop, lead, at):
            n += 1
    return n


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _skipping(place, m, start, dt, steps, serves, gaps):  # type: ignore[no-untyped-def]
    """Cost of the ``m - 1`` slots passed over without any pulse."""
    n_slots = serves.shape[1]
    n_absent, also = 0, 0
    for j in range(1, m):
        at = start + dt * steps[place, j] / steps[place, m]
        n = _visible((place + j) % n_slots, at, serves, gaps)
        if n:
            n_absent += 1
            also = max(also, n - 1)
    if n_absent < len(SPREAD):
        return SPREAD[n_absent] + ALSO_ABSENT * also
    return SPREAD[-1] + SPREAD_MORE * (n_absent - len(SPREAD) + 1) + ALSO_ABSENT * also


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _speed_cost(floats, row, m, degrees, dt, lone):  # type: ignore[no-untyped-def]
    """Write the new speed into ``floats[row]`` and return what the change of speed costs."""
    new = math.log(degrees / dt)
    old = floats[row, LOG_SPEED]
    floats[row, LOG_SPEED] = new
    if math.isnan(old):
        floats[row, LOG_MEAN] = new
        return 3.0 * max(0.0, SLOWEST - new) + 6.0 * max(0.0, new - FASTEST)
    mean = floats[row, LOG_MEAN]
    miss = min(abs(new - old), abs(new - mean))
    jitter = 1.414 * TIMING_DEG / degrees
    drive = min(ACCELERATION * dt / math.exp(max(old, mean)), LARGEST_SD)
    if lone and m > 1:
        drive = min(drive, 0.05)
    floor = math.sqrt(jitter * jitter + drive * drive)
    sd = math.sqrt(floor * floor + floats[row, VARIANCE])
    weight = 1.0 - (1.0 - MEAN_WEIGHT) ** m
    floats[row, LOG_MEAN] = mean + weight * (new - mean)
    floats[row, VARIANCE] += LEARN * (min(miss * miss, LARGEST_LEARNED) - floats[row, VARIANCE])
    return _robust(miss / sd) + math.log(sd / floor) + 6.0 * max(0.0, new - FASTEST)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _extra_cost(count, last_extra, elapsed_deg, slot_deg, n_slots):  # type: ignore[no-untyped-def]
    """A further pulse: rare at first, cheap where the engine does it in every slot."""
    since = count - last_extra
    if since <= 2 and elapsed_deg < 0.6 * slot_deg:
        return EXTRA_HABIT
    if since <= 2:
        return EXTRA_LATE
    return EXTRA_CYCLE if since <= 2 * n_slots and elapsed_deg < 0.6 * slot_deg else EXTRA_FIRST


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _restart_cost(dt, log_speed, cycle_deg, lone, best):  # type: ignore[no-untyped-def]
    """Two cycles without any pulse are a pause; a restart inside running is the last resort."""
    if dt > 3.0:
        return RESTART_COST
    if math.isnan(log_speed):
        return RESTART_COST if dt > 0.25 else (RESYNC_COST if best else np.inf)
    turned = dt * math.exp(log_speed) / cycle_deg
    if turned > (6.0 if lone else 2.0):
        return RESTART_COST
    if lone and turned > 1.5:
        return RESTART_COST + ABSENT
    return RESYNC_COST if best else np.inf


@numba.njit(cache=True, nogil=True, error_model="numpy")
def extend(tau, lead, delay, kept, n_kept, out, plan, gaps):  # type: ignore[no-untyped-def]
    """Extend every kept hypothesis by one pulse; return the number of candidates written to ``out``."""
    floats, ints = kept
    new_f, new_i = out
    steps, serves, anchors, n_starts, cycle_deg = plan
    n_slots = serves.shape[1]
    lone = n_slots == 1
    limit = floats[:n_kept, COST].min() + 2 * PRUNE if n_kept else np.inf
    n = 0
    for h in range(n_kept):
        place = ints[h, COUNT] % n_slots
        dt = tau - floats[h, TIME]
        speed = math.exp(floats[h, LOG_SPEED])
        first = n
        n = _stay(tau, lead, delay, floats, ints, h, new_f, new_i, n, serves, steps[place, 1], speed)
        if dt > 0.0:
            closing = _closing(ints[h, SEEN], place, floats[h, TIME], serves, gaps)
            for m in range(1, steps.shape[1]):
                degrees = steps[place, m]
                if m > 1 and degrees > 3.0 * speed * dt:
                    break
                if not serves[lead, (place + m) % n_slots]:
                    continue
                new_f[n] = floats[h]
                new_i[n] = ints[h]
                cost = closing + _skipping(place, m, floats[h, TIME], dt, steps, serves, gaps)
                cost += _speed_cost(new_f, n, m, degrees, dt, lone)
                new_f[n, COST] += cost
                if new_f[n, COST] > limit:
                    continue
                _open_slot(new_f, new_i, n, tau, lead, ints[h, COUNT] + m)
                new_i[n, PATH] = (ints[h, PATH] * 31 + (m - 1) * (ints[h, COUNT] + 7)) % 1000003
                new_i[n, ANCHORED] = _has_anchor(ints[h, SEEN], anchors)
                new_i[n, ACTION] = ADVANCE
                n += 1
            cost = closing + _restart_cost(dt, floats[h, LOG_SPEED], cycle_deg, lone, h == 0)
            if cost < 2 * PRUNE:
                turn = ints[h, COUNT] // n_slots + 1
                n = _restart(tau, lead, floats[h], ints[h], cost, turn, out, n, serves, n_starts, anchors)
        for row in range(first, n):
            new_i[row, BACK] = h
    return n


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _has_anchor(seen, anchors):  # type: ignore[no-untyped-def]
    """Whether a lead that speaks for one slot only was seen."""
    for lead in range(len(anchors)):
        if anchors[lead] and (seen >> lead) & 1:
            return 1
    return 0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _open_slot(new_f, new_i, n, tau, lead, count):  # type: ignore[no-untyped-def]
    new_f[n, TIME] = tau
    new_i[n, COUNT] = count
    new_i[n, SEEN] = 1 << lead


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _stay(tau, lead, delay, floats, ints, h, new_f, new_i, n, serves, slot_deg, speed):  # type: ignore[no-untyped-def]
    """Candidates that stay in the slot: its next lead, or an extra pulse."""
    place = ints[h, COUNT] % serves.shape[1]
    elapsed = (tau - floats[h, TIME]) * (6.0 * 300.0 if math.isnan(speed) else speed)
    if serves[lead, place] and not (ints[h, SEEN] >> lead) & 1:
        new_f[n] = floats[h]
        new_i[n] = ints[h]
        sd = 4.0 + 0.25 * delay * (6.0 * 300.0 if math.isnan(speed) else speed)
        new_f[n, COST] += _robust(elapsed / sd)
        new_i[n, SEEN] |= 1 << lead
        new_i[n, ANCHORED] = 0
        new_i[n, ACTION] = SAME
        n += 1
    new_f[n] = floats[h]
    new_i[n] = ints[h]
    new_f[n, COST] += _extra_cost(ints[h, COUNT], ints[h, LAST_EXTRA], elapsed, slot_deg, serves.shape[1])
    new_i[n, LAST_EXTRA] = ints[h, COUNT]
    new_i[n, ANCHORED] = 0
    new_i[n, ACTION] = EXTRA
    return n + 1


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _restart(tau, lead, old_f, old_i, cost, turn, out, n, serves, n_starts, anchors):  # type: ignore[no-untyped-def]
    """Candidates that open a new segment: every place this lead speaks for, speed unknown."""
    new_f, new_i = out
    for place in range(n_starts):
        if not serves[lead, place]:
            continue
        new_f[n] = old_f
        new_i[n] = old_i
        new_f[n, COST] += cost
        new_f[n, LOG_SPEED] = np.nan
        new_f[n, VARIANCE] = 0.0
        _open_slot(new_f, new_i, n, tau, lead, turn * serves.shape[1] + place)
        new_i[n, LAST_EXTRA] = NOT_AGAIN
        new_i[n, ANCHORED] = 1  # what came before is closed here, labelled or not
        new_i[n, ACTION] = RESTART
        n += 1
    return n


@numba.njit(cache=True, nogil=True, error_model="numpy")
def select(out, n, kept, n_slots):  # type: ignore[no-untyped-def]
    """Keep the best candidates, one for each state; return how many.

    A worse way into the same state leaves its cost difference in ``MARGIN`` where it would have labelled pulses
    differently.
    """
    new_f, new_i = out
    floats, ints = kept
    order = np.argsort(new_f[:n, COST], kind="mergesort")
    best = new_f[order[0], COST]
    n_kept = 0
    for row in order:
        if new_f[row, COST] > best + PRUNE:
            break
        twin = -1
        for k in range(n_kept):
            if (
                floats[k, TIME] == new_f[row, TIME]
                and ints[k, SEEN] == new_i[row, SEEN]
                and (ints[k, COUNT] - new_i[row, COUNT]) % n_slots == 0
            ):
                twin = k
                break
        if twin >= 0:
            if ints[twin, PATH] != new_i[row, PATH] or ints[twin, COUNT] != new_i[row, COUNT]:
                floats[twin, MARGIN] = min(floats[twin, MARGIN], new_f[row, COST] - floats[twin, COST])
        elif n_kept < MAX_KEPT:
            floats[n_kept] = new_f[row]
            ints[n_kept] = new_i[row]
            n_kept += 1
    return n_kept
