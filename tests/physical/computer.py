"""The engine computer: tables, corrections, and sparks timed from the last tooth it saw.

State: see `columns.State`. Numba's cache on disk does not see changes in other files: after a change to a file of this
package delete ``tests/physical/__pycache__/*.nb*``.
"""

# ruff: isort: skip_file
from __future__ import annotations

import numpy as np
from numba import njit

from tests.physical.columns import (
    C_EXTRA_GAP, C_EXTRA_S, C_HEAT, C_HENRY, C_OFF, C_OHM, C_ON, C_TEMP, C_WIDTH, Course, E_ACCEL, E_ADVANCE,
    E_ANGLE, E_ANSWER_OFF, E_ANSWER_ON, E_CRANKING, E_CYCLE, E_DROPPED, E_EXTRA_OFF, E_EXTRA_ON, E_FAULT, E_KNOCK,
    E_LOAD, E_OFF, E_ON, E_RPM, E_SAG_OFF, E_SAG_ON, E_SAG_V, E_SENT, E_SIZE, E_SLOT, E_VOLT, Floats, Ints, J_FIXED,
    J_ON, J_WAITS, K_CHARGING, K_EVENT, K_LINE_OPEN, K_OPEN, K_REPEATS, K_SLOT, K_SORT, MAIN, Plan, S_ACCEL,
    S_ADVANCE, S_AIR, S_BUS, S_CALM_RPM, S_CUT, S_CUT_FOR, S_DROP_COUNT, S_FIRST_GROUP, S_KEY, S_LAST_FAULT,
    S_LIMIT, S_LOAD_INDEX, S_LOAD_SEEN, S_MAP, S_OMEGA, S_RETARD, S_RPM_BEFORE, S_RPM_INDEX, S_SHIFT, S_SYNCED_S,
    S_THROTTLE, S_TOOTH_RPM, S_VOLT_INDEX, S_VOLT_SEEN, S_VOLT_STEP, State,
)  # fmt: skip
from tests.physical.machine import KINDS, Machine, Tables
from tests.physical.road import KEY_OFF

LATENCY_S = 2e-5
"""From a tooth to the earliest edge that its interrupt can set (common practice, no source)."""
SLEW_DEG = 3.0
"""Most that the advance of all cylinders changes from one firing to the next (common practice, no source)."""
LATEST_DEG = 10.0
"""A spark this far after dead centre is given up (plausible, no source)."""
CUT_AFTER_S, LEAST_CUT_S, LEAST_LIMIT_S = 0.3, 0.4, 0.1
"""When an overrun is believed; how long its cut and the limiter's last at least, all cylinders alike (no source)."""
NO_COMMAND, NO_ANSWER, SHORT, LONG, LATE, EARLY = (KINDS.index(kind) for kind in KINDS[:6])
WIDTH, FURTHER, UNEVEN, SAG = (KINDS.index(kind) for kind in KINDS[9:])
WARM_C, COOLING_S, HEAT_J_PER_K = 70.0, 300.0, 90.0
"""Where a coil sits in a warm engine bay, and how it warms (plausible, no source)."""


@njit(cache=True)
def held(value: float, index: float, axis: Floats, slack: float) -> float:
    """Return the place in a table's axis, which changes only once the value is past the border by the slack."""
    i = int(index)
    while i < len(axis) - 1 and value > axis[i + 1] + slack:
        i += 1
    while i > 0 and value < axis[i] - slack:
        i -= 1
    return float(i)


