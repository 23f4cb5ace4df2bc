"""Volts on leads: every line is an R-C circuit that follows its switch, solved exactly from sample to sample."""

# ruff: isort: skip_file
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tests.physical.columns import (
    A_EVENT, A_OFF, A_ON, Course, E_FAULT, E_SAG_OFF, E_SAG_ON, E_SAG_V, E_SIZE, E_SLOT, Floats, GRID, Ints, P_COIL,
    P_EVENT, P_HENRY, P_OFF, P_OHM, P_ON, P_SORT, P_VOLT,
)  # fmt: skip
from tests.physical.faults import plan_of
from tests.physical.layouts import LAYOUTS
from tests.physical.machine import KINDS, STEP_S
from tests.physical.options import Lead, Options

GRID_S = GRID * STEP_S
NOISE_POOL = 1 << 22


@njit(cache=True)
def follow(out: Floats, i0: int, rate: float, edge_s: Floats, target: Floats, tau_s: Floats, state: Floats) -> None:
    """Fill samples of a line whose target jumps at the edges; ``state``: (place in the edges, value, its time)."""
    k, v, at = int(state[0]), state[1], state[2]
    goal = target[k - 1] if k > 0 else 0.0
    tau = tau_s[k - 1] if k > 0 else 1e-6
    decay = np.exp(-1.0 / (rate * tau))
    for i in range(len(out)):
        t = (i0 + i) / rate
        if k < len(edge_s) and edge_s[k] <= t:
            while k < len(edge_s) and edge_s[k] <= t:
                v = goal + (v - goal) * np.exp(-max(edge_s[k] - at, 0.0) / tau)
                at, goal, tau = edge_s[k], target[k], tau_s[k]
                k += 1
            decay = np.exp(-1.0 / (rate * tau))
            v = goal + (v - goal) * np.exp(-(t - at) / tau)
        elif v != goal:
            v = goal + (v - goal) * decay
            if abs(v - goal) < 1e-7:
                v = goal
        at = t
        out[i] = v
    state[0], state[1], state[2] = k, v, at


@njit(cache=True)
def add_spikes(out: Floats, i0: int, rate: float, at_s: Floats, size: Floats, tau_s: float, hz: float) -> None:
    """Add a ringing that decays after each time."""
    for k in range(len(at_s)):
        first = int(np.ceil(at_s[k] * rate))
        for i in range(max(first, i0), min(int((at_s[k] + 6.0 * tau_s) * rate) + 1, i0 + len(out))):
            x = i / rate - at_s[k]
            out[i - i0] += size[k] * np.exp(-x / tau_s) * np.cos(6.283185307 * hz * x)


@njit(cache=True)
def add_currents(out: Floats, i0: int, rate: float, pulses: Floats, drop_v: float, limit_a: float, gain: float) -> None:
    """Add what coil currents do to a lead while their coils charge."""
    for k in range(len(pulses)):
        row = pulses[k]
        if row[P_OHM] < 0.0:
            continue
        last, tau = max(row[P_VOLT] - drop_v, 0.1) / row[P_OHM], row[P_HENRY] / row[P_OHM]
        begin = max(int(np.ceil(row[P_ON] * rate)), i0)
        amps = last * (1.0 - np.exp(-(begin / rate - row[P_ON]) / tau))
        decay = np.exp(-1.0 / (rate * tau))
        for i in range(begin, min(int(row[P_OFF] * rate) + 1, i0 + len(out))):
            out[i - i0] += gain * min(amps, limit_a)
            amps = last + (amps - last) * decay


@njit(cache=True)
def add_supply(out: Floats, i0: int, rate: float, volts: NDArray[np.float32], grid_s: float) -> None:
    """Add the supply, straight between its kept values."""
    for i in range(len(out)):
        x = (i0 + i) / rate / grid_s
        k = min(int(x), len(volts) - 2)
        out[i] += volts[k] + (volts[k + 1] - volts[k]) * (x - k)


