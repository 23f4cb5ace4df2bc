"""Coils: charge, answer when a current is passed, spark, repeat."""

# ruff: isort: skip_file
from __future__ import annotations

import numpy as np
from numba import njit

from tests.physical.columns import (
    A_COIL, A_EVENT, A_OFF, A_ON, C_AMPS, C_ANSWER, C_EXTRA_GAP, C_EXTRA_S, C_HEAT, C_HENRY, C_OFF, C_OHM, C_ON,
    C_TEMP, C_VOLT_S, C_WIDTH, Course, EXTRA, E_ADVANCE, E_ANSWER_OFF, E_ANSWER_ON, E_DROPPED, E_END_A, E_EXTRA_OFF,
    E_EXTRA_ON, E_OFF, E_REPEATS, E_RPM, E_SAG_OFF, E_SAG_ON, E_SAG_V, E_VOLT, Floats, J_WAITS, K_CHARGING, K_EVENT,
    K_LINE_OPEN, K_OPEN, K_REPEATS, K_SLOT, K_SORT, MAIN, P_COIL, P_EVENT, P_HENRY, P_OFF, P_OHM, P_ON, P_SORT,
    P_VOLT, REPEAT, S_BUS, S_CURRENT, S_CUT, S_MAP, State,
)  # fmt: skip
from tests.physical.machine import COPPER_PER_KELVIN, Machine, Tables

LONGEST_S = 0.06
"""A coil left on while the crank stands is let go after so long (common practice, no source for the number)."""
REST_S = 4e-4
"""From one spark to the next charge where sparks are repeated (common practice, no source)."""


@njit(cache=True)
def coil_ohm(b: Tables, coils: Floats, c: int) -> float:
    """Return a coil's resistance at its temperature, with what a bad contact adds."""
    return float(b.resistance_ohm[c] * (1.0 + COPPER_PER_KELVIN * (coils[c, C_TEMP] - 20.0)) + coils[c, C_OHM])


@njit(cache=True)
def charge(m: Machine, b: Tables, q: State, out: Course, t: float) -> None:
    """Carry every coil over one step, exactly for a supply that stands still meanwhile."""
    s, end, total = q.s, t + m.step_s, 0.0
    volts = s[S_BUS] - m.loom_ohm * s[S_CURRENT]
    for c in range(m.n_coils):
        coil, flag = q.coils[c], q.flags[c]
        if flag[K_CHARGING] == 0:
            if coil[C_ON] >= end:
                continue
            flag[K_CHARGING] = 1
            coil[C_AMPS] = coil[C_VOLT_S] = 0.0
            coil[C_ANSWER] = np.nan
        row = out.events[flag[K_EVENT]]
        t0, t1 = max(t, coil[C_ON]), min(end, coil[C_OFF])
        if t1 > t0:
            v = volts - (row[E_SAG_V] if row[E_SAG_ON] <= t0 < row[E_SAG_OFF] else 0.0)
            coil[C_VOLT_S] += v * (t1 - t0)
            if flag[K_OPEN] == 0:
                grow(m, b, q, c, v, t0, t1 - t0)
        total += coil[C_AMPS]
        if end - coil[C_ON] > LONGEST_S and coil[C_OFF] > 1e17:
            coil[C_OFF] = end
            row[E_DROPPED] = 2.0
        if coil[C_OFF] <= end:
            finish(m, b, q, out, c)
    s[S_CURRENT] = total


@njit(cache=True)
def grow(m: Machine, b: Tables, q: State, c: int, volts: float, t0: float, long_s: float) -> None:
    """Let a coil's current grow for a moment, and note when it passes the threshold of the answer."""
    coil, limit = q.coils[c], b.threshold_a[c]
    ohm, henry = coil_ohm(b, q.coils, c), b.inductance_h[c] * coil[C_HENRY]
    last, old = max(volts - m.saturation_v, 0.1) / ohm, coil[C_AMPS]
    new = last + (old - last) * np.exp(-long_s * ohm / henry)
    if old < limit <= new:
        passed = -(henry / ohm) * np.log((last - limit) / (last - old))
        coil[C_ANSWER] = t0 + passed + m.answer_lag_s + m.answer_jitter_s * q.rng.standard_normal()
    coil[C_AMPS] = min(new, m.current_limit_a)


