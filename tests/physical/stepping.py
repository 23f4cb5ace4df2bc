"""The time stepping itself: crank, vehicle, battery and alternator, 25 microseconds at a time."""

# ruff: isort: skip_file
from __future__ import annotations

import numpy as np
from numba import njit

from tests.physical.coils import charge
from tests.physical.columns import (
    C_OFF, C_ON, C_TEMP, Course, Floats, GRID, Ints, K_CHARGING, Plan, SLOW, S_ADVANCE, S_AIR, S_BRAKE, S_BUS,
    S_CALM_RPM, S_CURRENT, S_EMF, S_ENGAGE, S_FIELD, S_GEAR, S_LAST_FAULT, S_LAST_TOOTH, S_LOADS, S_MAP, S_OMEGA,
    S_SHIFT, S_SPEED, S_STALLED_S, S_STARTER, S_SYNCED_S, S_SYNC_AT, S_THETA, S_TOOTH_RPM, S_VOLT_SEEN, S_VOLT_STEP,
    State,
)  # fmt: skip
from tests.physical.computer import schedule, slow_tasks
from tests.physical.driver import drive
from tests.physical.machine import Machine, Tables
from tests.physical.road import KEY_ON, KEY_START, Road

STALLED_S = 1.5
"""A driver turns the key again so long after the engine has died (plausible, no source)."""


@njit(cache=True)
def crank(
    m: Machine, combustion: Floats, compression: Floats, gears: Floats, s: Floats, phase: Floats, burning: Floats
) -> float:
    """Carry crank and vehicle over one step; return the degrees turned."""
    omega = s[S_OMEGA]
    gas = 0.0
    leak = min(omega * 0.1, 1.0) * 150.0 * s[S_MAP]
    for j in range(len(phase)):
        i = int(phase[j])
        gas += m.torque_per_l * burning[j] * combustion[i] + leak * compression[i]
        if 180 < i < 200:
            burning[j] = 0.0
    torque = gas * m.cylinder_l
    if s[S_STARTER] > 0.0:
        torque += m.starter_nm * max(1.0 - omega / 42.0, 0.0) * min(s[S_BUS] / 10.5, 1.1)
    friction = 8.0 * (0.9 + 0.0033 * omega) * m.volume_l
    if omega > 50.0:
        friction += s[S_BUS] * s[S_FIELD] / (0.55 * omega)
    g = int(s[S_GEAR])
    if g > 0:
        hold = 1.3 * m.torque_per_l * m.volume_l * s[S_ENGAGE] * min(max((omega - 75.0) / 80.0, 0.0), 1.0)
        if s[S_SHIFT] > 0.0:
            hold = 0.0
        slip = omega - s[S_SPEED] * gears[g]
        grip = min(max(slip * 0.4 * m.torque_per_l * m.volume_l / 10.0, -hold), hold)
        friction += grip
        s[S_SPEED] += m.step_s * grip * gears[g] / m.mass_kg
    drag = (0.4 * s[S_SPEED] ** 2 + s[S_BRAKE]) / m.mass_kg + (0.118 if s[S_SPEED] > 0.01 else 0.0)
    s[S_SPEED] = max(s[S_SPEED] - m.step_s * drag, 0.0)
    s[S_OMEGA] = max(omega + m.step_s * (torque - friction) / m.inertia, 0.0)
    turned = s[S_OMEGA] * m.step_s * 57.29577951308232
    for j in range(len(phase)):
        phase[j] += turned
        if phase[j] >= m.cycle_deg:
            phase[j] -= m.cycle_deg
    return float(turned)


