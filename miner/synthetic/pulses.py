"""Which shapes stand where on each lead: pulses, ramps, coil charges, spikes and dents, in seconds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from miner.synthetic.columns import Columns
from miner.synthetic.plan import Plan
from miner.synthetic.scenario import Lead, Scenario

__all__ = ["Shapes", "charges_of", "lead_shapes", "make_shapes", "pulse_times"]

F = NDArray[np.float64]
Rows = NDArray[np.int64]
LEAST_WIDTH_US = 40.0
DROPOUT_SHARE = 0.04
DROPOUT_STD = (DROPOUT_SHARE * (1.0 - DROPOUT_SHARE)) ** 0.5
"""Standard deviation of an on-state that falls by 1 V for this share of its duration."""

REPEAT_PAUSE_US, REPEAT_US = 250.0, 1200.0
EXTRA_PAUSE_US = 350.0
SAG_MARGIN_S = 3e-4


@dataclass(frozen=True, kw_only=True)
class Shapes:
    """Shapes of one kind, ascending in ``on_s``: ``values`` is (k, n) with one row a property.

    ``longest_s`` is how long after its ``on_s`` a shape may still be seen.
    """

    on_s: F
    off_s: F
    values: F
    longest_s: float

    def between(self, start_s: float, stop_s: float) -> Shapes:
        """Return the shapes that touch a stretch of time."""
        first = np.searchsorted(self.on_s, start_s - self.longest_s)
        last = np.searchsorted(self.on_s, stop_s + 1e-3)
        part = slice(int(first), int(last))
        return Shapes(
            on_s=self.on_s[part], off_s=self.off_s[part], values=self.values[:, part], longest_s=self.longest_s
        )


def make_shapes(on_s: F, off_s: F, *values: F, tail_s: float = 1e-3) -> Shapes:
    """Sort shapes by their begin."""
    order = np.argsort(on_s, kind="stable")
    longest = float(np.max(off_s - on_s)) if len(on_s) else 0.0
    table = np.array([v[order] for v in values]).reshape(len(values), len(on_s))
    return Shapes(on_s=on_s[order], off_s=off_s[order], values=table, longest_s=longest + tail_s)


def lead_shapes(plan: Plan, lead: Lead, index: int) -> dict[str, Shapes]:
    """Return the shapes of one lead: ``pulses`` (height, rise, fall, ripple), ``spikes`` and ``dents``."""
    rng = np.random.default_rng([plan.scenario.seed, 16, index])
    out: dict[str, Shapes] = {}
    if lead.role in ("command", "feedback"):
        truth = _served(plan, lead)
        command, feedback = pulse_times(plan.scenario, truth)
        times = command if lead.role == "command" else _merged(*feedback)
        out["pulses"] = _high_low(lead, truth, *times)
        out["dents"] = _both(_bounces(out["pulses"], lead, rng), _dropouts(lead, truth, *times))
    if lead.role == "supply":
        out["dents"] = _sags(plan.truth)
    out["spikes"] = _crosstalk(plan, lead, rng)
    return out


def charges_of(plan: Plan) -> Shapes:
    """Return every charge of every coil: end of an endless charge in ampere, time constant in s, peak in ampere."""
    (row, on_s, off_s), _ = pulse_times(plan.scenario, plan.truth)
    ohm, henry = plan.truth["resistance_ohm"][row], plan.truth["inductance_h"][row]
    end_a = np.interp(on_s, plan.trace.time_s, plan.supply_v) / ohm
    peak_a = end_a * -np.expm1((on_s - off_s) * ohm / henry)
    return make_shapes(on_s, off_s, end_a, henry / ohm, peak_a, plan.truth["slot"][row].astype(np.float64))


def _served(plan: Plan, lead: Lead) -> Columns:
    """Return the truth of the coils a lead is on."""
    engine = plan.scenario.engine
    channel = next(c for c in plan.scenario.setup.channel if c.column == lead.column)
    slots = {engine.pattern.slot_of(cylinder) for cylinder in channel.served(engine)}
    rows = np.isin(plan.truth["slot"], list(slots))
    return {name: values[rows] for name, values in plan.truth.items()}


def pulse_times(scenario: Scenario, truth: Columns) -> tuple[tuple[Rows, F, F], tuple[Rows, F, F]]:
    """Return (event row, on, off in s) of every command pulse and of every feedback pulse, further ones included."""
    on_s, on_us, delay_us = truth["time_s"], truth["on_time_us"], truth["delay_us"]
    off_s = on_s + 1e-6 * on_us
    ran = np.flatnonzero(truth["command_seen"] == 1)
    came = np.flatnonzero(truth["feedback_seen"] == 1)
    begin_s = on_s[came] + 1e-6 * delay_us[came]
    commands = [(ran, on_s[ran], off_s[ran])]
    feedbacks = [(came, begin_s, begin_s + 1e-6 * truth["feedback_width_us"][came])]
    for k in range(int(truth["extra_pulses"].max(initial=0))):
        rows, pause_us, length_us = _further(scenario, truth, k)
        start_s = off_s[rows] + 1e-6 * pause_us
        commands.append((rows, start_s, start_s + 1e-6 * length_us))
        feedbacks.append(_answers(scenario, truth, rows, start_s, length_us, k))
    return _joined(commands), _joined(feedbacks)


def _further(scenario: Scenario, truth: Columns, k: int) -> tuple[Rows, F, F]:
    """Return rows with a k-th further pulse, its pause after turn-off and its length in microseconds.

    Repeated sparks come at once, one after the other; a planted extra pulse a little later and not longer than a
    third of the room before the next coil is due.
    """
    rows = np.flatnonzero((truth["extra_pulses"] > k) & (truth["command_seen"] == 1))
    slot_us = 1e6 * min(scenario.engine.pattern.intervals_deg()) / (6.0 * np.maximum(truth["engine_rpm"][rows], 60.0))
    room_us = np.maximum(slot_us - truth["on_time_us"][rows], 400.0)
    habit = k < truth["n_repeats"][rows]
    length_us = np.where(habit, REPEAT_US, np.clip(0.33 * room_us, 60.0, REPEAT_US))
    pause_us = np.where(habit, REPEAT_PAUSE_US, np.minimum(EXTRA_PAUSE_US, 0.15 * room_us))
    return rows, (k + 1) * pause_us + k * length_us, length_us


def _answers(scenario: Scenario, truth: Columns, rows: Rows, start_s: F, length_us: F, k: int) -> tuple[Rows, F, F]:
    """Return the feedback's answers to further command pulses: those whose charge gets over the threshold."""
    logic = scenario.feedback
    if logic.asserts == "turn_off":
        delay_us, width_us = length_us + logic.lag_us, np.full(len(rows), 0.5 * min(logic.fixed_us, REPEAT_PAUSE_US))
    else:
        delay_us = truth["delay_us"][rows]
        width_us = length_us - delay_us
    comes = (truth["feedback_seen"][rows] == 1) & (width_us > LEAST_WIDTH_US)
    comes &= logic.repeats | (k >= truth["n_repeats"][rows])
    begin_s = start_s[comes] + 1e-6 * delay_us[comes]
    return rows[comes], begin_s, begin_s + 1e-6 * width_us[comes]