@njit(cache=True)
def slow_tasks(m: Machine, b: Tables, q: State, key: int) -> None:
    """Run the computer's 10 ms task, and warm the coils."""
    s = q.s
    rpm = s[S_OMEGA] * 9.549297
    s[S_KEY] = key
    s[S_ACCEL] += 0.2 * ((rpm - s[S_RPM_BEFORE]) / 0.01 - s[S_ACCEL])
    s[S_RPM_BEFORE] = rpm
    running = rpm > 450.0 and key != KEY_OFF
    filters(m, b, s)
    cuts(m, s, rpm, running)
    idle_air(m, s, rpm, running)
    if s[S_SHIFT] <= 0.0 and s[S_RETARD] > 0.0:
        s[S_RETARD] = max(s[S_RETARD] - 1.0, 0.0)
    for j in range(len(q.knock)):
        often = 0.01 * m.knock_per_s * (1.0 if j % 3 == 1 else 0.3)
        if s[S_LOAD_SEEN] > 0.65 and running and q.rng.random() < often:
            q.knock[j] = min(q.knock[j] + m.knock_step_deg, 12.0)
        elif q.knock[j] > 0.0 and q.rng.random() < 0.02:
            q.knock[j] = max(q.knock[j] - 0.25 * m.knock_step_deg, 0.0)
    for c in range(m.n_coils):
        q.coils[c, C_TEMP] += q.coils[c, C_HEAT] / HEAT_J_PER_K - 0.01 * (q.coils[c, C_TEMP] - WARM_C) / COOLING_S
        q.coils[c, C_HEAT] = 0.0


@njit(cache=True)
def filters(m: Machine, b: Tables, s: Floats) -> None:
    """Filter what the computer measures, in the converter's steps, and find the places in its tables."""
    s[S_VOLT_SEEN] += 0.01 / max(m.volt_tau_s, 0.01) * (s[S_BUS] - s[S_VOLT_SEEN])
    raw = np.floor(s[S_VOLT_SEEN] / m.volt_step_v + 0.5) * m.volt_step_v
    if abs(raw - s[S_VOLT_STEP]) > m.volt_hysteresis_v:
        s[S_VOLT_STEP] = raw
    s[S_VOLT_INDEX] = held(raw, s[S_VOLT_INDEX], b.volt_axis, m.volt_hysteresis_v)
    s[S_LOAD_SEEN] += 0.2 * (s[S_MAP] - s[S_LOAD_SEEN])
    s[S_RPM_INDEX] = held(s[S_CALM_RPM], s[S_RPM_INDEX], b.rpm_axis, 25.0)
    s[S_LOAD_INDEX] = held(s[S_LOAD_SEEN], s[S_LOAD_INDEX], b.load_axis, 0.02)


@njit(cache=True)
def cuts(m: Machine, s: Floats, rpm: float, running: bool) -> None:
    """Cut on the overrun and at the highest speed; ``S_CUT_FOR`` counts from when the throttle closed."""
    closed = s[S_THROTTLE] < 0.02
    if m.overrun > 0 and running and (s[S_CUT] > 0.0 or (closed and rpm > 1500.0)):
        s[S_CUT_FOR] += 0.01
        if s[S_CUT_FOR] > CUT_AFTER_S:
            s[S_CUT] = 1.0
    if (not closed and (s[S_CUT] == 0.0 or s[S_CUT_FOR] > CUT_AFTER_S + LEAST_CUT_S)) or rpm < 1200.0:
        s[S_CUT], s[S_CUT_FOR] = 0.0, 0.0
    if rpm > m.limit_rpm:
        s[S_LIMIT] = LEAST_LIMIT_S
    elif s[S_LIMIT] > 0.0 and rpm < m.limit_rpm - 120.0:
        s[S_LIMIT] = max(s[S_LIMIT] - 0.01, 0.0)


@njit(cache=True)
def idle_air(m: Machine, s: Floats, rpm: float, running: bool) -> None:
    """Hold the idle with air, slowly, and let the manifold follow the throttle."""
    error = m.idle_rpm - rpm
    idling = running and s[S_THROTTLE] < 0.02
    if idling and s[S_CUT] == 0.0 and error > -0.6 * m.idle_rpm:
        s[S_AIR] = min(max(s[S_AIR] + 4e-6 * error, 0.03), 0.45)
    air = s[S_AIR] + (min(max(1.2e-4 * error, -0.04), 0.1) if idling else 0.0)
    if rpm < 450.0:
        air = 0.25
    s[S_MAP] += 0.12 * (0.14 + 0.86 * min(s[S_THROTTLE] + max(air, 0.02), 1.0) - s[S_MAP])