@njit(cache=True)
def supply(m: Machine, s: Floats) -> None:
    """Carry battery, alternator and starter current over one step."""
    omega = s[S_OMEGA]
    most = m.alternator_a * (1.0 - 90.0 / max(60.0 + omega, 90.0))
    asked = min(max(250.0 * (m.set_v - s[S_BUS]) + s[S_FIELD], 0.0), most)
    s[S_FIELD] += m.step_s / 0.04 * (asked - s[S_FIELD])
    starter = 0.0
    if s[S_STARTER] > 0.0:
        starter = m.starter_a * max(1.0 - omega / 42.0, 0.05)
    turn = s[S_THETA] * m.poles_per_turn / 360.0
    arc = turn - np.floor(turn) - 0.5  # the top sixth of a sine, as a parabola
    ripple = (0.045 - 0.54 * arc * arc) * m.ripple_v * s[S_FIELD] / 50.0 * 7.0
    current = s[S_FIELD] - starter - s[S_LOADS] - s[S_CURRENT]
    open_v = s[S_EMF] + m.battery_ohm * current
    if 11.8 < s[S_EMF] < 15.0:
        s[S_EMF] += m.step_s * current * (0.0006 if current < 0.0 else 0.008)
    s[S_EMF] += m.step_s * (12.6 - s[S_EMF]) / 120.0
    s[S_BUS] += m.step_s / 2.5e-4 * (open_v + ripple - s[S_BUS])


@njit(cache=True)
def first_state(m: Machine, b: Tables, q: State) -> int:
    """Set the state at the recording's first sample; return the running number of the next tooth."""
    s, coils = q.s, q.coils
    s[S_BUS] = s[S_VOLT_SEEN] = s[S_VOLT_STEP] = s[S_EMF] = 12.6
    s[S_AIR], s[S_MAP], s[S_LAST_FAULT], s[S_LOADS], s[S_SYNC_AT] = 0.12, 0.3, -1e9, m.base_load_a, 1e18
    s[S_THETA] = 360.0 * q.rng.random()
    coils[:, C_ON] = coils[:, C_OFF] = 1e18
    coils[:, C_TEMP] = m.start_c
    q.groups[:] = -2
    s[S_ADVANCE] = 7.0
    if m.running:
        s[S_OMEGA], s[S_SYNC_AT] = m.idle_rpm / 9.549297, 0.0
        s[S_FIELD], s[S_EMF], s[S_BUS] = m.base_load_a, 13.4, m.set_v
        s[S_VOLT_SEEN] = s[S_VOLT_STEP] = m.set_v
    for j in range(len(q.states)):
        q.slots[j, 0] = b.tdc_deg[j] + m.cycle_deg * np.ceil((s[S_THETA] - b.tdc_deg[j] + 60.0) / m.cycle_deg)
        q.phase[j] = (s[S_THETA] - b.tdc_deg[j]) % m.cycle_deg
    tooth = int(np.ceil(s[S_THETA] * m.teeth / 360.0))
    return tooth + missing_from(m, tooth)


@njit(cache=True)
def missing_from(m: Machine, tooth: int) -> int:
    """Return how many teeth are missing from this one on."""
    n = 0
    while (tooth + n) % m.teeth >= m.teeth - m.teeth_missing:
        n += 1
    return n


@njit(cache=True)
def see_tooth(m: Machine, b: Tables, q: State, f: Plan, cylinders: Ints, out: Course, tooth: int, at_s: float) -> int:
    """Let the computer see a tooth, in ticks of its timer, and act; return how many pitches on the next one comes."""
    s, pitch = q.s, 360.0 / m.teeth
    seen = np.floor((at_s + m.tooth_jitter_s * q.rng.standard_normal()) / m.tick_s) * m.tick_s
    s[S_LAST_TOOTH] = at_s
    q.teeth[:-1] = q.teeth[1:].copy()
    q.pitches[:-1] = q.pitches[1:].copy()
    q.teeth[-1], q.pitches[-1] = seen, tooth
    ahead = 1 + missing_from(m, tooth + 1)
    if q.teeth[0] <= 0.0 or seen <= q.teeth[0]:
        return ahead
    p = (seen - q.teeth[0]) / (tooth - q.pitches[0])
    s[S_TOOTH_RPM] = pitch / (6.0 * p)
    s[S_CALM_RPM] += m.speed_share * (s[S_TOOTH_RPM] - s[S_CALM_RPM])
    if s[S_THETA] > s[S_SYNC_AT]:
        schedule(m, b, q, f, cylinders, out, tooth * pitch, seen, p, ahead)
        return ahead
    for j in range(len(q.states)):
        if q.slots[j, 0] < s[S_THETA] + 60.0:
            q.slots[j, 0] += m.cycle_deg
    return ahead