def _joined(parts: list[tuple[Rows, F, F]]) -> tuple[Rows, F, F]:
    rows, on_s, off_s = (np.concatenate([part[i] for part in parts]) for i in range(3))
    order = np.argsort(on_s, kind="stable")
    return rows[order], on_s[order], off_s[order]


def _merged(rows: Rows, on_s: F, off_s: F) -> tuple[Rows, F, F]:
    """Join pulses that overlap: answers of several coils pull one wire."""
    if not len(rows):
        return rows, on_s, off_s
    reach_s = np.maximum.accumulate(off_s)
    first = np.flatnonzero(np.concatenate([[True], on_s[1:] > reach_s[:-1]]))
    return rows[first], on_s[first], reach_s[np.append(first[1:], len(rows)) - 1]


def _high_low(lead: Lead, truth: Columns, rows: Rows, on_s: F, off_s: F) -> Shapes:
    """Return pulses with their height (signed), edges in s and ripple, main and further ones alike."""
    prefix = "" if lead.role == "command" else "feedback_"
    sign = 1.0 if lead.on_v > lead.off_v else -1.0
    height_v = sign * truth[f"{prefix}amplitude_v"][rows]
    rise_s = 1e-6 * truth[f"{prefix}rise_us"][rows]
    fall_s = 1e-6 * (truth["fall_us"][rows] if lead.role == "command" else np.full(len(rows), lead.fall_us))
    ripple_v = excess_ripple_v(truth[f"{prefix}ripple_v"][rows], lead)
    ripple_v[_drops_out(truth, rows, ripple_v, height_v)] = 0.0
    return make_shapes(on_s, off_s, height_v, rise_s, fall_s, np.sqrt(2.0) * ripple_v)