@njit(cache=True)
def convert(
    out: Floats,
    codes: Ints,
    i0: int,
    rate: float,
    pool: NDArray[np.float32],
    start: int,
    noise_v: float,
    noisy: Floats,
    hum_v: float,
    hum_hz: float,
    phase: float,
    drift: Floats,
    loose: Ints,
    gain: float,
    step_v: float,
    half: int,
    period: int,
    remainder: int,
) -> None:
    """Add noise, hum and drift, take away what a loose clip does not carry, divide, and turn volts into codes."""
    mask, n = len(pool) - 1, 0
    turn = 6.283185307179586 * hum_hz / rate
    re, im = np.cos(turn * i0 + phase), np.sin(turn * i0 + phase)
    cs, sn = np.cos(turn), np.sin(turn)
    for k in range(len(noisy)):
        for i in range(max(int(noisy[k, 0] * rate), i0), min(int(noisy[k, 1] * rate), i0 + len(out))):
            out[i - i0] += pool[(start + 7 * i + 12345) & mask] * noise_v * noisy[k, 2]
    for i in range(len(out)):
        x = (i0 + i) / rate * 10.0
        q = min(int(x), len(drift) - 2)
        v = out[i] + drift[q] + (drift[q + 1] - drift[q]) * (x - q)
        while n < len(loose) and i0 + i >= loose[n, 1]:
            n += 1
        if n < len(loose) and i0 + i >= loose[n, 0]:
            v = 0.02 * pool[(start + i) & mask] + 3.0 * hum_v * re
        else:
            v += pool[(start + i) & mask] * noise_v + hum_v * re
        re, im = re * cs - im * sn, im * cs + re * sn
        code = int(np.floor(v * gain / step_v + 0.5))
        if period > 0 and code % period == remainder:
            code += 1
        codes[i] = min(max(code, -half), half - 1)


def switch_edges(
    on: Floats, off: Floats, level: Floats, tau_on: Floats, tau_off: float
) -> tuple[Floats, Floats, Floats]:
    """Turn pulses into edges: when, to which level, with which time constant."""
    edge = np.column_stack([on, off]).ravel()
    target = np.column_stack([level, np.zeros(len(on))]).ravel()
    tau = np.column_stack([tau_on, np.full(len(on), tau_off)]).ravel()
    return edge, target, tau


@dataclass(frozen=True, kw_only=True)
class Marks:
    """What single events do to the shape of their pulses; one entry an event."""

    command_size: Floats
    answer_size: Floats
    slow_edge: Floats
    notch: Floats
    noisy: Floats


def marks_of(options: Options, events: Floats, rng: np.random.Generator) -> Marks:
    """Draw the pulse heights, and apply the faults that only change shapes."""
    n = len(events)
    each = rng.normal(0.0, 0.01, 13)
    cylinders = np.array(LAYOUTS[options.layout].order)[events[:, E_SLOT].astype(int)]
    command = (1.0 + each[cylinders]) * (1.0 + rng.normal(0.0, 0.001, n))
    answer = 1.0 + rng.normal(0.0, 0.0015, n)
    slow, notch, noisy = np.ones(n), np.zeros(n), np.zeros(n)
    plan = plan_of(options.faults)
    group = events[:, E_FAULT].astype(int)
    for i in np.flatnonzero(group >= 0):
        kind, way, size = KINDS[plan.kind[group[i]]], plan.way[group[i]], events[i, E_SIZE]
        if kind == "weak_command":
            command[i] *= 1.0 - size
        elif kind == "weak_feedback":
            answer[i] *= 1.0 - size
        elif kind == "distorted_command":
            (notch if way == 0 else slow if way == 1 else noisy)[i] = size
    return Marks(command_size=command, answer_size=answer, slow_edge=slow, notch=notch, noisy=noisy)


NOTCH_FROM, NOTCH_TO = 0.35, 0.5
"""A notch lies between these shares of the on-time."""


