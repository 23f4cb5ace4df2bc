"""Slow, obvious alignment: every possible reading of a short row of pulses is priced in plain Python.

No pruning, no merging, no window: the cheapest of all readings is the truth the fast alignment is held against.
Costs are written down again from their meaning; only the numbers are shared with the kernels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import miner.engine.kernels as k

UNSET = float("nan")


@dataclass(frozen=True)
class Reading:
    """One reading of the pulses so far."""

    cost: float
    time: float
    count: int
    seen: frozenset
    speed: float = UNSET  # logarithms
    mean: float = 0.0
    trend: float = 0.0
    last_deg: float = 0.0
    before: float = UNSET
    ran: int = 0
    last_silent: int = -(10**9)
    spacing: float = 0.0
    last_extra: int = -(10**9)
    silent: frozenset = frozenset()
    partly: frozenset = frozenset()
    labels: tuple = ()


def robust(z):
    return 0.5 * z * z if abs(z) < 2 else 2 * abs(z) - 2


def cheapest(turn_on, lead, delay, since, longest, plan):
    """Return, of every reading that has the least cost, the (action, count) of each pulse."""
    readings = [
        Reading(0.0, turn_on[0], p, frozenset([lead[0]]), labels=((k.RESTART, p),))
        for p in range(plan.n_starts)
        if plan.serves[lead[0], p]
    ]
    for i in range(1, len(turn_on)):
        best = min(r.cost for r in readings)
        readings = [
            new
            for r in readings
            for new in extensions(r, turn_on[i], lead[i], delay[i], since[i], longest[i], plan, r.cost == best)
        ]
    least = min(r.cost for r in readings)
    return {r.labels for r in readings if r.cost < least + 1e-9}


def extensions(r, tau, lead, delay, gap, longest, plan, leading):
    n = plan.n_slots
    place = r.count % n
    slot_deg = degrees_over(plan, place, 1)
    known = not math.isnan(r.speed)
    speed = math.exp(r.speed) if known else k.UNKNOWN_SPEED
    elapsed = (tau - r.time) * speed
    pace = keeps_pace(r, tau, gap, longest, elapsed, slot_deg, n)
    if plan.serves[lead, place] and lead not in r.seen:
        price = robust(elapsed / (4 + 0.25 * delay * speed))
        own = plan.anchors[lead] and not any(plan.anchors[one] for one in r.seen)
        later = {"time": tau, "speed": r.speed - math.log1p(max(0.0, elapsed) / before_deg(plan, place))} if own else {}
        yield add(r, price, k.SAME, seen=r.seen | {lead}, **later)
    if k.LEAST_PACE < pace < k.MOST_PACE:
        price = k.EXTRA_HABIT
    else:
        price = k.EXTRA_NEXT if r.count == r.last_extra and elapsed < slot_deg else k.EXTRA_FIRST
    close = elapsed < k.EARLY * slot_deg and gap * speed < k.CLOSE * slot_deg
    yield add(
        r,
        price,
        k.EXTRA,
        last_extra=r.count,
        spacing=gap if close else 0.0 if r.count - r.last_extra > 2 * n else r.spacing,
    )
    if tau <= r.time:
        return
    quiet = [one for one in range(len(plan.lead)) if plan.serves[one, place] and one not in r.seen]
    closing = (k.ABSENT_AGAIN if place in r.partly else k.ABSENT) + k.ALSO_ABSENT * (len(quiet) - 1) if quiet else 0.0
    partly = r.partly | {place} if quiet else r.partly - {place}
    if not known or elapsed <= k.SURELY_PAUSED * longest_pause(n) * plan.cycle_deg:
        behind = known and gap <= k.TRAIN_S and gap * speed <= k.CLOSE * slot_deg and gap <= k.REPEATED * longest
        late = k.SLOT_AT_HABIT if behind or 0.75 < pace < 1.33 else 0.0
        yield from later_slots(r, tau, lead, closing + late, partly, plan)
    price = closing + restart_price(r, tau - r.time, plan, leading)
    for p in range(plan.n_starts):
        if plan.serves[lead, p] and price < math.inf:
            new = add(r, price, k.RESTART, count=(r.count // n + 1) * n + p, time=tau, seen=frozenset([lead]))
            fresh = Reading(new.cost, new.time, new.count, new.seen, mean=r.mean, spacing=r.spacing, labels=new.labels)
            yield fresh


def later_slots(r, tau, lead, closing, partly, plan):
    n, place, dt = plan.n_slots, r.count % plan.n_slots, tau - r.time
    known = not math.isnan(r.speed)
    for m in range(1, max(5, 2 * n) + 1):
        degrees = degrees_over(plan, place, m)
        if m > 1 and known and degrees > 3 * dt * math.exp(r.speed):
            return
        if not plan.serves[lead, (place + m) % n]:
            continue
        passed = [(place + j) % n for j in range(1, m)]
        soon = r.count - r.last_silent <= k.SOON_CYCLES * n
        price = (
            closing
            - (k.SOON if soon and closing >= k.ABSENT else 0.0)
            + silence_price(passed, r.silent - {place}, soon, plan)
        )
        silent = r.silent - {place} | set(passed)
        new = math.log(degrees / dt)
        price += speed_price(r, new, degrees, dt, m, n == 1, plan.cycle_deg)
        weight = 1 - (1 - k.MEAN_WEIGHT) ** m
        yield add(
            r, price, k.ADVANCE, count=r.count + m, time=tau, seen=frozenset([lead]), speed=new,
            mean=r.mean + weight * (new - r.mean) if known else new,
            trend=max(-0.5, min(0.5, new - r.speed)) / apart_deg(r, degrees) if known else 0.0,
            last_deg=degrees, before=r.speed, ran=min(r.ran + int(new > k.STEADY), k.CAUGHT),
            last_silent=r.count + m - 1 if m > 1 else r.last_silent, silent=silent - {(place + m) % n}, partly=partly,
        )  # fmt: skip


def apart_deg(r, degrees):
    """Crank angle between the middles of two intervals; nothing is known of one before the first."""
    return (degrees + r.last_deg) / 2 if r.last_deg else degrees


def longest_pause(n):
    return max(k.PAUSE, k.PAUSE_SLOTS / n)


def silence_price(passed, silent, soon, plan):
    price, fresh, also, silent = 0.0, 0, 0, set(silent)
    for j, slot in enumerate(passed, 1):
        if slot in silent:
            price += k.ALL_AGAIN if price and j <= plan.n_slots else k.ABSENT_AGAIN
        else:
            fresh += 1
            also = max(also, int(plan.serves[:, slot].sum()) - 1)
            silent.add(slot)
    table = [float(v) for v in k.SPREAD]
    run = table[fresh] if fresh < len(table) else table[-1] + k.SPREAD_MORE * (fresh - len(table) + 1)
    return price + run + k.ALSO_ABSENT * also - (k.SOON if soon and fresh else 0.0)


def speed_price(r, new, degrees, dt, m, lone, cycle_deg):
    fast = 6 * max(0.0, new - k.FASTEST)
    if math.isnan(r.speed):
        return 3 * max(0.0, k.SLOWEST - new) + fast
    misses = [new - r.speed, new - r.speed - k.TREND_KEPT * r.trend * apart_deg(r, degrees)]
    if not lone and (max(r.speed, r.mean) < k.STEADY or abs(r.speed - r.mean) < k.DISPLACED):
        misses.append(new - r.mean)
    if r.last_deg and r.ran == k.CAUGHT and abs(r.speed - r.before) < k.DISPLACED:
        both_deg = degrees + r.last_deg
        both = math.log(both_deg / (dt + r.last_deg / math.exp(r.speed)))
        misses.append((both - r.before) * both_deg / degrees)
    miss = min(abs(one) for one in misses)
    faster = max(r.speed, r.mean)
    rising = k.RISING_SD * max(1.0, math.exp(k.STEADY - faster))
    drive = min(k.ACCELERATION * dt / math.exp(faster), k.LARGEST_SD, k.LARGEST_SD if new < r.speed else rising)
    if lone and m == 1 and r.ran < k.CAUGHT and new > r.speed:
        drive = k.CATCHING_SD
    smooth = robust(miss / math.hypot(1.414 * k.TIMING_DEG / degrees, drive))
    clutch = k.CLUTCH + robust(miss / (k.CLUTCH_SD * degrees / cycle_deg)) if m == 1 else math.inf
    return min(smooth, clutch) + fast


def keeps_pace(r, tau, gap, longest, elapsed, slot_deg, n):
    if tau - r.time > k.TRAIN_S:
        return 0.0
    if math.isnan(r.speed):
        return 1.0 if gap < k.CLEARLY * longest else 0.0
    stale = r.count - r.last_extra > 2 * n or r.spacing <= 0 or elapsed > k.EARLY * slot_deg
    wide = gap * math.exp(r.speed) > k.CLOSE * slot_deg or gap > k.REPEATED * longest
    return 0.0 if stale or wide else r.spacing / gap


def restart_price(r, dt, plan, leading):
    if dt > (k.LONE_LONGEST_S if plan.n_slots == 1 else k.LONGEST_S):
        return k.RESTART_COST
    if math.isnan(r.speed):
        return k.RESTART_COST if dt > 0.25 else (k.RESYNC_COST if leading else math.inf)
    turned = dt * math.exp(r.speed) / plan.cycle_deg
    lone = plan.n_slots == 1
    if turned > longest_pause(plan.n_slots):
        return k.RESTART_COST
    if lone and turned > 1.5:
        return k.RESTART_COST + k.ABSENT
    return k.RESYNC_COST if leading else math.inf


def degrees_over(plan, place, m):
    turns, to = divmod(place + m, plan.n_slots)
    return turns * plan.cycle_deg + float(plan.angle_deg[to]) - float(plan.angle_deg[place])


def before_deg(plan, place):
    return degrees_over(plan, (place - 1) % plan.n_slots, 1)


def add(r, price, action, **changes):
    count = changes.get("count", r.count)
    return replace(r, cost=r.cost + price, labels=(*r.labels, (action, count)), **changes)