def excess_ripple_v(ripple_v: F, lead: Lead) -> F:
    """Return what a pulse's ripple has beyond the lead's own noise, 0 within that noise's scatter."""
    return np.where(ripple_v > 1.2 * lead.noise_v, np.sqrt(np.maximum(ripple_v**2 - lead.noise_v**2, 0.0)), 0.0)


def _drops_out(truth: Columns, rows: Rows, ripple_v: F, height_v: F) -> NDArray[np.bool_]:
    """Tell which distorted pulses drop out for a moment instead of rippling: every second one that may."""
    may = (ripple_v > 0.0) & (ripple_v / DROPOUT_STD < 0.45 * np.abs(height_v))
    return np.asarray(may & (truth["event_id"][rows] % 2 == 0))


def _dropouts(lead: Lead, truth: Columns, rows: Rows, on_s: F, off_s: F) -> Shapes:
    """Return the short drops of distorted pulses, not deep enough to end the pulse."""
    sign = 1.0 if lead.on_v > lead.off_v else -1.0
    prefix = "" if lead.role == "command" else "feedback_"
    ripple_v = excess_ripple_v(truth[f"{prefix}ripple_v"][rows], lead)
    chosen = _drops_out(truth, rows, ripple_v, truth[f"{prefix}amplitude_v"][rows])
    length_s = (off_s - on_s)[chosen]
    begin_s = on_s[chosen] + 0.55 * length_s
    return make_shapes(begin_s, begin_s + DROPOUT_SHARE * length_s, -sign * ripple_v[chosen] / DROPOUT_STD)


def _sags(truth: Columns) -> Shapes:
    """Return planted drops of the supply, each from just before its event to just after, or on to the next one's."""
    rows = np.flatnonzero(truth["sag_v"] > 0.0)
    begin_s = truth["time_s"][rows] - SAG_MARGIN_S
    end_s = truth["time_s"][rows] + 1e-6 * np.nan_to_num(truth["on_time_us"][rows]) + SAG_MARGIN_S
    follows = np.flatnonzero(np.diff(rows) == 1)
    end_s[follows] = begin_s[follows + 1]
    return make_shapes(begin_s, end_s, -truth["sag_v"][rows])


def _both(one: Shapes, other: Shapes) -> Shapes:
    values = np.concatenate([one.values, other.values], axis=1)
    return make_shapes(np.append(one.on_s, other.on_s), np.append(one.off_s, other.off_s), *values)


def _bounces(pulses: Shapes, lead: Lead, rng: np.random.Generator) -> Shapes:
    """Return short drops just after some turn-ons, a few microseconds long, not deep enough to end the pulse."""
    chosen = rng.random(len(pulses.on_s)) < lead.bounce_chance
    n = int(chosen.sum())
    edge_s = pulses.on_s[chosen] + 2.0 * pulses.values[1][chosen]
    begin_s = edge_s + 1e-6 * rng.uniform(1.0, 25.0, n)
    depth_v = -pulses.values[0][chosen] * rng.uniform(0.2, 0.95, n)
    return make_shapes(begin_s, begin_s + 1e-6 * rng.uniform(1.0, 8.0, n), depth_v)


def _crosstalk(plan: Plan, lead: Lead, rng: np.random.Generator) -> Shapes:
    """Return spikes of a few microseconds that other coils' turn-offs leave: both directions, some as trains.

    12 to 43 us after turn-off, up to ``crosstalk_v`` (common practice, no source).
    """
    _, off_s = pulse_times(plan.scenario, plan.truth)[0][1:]
    hit = off_s[rng.random(len(off_s)) < (lead.crosstalk_chance if lead.crosstalk_v > 0.0 else 0.0)]
    n_each = np.where(rng.random(len(hit)) < 0.25, rng.integers(2, 6, len(hit)), 1)
    nth = np.arange(n_each.sum()) - np.repeat(np.cumsum(n_each) - n_each, n_each)
    n = len(nth)
    at_s = np.repeat(hit, n_each) + 1e-6 * (rng.uniform(12.0, 43.0, n) + nth * rng.uniform(8.0, 30.0, n))
    height_v = lead.crosstalk_v * rng.uniform(0.2, 1.0, n) * rng.choice([-1.0, 1.0], n) * 0.8**nth
    decay_s = 1e-6 * rng.uniform(0.6, 2.5, n)
    return make_shapes(at_s, at_s + 8.0 * decay_s, height_v, decay_s)