class LeadMaker:
    """Draws one lead stretch after stretch."""

    def __init__(self, options: Options, lead: Lead, course: Course, marks: Marks, rng: np.random.Generator) -> None:
        self.options, self.lead, self.course, self.rng = options, lead, course, rng
        self.state = np.zeros(3)
        self.phase = float(rng.uniform(0.0, 6.28))
        n = int(options.seconds * 10) + 3
        walk = np.cumsum(rng.normal(0.0, 1.0, n) * 0.02)
        self.drift = lead.drift_v * np.sin(walk + self.phase) + lead.offset_v
        pulses, events = course.pulses, course.events
        layout = LAYOUTS[options.layout]
        names = sorted(set(layout.coil_of_slot.tolist()))
        coil_of = dict(zip(layout.order, [names.index(c) for c in layout.coil_of_slot.tolist()], strict=True))
        self.own = coil_of[lead.cylinder] if lead.cylinder is not None else -1
        self.edges = (np.zeros(0), np.zeros(0), np.zeros(0))
        self.noisy = np.zeros((0, 3))
        if lead.role == "command":
            self.edges = self._command_edges(pulses[pulses[:, P_COIL] == self.own], marks)
        elif lead.role == "feedback":
            said = course.answers[np.argsort(course.answers[:, A_ON], kind="stable")]
            event = said[:, A_EVENT].astype(int)
            reach = np.maximum.accumulate(said[:, A_OFF]) if len(said) else np.zeros(0)
            fresh = np.r_[True, said[1:, A_ON] > reach[:-1]] if len(said) else np.zeros(0, dtype=bool)
            first = np.flatnonzero(fresh)
            last = np.r_[first[1:] - 1, len(said) - 1] if len(said) else first
            self.edges = switch_edges(
                said[first, A_ON],
                reach[last],
                marks.answer_size[event[first]],
                np.full(len(first), lead.assert_tau_s),
                lead.release_tau_s,
            )
        spark = pulses[pulses[:, P_OHM] > 0.0]
        self.spike_s = spark[:, P_OFF] + rng.uniform(8e-6, 30e-6, len(spark))
        self.spike_v = (
            lead.spike_v * np.exp(rng.normal(0.0, lead.spike_spread, len(spark))) * rng.choice([-1.0, 1.0], len(spark))
        )
        order = np.argsort(self.spike_s)
        self.spike_s, self.spike_v = self.spike_s[order], self.spike_v[order]
        sagging = events[:, E_SAG_ON] == events[:, E_SAG_ON]
        self.sags = events[sagging][:, [E_SAG_ON, E_SAG_OFF, E_SAG_V]]

    def _command_edges(self, rows: Floats, marks: Marks) -> tuple[Floats, Floats, Floats]:
        event, main = rows[:, P_EVENT].astype(int), rows[:, P_SORT] == 0
        tau_on = self.lead.assert_tau_s * np.where(main, marks.slow_edge[event], 1.0)
        size = marks.command_size[event]
        edge, target, tau = switch_edges(rows[:, P_ON], rows[:, P_OFF], size, tau_on, self.lead.release_tau_s)
        cut = np.flatnonzero(main & (marks.notch[event] > 0.0))
        if len(cut):
            on, long, high = rows[cut, P_ON], rows[cut, P_OFF] - rows[cut, P_ON], size[cut]
            low = high * (1.0 - marks.notch[event[cut]])
            edge = np.concatenate([edge, on + NOTCH_FROM * long, on + NOTCH_TO * long])
            target = np.concatenate([target, low, high])
            tau = np.concatenate([tau, np.full(2 * len(cut), self.lead.release_tau_s)])
            order = np.argsort(edge, kind="stable")
            edge, target, tau = edge[order], target[order], tau[order]
        loud = main & (marks.noisy[event] > 0.0)
        self.noisy = np.column_stack([rows[loud, P_ON], rows[loud, P_OFF], marks.noisy[event[loud]]])
        return edge, target, tau

    def volts(self, i0: int, n: int) -> Floats:
        """Return the lead's volts without noise from sample ``i0`` on; stretches have to follow each other."""
        lead, rate, options = self.lead, self.options.rate_hz, self.options
        out = np.zeros(n)
        near = (i0 / rate - 0.07, (i0 + n) / rate + 1e-3)
        if lead.role in ("command", "feedback"):
            follow(out, i0, rate, *self.edges, self.state)
            swing = lead.level_v - lead.low_v
            out *= swing if lead.active == "high" else -swing
            out += lead.low_v if lead.active == "high" else lead.level_v
        elif lead.role == "supply":
            add_supply(out, i0, rate, self.course.volts, GRID_S)
            for begin, end, depth in self.sags[(self.sags[:, 0] < near[1]) & (self.sags[:, 1] > near[0])]:
                a, b = (min(max(int(np.ceil(x * rate)) - i0, 0), n) for x in (begin, end))
                out[a:b] -= depth
        pulses = self.course.pulses
        rows = pulses[np.searchsorted(pulses[:, P_OFF], near[0]) : np.searchsorted(pulses[:, P_OFF], near[1] + 0.07)]
        if lead.role == "coil_current":
            own = rows[rows[:, P_COIL] == self.own]
            add_currents(out, i0, rate, own, options.saturation_v, options.current_limit_a, 1.0)
        elif lead.ground_v_per_a > 0.0 and lead.role != "supply":
            add_currents(out, i0, rate, rows, options.saturation_v, options.current_limit_a, lead.ground_v_per_a)
        if lead.spike_v > 0.0:
            a, b = np.searchsorted(self.spike_s, near)
            add_spikes(out, i0, rate, self.spike_s[a:b], self.spike_v[a:b], lead.spike_tau_s, lead.spike_hz)
        return out

    def codes(self, i0: int, n: int, pool: NDArray[np.float32], loose: Ints) -> Ints:
        """Return the converter's codes of a stretch."""
        lead, c = self.lead, self.lead.converter
        codes = np.empty(n, np.int64)
        near = (self.noisy[:, 1] > i0 / self.options.rate_hz) & (self.noisy[:, 0] < (i0 + n) / self.options.rate_hz)
        convert(
            self.volts(i0, n),
            codes,
            i0,
            self.options.rate_hz,
            pool,
            int(self.rng.integers(len(pool))),
            lead.noise_v,
            self.noisy[near],
            lead.hum_v,
            lead.hum_hz,
            self.phase,
            self.drift,
            loose,
            1.0 / lead.attenuation,
            c.step_v,
            2 ** (c.bits - 1),
            c.missing_codes[0],
            c.missing_codes[1],
        )
        return codes
