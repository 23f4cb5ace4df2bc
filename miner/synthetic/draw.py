"""Volts of one lead for any stretch of samples, from the shapes of the plan."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from miner.synthetic.firings import level_v
from miner.synthetic.kernels import (
    add_charges,
    add_dents,
    add_noise,
    add_pulses,
    add_ramps,
    add_sine,
    add_spikes,
    draw_nodes,
    noise_table,
    store_counts,
    store_floats,
)
from miner.synthetic.plan import Plan
from miner.synthetic.pulses import Shapes, charges_of, lead_shapes
from miner.synthetic.scenario import Lead

__all__ = ["LeadPen", "count_scale"]

BLOCK = 1 << 16
RIPPLE_S = 27.4e-6
"""Period of the ripple that distorts a command."""
SINE = np.sin(2.0 * np.pi * np.arange(1024) / 1024).astype(np.float32)
ADC_BITS = {"int8": 8, "uint8": 8, "int16": 12, "uint16": 12, "int32": 16}


def count_scale(lead: Lead) -> tuple[float, float]:
    """Return (scale, offset) from counts to volts: as given, or the lead's range spread over a usual converter."""
    if lead.dtype.startswith("float"):
        return lead.scale or 1.0, lead.offset
    if lead.scale is not None:
        return lead.scale, lead.offset
    low, high = min(lead.off_v, lead.on_v, 0.0), max(lead.off_v, lead.on_v)
    span = 1.6 * (high - low) + 2.0 * lead.crosstalk_v
    scale = span / (1 << ADC_BITS[lead.dtype])
    return scale, (low - 0.3 * (high - low) - lead.crosstalk_v if lead.dtype.startswith("uint") else 0.5 * (low + high))


class LeadPen:
    """Draws one lead of a plan.

    Usage
    -----
    ``LeadPen(plan, 0).raw(start, stop)`` gives the stored values of the samples ``[start, stop)``; any split of the
    recording into stretches gives the same values.
    """

    def __init__(self, plan: Plan, index: int) -> None:
        self.plan, self.lead = plan, plan.scenario.leads[index]
        self.scale, self.offset = count_scale(self.lead)
        self._rate_hz = plan.scenario.rate_hz
        self._seed = plan.scenario.seed * 1_000_003 + 7919 * index
        self._shapes = lead_shapes(plan, self.lead, index)
        self._charges = charges_of(plan)
        self._step = max(min(round(self._rate_hz / 3000.0), 64), 1)
        self._table = noise_table()
        kind = np.dtype(self.lead.dtype)
        counts = np.iinfo(kind) if kind.kind in "iu" else None
        least, most = (counts.min, counts.max) if counts else (-3e38, 3e38)
        self._limits = np.array([self.lead.clip_low_v, self.lead.clip_high_v, least, most], np.float64)

    def raw(self, start: int, stop: int) -> NDArray[Any]:
        """Return stored values of the absolute half-open samples ``[start, stop)``."""
        out = np.empty(stop - start, self.lead.dtype)
        store = store_counts if out.dtype.kind in "iu" else store_floats
        for first in range(start, stop, BLOCK):
            last = min(first + BLOCK, stop)
            volts = self.volts(first, last)
            add_noise(volts, first, self._seed, self.lead.noise_v, self._table)
            store(volts, out[first - start : last - start], self._limits, self.scale, self.offset)
        return out

    def volts(self, start: int, stop: int) -> NDArray[np.float32]:
        """Return volts without noise and quantisation."""
        out = np.empty(stop - start, np.float32)
        step = self._step
        first_node = start // step
        node_s = np.arange(first_node, (stop - 1) // step + 2) * step / self._rate_hz
        draw_nodes(out, start, step, first_node, self._level_v(node_s))
        span_s = (start / self._rate_hz, stop / self._rate_hz)
        charges = self._charges.between(*span_s)
        supply = self.plan.scenario.supply
        if self.lead.role == "supply":
            if supply.ripple_v > 0.0:
                turns = self.plan.trace.at(self.plan.trace.angle_deg, node_s) / 360.0 * supply.ripple_per_turn
                add_sine(out, start, step, first_node, turns, 0.5 * supply.ripple_v, SINE)
            self._ramp(out, start, charges, -supply.sag_v_per_a)
        if self.lead.role == "coil_current":
            self._charge(out, start, charges)
        self._ramp(out, start, charges, self.lead.ground_v_per_a)
        self._draw_pulses(out, start, span_s, charges)
        rate = self._rate_hz
        if "dents" in self._shapes:
            dents = self._shapes["dents"].between(*span_s)
            add_dents(out, start, rate * dents.on_s, rate * dents.off_s, dents.values[0])
        spikes = self._shapes["spikes"].between(*span_s)
        add_spikes(out, start, rate * spikes.on_s, rate * spikes.values[1], spikes.values[0])
        return out

    def _level_v(self, node_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the level of the off-state, or the supply, with drift and hum at given times."""
        lead = self.lead
        level = level_v(lead, node_s)
        if lead.role == "supply":
            level = level - lead.off_v + self.plan.trace.at(self.plan.supply_v, node_s)
        elif lead.pulled_to_supply and lead.off_v > lead.on_v:
            ratio = self.plan.trace.at(self.plan.supply_v, node_s) / self.plan.scenario.supply.charging_v
            level = level + lead.off_v * (ratio - 1.0)
        if lead.hum_v:
            level = level + lead.hum_v * np.sin(2.0 * np.pi * lead.hum_hz * node_s)
        return level

    def _ramp(self, out: NDArray[np.float32], start: int, charges: Shapes, v_per_a: float) -> None:
        if v_per_a:
            rate = self._rate_hz
            add_ramps(out, start, rate * charges.on_s, rate * charges.off_s, v_per_a * charges.values[2])

    def _charge(self, out: NDArray[np.float32], start: int, charges: Shapes) -> None:
        """Add the currents of the coils this lead is clamped on."""
        engine = self.plan.scenario.engine
        cylinders = (self.lead.cylinder,) if self.lead.cylinder else self.lead.cylinders or engine.firing_order
        mine = np.isin(charges.values[3], [engine.pattern.slot_of(c) for c in cylinders])
        rate = self._rate_hz
        add_charges(
            out, start, rate * charges.on_s[mine], rate * charges.off_s[mine], charges.values[0][mine],
            rate * charges.values[1][mine], 20e-6 * rate,
        )  # fmt: skip

    def _draw_pulses(self, out: NDArray[np.float32], start: int, span_s: tuple[float, float], charges: Shapes) -> None:
        if "pulses" not in self._shapes:
            return
        lead, rate = self.lead, self._rate_hz
        shift = np.zeros(len(out) if lead.off_shift_v_per_a else 0, np.float32)
        if lead.off_shift_v_per_a:
            self._ramp(shift, start, charges, lead.off_shift_v_per_a)
            out += shift
        pulses = self._shapes["pulses"].between(*span_s)
        height, rise, fall, ripple = pulses.values
        ring = np.array([lead.ring_share, rate / (1e3 * lead.ring_khz), 1e-6 * rate * lead.ring_decay_us])
        add_pulses(
            out, start, rate * pulses.on_s, rate * pulses.off_s, height, rate * rise, rate * fall, ripple,
            RIPPLE_S * rate,            lead.edge == "rc", ring, shift,
        )  # fmt: skip