@njit(cache=True)
def finish(m: Machine, b: Tables, q: State, out: Course, c: int) -> None:
    """Turn a coil off: keep its pulse and answer, light the mixture, prepare further sparks."""
    coil, flag = q.coils[c], q.flags[c]
    off, e, main = coil[C_OFF], flag[K_EVENT], flag[K_SORT] == MAIN
    row, pulse, long_s = out.events[e], out.pulses[out.counts[1]], coil[C_OFF] - coil[C_ON]
    out.counts[1] += 1
    mean_v = coil[C_VOLT_S] / max(long_s, 1e-9)
    pulse[P_ON], pulse[P_OFF], pulse[P_EVENT], pulse[P_COIL], pulse[P_SORT] = coil[C_ON], off, e, c, flag[K_SORT]
    pulse[P_VOLT], pulse[P_HENRY] = mean_v, b.inductance_h[c] * coil[C_HENRY]
    pulse[P_OHM] = -1.0 if flag[K_OPEN] else coil_ohm(b, q.coils, c)
    coil[C_HEAT] += coil[C_AMPS] ** 2 / 3.0 * b.resistance_ohm[c] * long_s
    say(m, q, out, c, off, main)
    if main:
        row[E_OFF], row[E_VOLT], row[E_END_A] = off, mean_v, coil[C_AMPS]
        q.states[flag[K_SLOT]] = J_WAITS
        if coil[C_AMPS] > 0.35 * b.threshold_a[c] + 0.5:
            light(m, q, row, flag[K_SLOT])
    flag[K_CHARGING] = 0
    coil[C_ON] = coil[C_OFF] = 1e18
    if coil[C_EXTRA_GAP] > 0.0 and main:
        coil[C_ON] = off + coil[C_EXTRA_GAP]
        coil[C_OFF] = coil[C_ON] + coil[C_EXTRA_S]
        coil[C_EXTRA_GAP] = 0.0
        row[E_EXTRA_ON], row[E_EXTRA_OFF] = coil[C_ON], coil[C_OFF]
        flag[K_SORT] = EXTRA
    elif flag[K_REPEATS] > 0:
        flag[K_REPEATS] -= 1
        row[E_REPEATS] += 1.0
        coil[C_ON] = off + REST_S
        coil[C_OFF] = coil[C_ON] + np.floor(m.repeat_s / m.tick_s) * m.tick_s
        flag[K_SORT] = REPEAT


@njit(cache=True)
def say(m: Machine, q: State, out: Course, c: int, off: float, main: bool) -> None:
    """Keep the answer of one pulse, where there was one."""
    begun = q.coils[c, C_ANSWER]
    if np.isnan(begun) or q.flags[c, K_LINE_OPEN] == 1:
        return
    long_s = off + m.answer_lag_s - begun if m.until_off else m.answer_width_s
    last = begun + long_s * q.coils[c, C_WIDTH]
    if last - begun < 2e-5:
        return
    row = out.answers[out.counts[2]]
    out.counts[2] += 1
    e = q.flags[c, K_EVENT]
    row[A_ON], row[A_OFF], row[A_EVENT], row[A_COIL] = begun, last, e, c
    if main:
        out.events[e, E_ANSWER_ON], out.events[e, E_ANSWER_OFF] = begun, last


@njit(cache=True)
def light(m: Machine, q: State, row: Floats, j: int) -> None:
    """Set a cylinder's charge alight: torque by load, by how well the spark is placed, and by chance."""
    s = q.s
    if s[S_CUT] > 0.0 or q.burning[j] > 0.0:
        return
    best = 10.0 + 20.0 * min(max((row[E_RPM] - 600.0) / 3400.0, 0.0), 1.0)
    good = max(1.0 - ((row[E_ADVANCE] - best) / 55.0) ** 2, 0.2)
    chance = 1.0 + m.cyclic_variation * (1.0 if s[S_MAP] > 0.45 else 2.0) * q.rng.standard_normal()
    if q.rng.random() < m.weak_burn_per_s * m.cycle_deg / (6.0 * max(row[E_RPM], 100.0)):
        chance *= 0.6 * q.rng.random()
    q.burning[j] = max((s[S_MAP] - 0.12) / 0.88, 0.0) * good * max(chance, 0.0) + 1e-9