@njit(cache=True)
def every_10_ms(m: Machine, b: Tables, q: State, road: Road, out: Course, k: int, t: float) -> None:
    """Run driver, starter and the computer's slow tasks; the computer loses its place when the crank stands."""
    s, key, rpm = q.s, road.key[k], q.s[S_OMEGA] * 9.549297
    drive(m, b, s, road.speed_mps[k], road.revs_rpm[k], road.pace[k])
    slow_tasks(m, b, q, key)
    if key == KEY_START or rpm > 300.0:
        s[S_STALLED_S] = 0.001  # from the first start on; before it nobody misses the engine
    elif key == KEY_ON and s[S_STALLED_S] > 0.0:
        s[S_STALLED_S] += 0.01
    again = STALLED_S < s[S_STALLED_S] < STALLED_S + 3.0
    s[S_STARTER] = 1.0 if (key == KEY_START or again) and rpm < 380.0 else 0.0
    if s[S_STALLED_S] > STALLED_S + 6.0:
        s[S_STALLED_S] = 0.001
    s[S_SYNCED_S] = s[S_SYNCED_S] + 0.01 if rpm > 450.0 and s[S_THETA] > s[S_SYNC_AT] else 0.0
    if t - s[S_LAST_TOOTH] > 0.4 and s[S_OMEGA] < 3.0:
        s[S_SYNC_AT] = s[S_THETA] + 360.0 * m.sync_turns * (0.6 + 0.8 * q.rng.random())
        s[S_TOOTH_RPM] = s[S_CALM_RPM] = 0.0
        q.teeth[:] = 0.0
    out.slow[k, 0], out.slow[k, 1], out.slow[k, 2] = rpm, s[S_MAP], s[S_THETA]


@njit(cache=True)
def run(m: Machine, b: Tables, road: Road, f: Plan, cylinders: Ints, q: State, out: Course) -> None:
    """Step through the whole recording and fill ``out``; ``q`` comes as zeros."""
    tooth, load_next = first_state(m, b, q), 0
    s, phase, burning, coils, flags, n_coils = q.s, q.phase, q.burning, q.coils, q.flags, m.n_coils
    combustion, compression, gears, wheel = b.combustion, b.compression, b.gears, b.wheel_error_deg
    load_at_s, load_step_a, volts = road.load_at_s, road.load_step_a, out.volts
    for step in range(m.n_steps):
        t = step * m.step_s
        if step % SLOW == 0:
            every_10_ms(m, b, q, road, out, step // SLOW, t)
        while load_at_s[load_next] <= t:
            s[S_LOADS] += load_step_a[load_next]
            load_next += 1
        if s[S_OMEGA] > 0.0 or s[S_STARTER] > 0.0 or s[S_SPEED] > 0.0:
            before = s[S_THETA]
            turned = crank(m, combustion, compression, gears, s, phase, burning)
            s[S_THETA] = before + turned
            at = tooth * 360.0 / m.teeth + wheel[tooth % m.teeth]
            if turned > 0.0 and s[S_THETA] >= at:
                share = min(max((at - before) / turned, 0.0), 1.0)
                tooth += see_tooth(m, b, q, f, cylinders, out, tooth, t + m.step_s * share)
        busy = False
        for c in range(n_coils):
            busy = busy or flags[c, K_CHARGING] == 1 or coils[c, C_ON] < t + m.step_s
        if busy:
            charge(m, b, q, out, t)
        else:
            s[S_CURRENT] = 0.0
        supply(m, s)
        if step % GRID == 0:
            volts[step // GRID] = s[S_BUS] - m.loom_ohm * s[S_CURRENT]