@njit(cache=True)
def table(values: Floats, x_axis: Floats, y_axis: Floats, x: float, y: float) -> float:
    """Interpolate a table in both directions, held at its borders."""
    i = min(max(int(np.searchsorted(x_axis, x)) - 1, 0), len(x_axis) - 2)
    k = min(max(int(np.searchsorted(y_axis, y)) - 1, 0), len(y_axis) - 2)
    u = min(max((x - x_axis[i]) / (x_axis[i + 1] - x_axis[i]), 0.0), 1.0)
    w = min(max((y - y_axis[k]) / (y_axis[k + 1] - y_axis[k]), 0.0), 1.0)
    low = values[i, k] * (1.0 - w) + values[i, k + 1] * w
    high = values[i + 1, k] * (1.0 - w) + values[i + 1, k + 1] * w
    return float(low * (1.0 - u) + high * u)


@njit(cache=True)
def wanted_advance(m: Machine, b: Tables, s: Floats, knock: float) -> float:
    """Return degrees before dead centre that the computer wants now."""
    rpm = s[S_CALM_RPM]
    if rpm < 450.0:
        return 7.0
    if m.advance_interpolates:
        found = table(b.advance, b.rpm_axis, b.load_axis, rpm, s[S_LOAD_SEEN])
    else:
        found = b.advance[int(s[S_RPM_INDEX]), int(s[S_LOAD_INDEX])]
    if s[S_THROTTLE] < 0.02:
        fade = min(max((m.idle_rpm + 350.0 - rpm) / 200.0, 0.0), 1.0)
        found += fade * min(max(m.idle_gain * (m.idle_rpm - s[S_TOOTH_RPM]), -7.0), 7.0)
    found -= s[S_RETARD]
    found = min(max(found, s[S_ADVANCE] - SLEW_DEG), s[S_ADVANCE] + SLEW_DEG) - knock
    return float(max(np.floor(found / m.advance_step_deg + 0.5) * m.advance_step_deg, -8.0))


@njit(cache=True)
def wanted_dwell(m: Machine, b: Tables, s: Floats) -> float:
    """Return the on-time that the computer wants now, in whole ticks."""
    rpm = max(s[S_CALM_RPM], 30.0)
    if m.dwell_interpolates:
        found = table(b.dwell, b.volt_axis, b.rpm_axis, s[S_VOLT_STEP], rpm)
    else:
        found = b.dwell[int(s[S_VOLT_INDEX]), int(s[S_RPM_INDEX])]
    found = min(found, m.dwell_share * m.least_gap_deg / (6.0 * rpm))
    step = max(m.dwell_step_s, m.tick_s)
    return float(max(np.floor(found / step + 0.5) * step, 2e-4))


@njit(cache=True)
def find_fault(m: Machine, q: State, f: Plan, t: float, cylinder: int) -> int:
    """Return the group whose turn this event is, or -1."""
    s, left = q.s, q.left
    rpm = s[S_TOOTH_RPM]
    calm = s[S_SYNCED_S] > 3.0 and s[S_LIMIT] == 0.0 and (s[S_CUT] == 0.0 or m.overrun < 2)
    while s[S_FIRST_GROUP] < len(left) and left[int(s[S_FIRST_GROUP])] <= 0:
        s[S_FIRST_GROUP] += 1.0
    for g in range(int(s[S_FIRST_GROUP]), len(f.at_s)):
        if f.at_s[g] > t:
            break
        if left[g] <= 0 or f.cylinder[g] != cylinder:
            continue
        if left[g] < f.n_events[g]:
            return g
        if t > f.at_s[g] + 120.0:
            left[g] = 0
            continue
        fits = f.rpm_low[g] <= rpm <= f.rpm_high[g] and (f.accelerating[g] == 0 or s[S_ACCEL] > 400.0)
        if fits and calm and t > s[S_LAST_FAULT] + 4.0 * m.cycle_deg / (6.0 * rpm):
            return g
    return -1


@njit(cache=True)
def schedule(
    m: Machine,
    b: Tables,
    q: State,
    f: Plan,
    cylinders: Ints,
    out: Course,
    tooth_deg: float,
    tq: float,
    p: float,
    ahead: int,
) -> None:
    """Look at every slot from a tooth seen at ``tq``: ``p`` seconds a pitch, the next tooth ``ahead`` pitches on."""
    pitch = 360.0 / m.teeth
    nearest = wanted_dwell(m, b, q.s)
    horizon = tq + ahead * p * 1.02
    for j in range(len(q.states)):
        if q.states[j] == J_WAITS:
            if q.slots[j, 0] - tooth_deg > 45.0 + pitch * (2.0 * nearest / p + ahead):
                continue
            angle = q.slots[j, 0] - wanted_advance(m, b, q.s, q.knock[j])
            if angle < tooth_deg:  # too late for the place that is wanted now: at once, or not at all
                if q.slots[j, 0] + LATEST_DEG < tooth_deg:
                    q.slots[j, 0] += m.cycle_deg
                    continue
                angle = tooth_deg
            off = tq + (angle - tooth_deg) / pitch * p
            if q.groups[j] == -2 and off - 1.9 * nearest - 1e-3 < horizon:
                assign_fault(m, q, f, tq, j, cylinders[j])
            g, size = q.groups[j], q.slots[j, 3]
            dwell = nearest
            if g >= 0 and f.kind[g] == UNEVEN:
                angle += size
                off += size / pitch * p
            elif g >= 0 and f.kind[g] == SHORT and f.way[g] == 0:
                dwell *= 1.0 - size
            elif g >= 0 and f.kind[g] == LONG and f.way[g] == 0:
                dwell *= 1.0 + size
            if off - dwell < horizon:
                begin(m, b, q, f, out, j, angle, off, dwell, nearest, tq)
        if q.states[j] == J_ON and q.slots[j, 1] - tooth_deg < ahead * pitch * 1.001:
            fix_end(m, b, q, f, j, tq, tq + max((q.slots[j, 1] - tooth_deg) / pitch, 0.0) * p)


@njit(cache=True)
def assign_fault(m: Machine, q: State, f: Plan, tq: float, j: int, cylinder: int) -> None:
    """Ask once for each event whether it goes wrong."""
    g = -1 if q.s[S_KEY] == KEY_OFF else find_fault(m, q, f, tq, cylinder)
    q.groups[j] = g
    if g >= 0:
        q.slots[j, 3] = f.size[f.first[g] + f.n_events[g] - q.left[g]]
        q.left[g] -= 1
        q.s[S_LAST_FAULT] = tq


@njit(cache=True)
def fix_end(m: Machine, b: Tables, q: State, f: Plan, j: int, tq: float, off: float) -> None:
    """Set the coil's turn-off from the last tooth before it."""
    c, g = b.coil_of[j], int(q.slots[j, 4])
    if g >= 0 and f.kind[g] == LONG and f.way[g] == 1:
        off += q.slots[j, 3] * q.slots[j, 2]
    off = np.floor(off / m.tick_s + 0.5) * m.tick_s
    q.coils[c, C_OFF] = max(off, q.coils[c, C_ON] + 0.3 * q.slots[j, 2], tq + LATENCY_S)
    q.states[j] = J_FIXED


@njit(cache=True)
def drops(m: Machine, s: Floats) -> bool:
    """Say whether this spark is left out: key off, overrun, limiter in its pattern."""
    if s[S_KEY] == KEY_OFF or (s[S_CUT] > 0.0 and m.overrun == 2):
        return True
    if s[S_LIMIT] <= 0.0 or m.limiter == 0:
        return False
    s[S_DROP_COUNT] += 1.0
    n = int(s[S_DROP_COUNT])
    return m.limiter == 3 or (m.limiter == 2 and n % 2 == 0) or (m.limiter == 1 and n % 5 in (1, 3))


@njit(cache=True)
def begin(
    m: Machine,
    b: Tables,
    q: State,
    f: Plan,
    out: Course,
    j: int,
    angle: float,
    off: float,
    dwell: float,
    plain: float,
    tq: float,
) -> None:
    """Decide whether this spark is given, keep its row, and set the coil's timer."""
    s, c, g, size = q.s, b.coil_of[j], q.groups[j], q.slots[j, 3]
    e = out.counts[0]
    out.counts[0] = e + 1
    on = max(np.floor((off - dwell) / m.tick_s + 0.5) * m.tick_s, tq + LATENCY_S)
    row = out.events[e]
    row[E_ON], row[E_OFF], row[E_SLOT] = on, on + dwell, j
    row[E_CYCLE] = np.floor((q.slots[j, 0] - b.tdc_deg[j]) / m.cycle_deg + 0.5)
    row[E_RPM], row[E_LOAD], row[E_FAULT], row[E_SIZE] = s[S_TOOTH_RPM], s[S_LOAD_SEEN], g, size
    row[E_ANSWER_ON] = row[E_ANSWER_OFF] = row[E_EXTRA_ON] = row[E_EXTRA_OFF] = row[E_SAG_ON] = np.nan
    row[E_ADVANCE], row[E_KNOCK], row[E_ANGLE] = q.slots[j, 0] - angle, q.knock[j], angle
    s[S_ADVANCE] = row[E_ADVANCE] + q.knock[j] + (size if g >= 0 and f.kind[g] == UNEVEN else 0.0)
    row[E_CRANKING] = 1.0 if s[S_TOOTH_RPM] < 450.0 else 0.0
    row[E_ACCEL], row[E_VOLT] = s[S_ACCEL], s[S_BUS]
    row[E_DROPPED] = 1.0 if drops(m, s) else 2.0 if q.flags[c, K_CHARGING] == 1 else 0.0
    q.slots[j, 0] += m.cycle_deg
    q.groups[j] = -2
    if row[E_DROPPED] > 0.0 or (g >= 0 and f.kind[g] == NO_COMMAND):
        return
    row[E_SENT] = 1.0
    q.slots[j, 1], q.slots[j, 2] = angle, dwell
    q.slots[j, 4] = g
    prepare_coil(m, q, c, j, e, on)
    if g >= 0:
        spoil_coil(m, q, f, row, c, g, size, on, dwell)
    short = g >= 0 and f.kind[g] == SHORT and f.way[g] == 1
    if short or not m.by_angle:
        length = plain * (1.0 - size) if short else dwell
        if g >= 0 and f.kind[g] == LONG and f.way[g] == 1:
            length = plain * (1.0 + size)
        q.coils[c, C_OFF] = on + np.floor(length / m.tick_s + 0.5) * m.tick_s
        q.states[j] = J_FIXED
    else:
        q.states[j] = J_ON


@njit(cache=True)
def prepare_coil(m: Machine, q: State, c: int, j: int, e: int, on: float) -> None:
    """Set a coil's timer, with nothing wrong about it."""
    coil, flag, rpm = q.coils[c], q.flags[c], q.s[S_TOOTH_RPM]
    coil[C_ON], coil[C_OFF], coil[C_OHM], coil[C_HENRY], coil[C_WIDTH] = on, 1e18, 0.0, 1.0, 1.0
    coil[C_EXTRA_GAP] = 0.0
    flag[K_EVENT], flag[K_SORT], flag[K_SLOT] = e, MAIN, j
    flag[K_OPEN] = flag[K_LINE_OPEN] = 0
    flag[K_REPEATS] = m.repeats if 450.0 < rpm < m.repeat_rpm else 0


@njit(cache=True)
def spoil_coil(
    m: Machine, q: State, f: Plan, row: Floats, c: int, g: int, size: float, on: float, dwell: float
) -> None:
    """Let one event of a coil go wrong."""
    kind, coil, flag = f.kind[g], q.coils[c], q.flags[c]
    if kind == NO_ANSWER:
        flag[K_OPEN if f.way[g] == 0 else K_LINE_OPEN] = 1
    elif kind == LATE:
        coil[C_OHM] = size
    elif kind == EARLY:
        coil[C_HENRY] = 1.0 - size
    elif kind == WIDTH:
        coil[C_WIDTH] = 1.0 + size
    elif kind == FURTHER:
        flag[K_REPEATS] = 0
        coil[C_EXTRA_GAP] = min(1e-3 + 0.06 * m.cycle_deg / (6.0 * q.s[S_TOOTH_RPM]), 8e-3)
        coil[C_EXTRA_S] = size
    elif kind == SAG:
        row[E_SAG_ON], row[E_SAG_OFF], row[E_SAG_V] = on + 0.1 * dwell, on + dwell * (0.6 + 0.3 * f.way[g]), size
