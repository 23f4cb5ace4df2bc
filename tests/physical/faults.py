"""What goes wrong, when and how much: groups of faults for the time stepping."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.physical.columns import Plan
from tests.physical.layouts import LAYOUTS
from tests.physical.machine import KINDS
from tests.physical.options import FaultGroup, Options

NEEDS_COMMAND = ("short_on_time", "long_on_time", "weak_command", "distorted_command")
NEEDS_ANSWER = ("absent_feedback", "weak_feedback", "odd_feedback_width")
NEEDS_BOTH = ("late_feedback", "early_feedback")
MOST_OF_A_KIND = 120
"""Faults of one kind in one recording: at most, so that the healthy events stay the usual ones."""

SPANS = {
    "short_on_time": (0.008, 0.7),
    "long_on_time": (0.008, 0.6),
    "late_feedback": (0.06, 5.0),
    "early_feedback": (0.01, 0.6),
    "weak_command": (0.008, 0.5),
    "weak_feedback": (0.008, 0.6),
    "odd_feedback_width": (0.01, 0.7),
    "uneven_interval": (0.7, 35.0),
    "supply_sag": (0.1, 5.0),
}
"""From the least to the largest size, log-uniform: shares; ohms for late, degrees for uneven, volts for sags."""


def seen_cylinders(options: Options) -> list[int]:
    """Return the cylinders whose command wire is recorded."""
    layout = LAYOUTS[options.layout]
    coil = dict(zip(layout.order, layout.coil_of_slot.tolist(), strict=True))
    coils = {coil[lead.cylinder] for lead in options.leads if lead.role == "command" and lead.cylinder is not None}
    return [c for c in layout.order if coil[c] in coils]


def possible_kinds(options: Options) -> dict[str, list[int]]:
    """Return for each kind that would leave a mark on a recorded lead the cylinders where it would."""
    seen, everyone = seen_cylinders(options), list(LAYOUTS[options.layout].order)
    roles = {lead.role for lead in options.leads}
    answer = "feedback" in roles
    marked = everyone if answer else seen
    out = {"absent_command": marked, "extra_pulse": marked, "uneven_interval": marked}
    out |= dict.fromkeys(NEEDS_COMMAND, seen)
    if answer:
        out |= dict.fromkeys(NEEDS_ANSWER, everyone) | dict.fromkeys(NEEDS_BOTH, seen)
    if "supply" in roles:
        out["supply_sag"] = seen or marked
    return {kind: cylinders for kind, cylinders in out.items() if cylinders}


def draw_size(rng: np.random.Generator, kind: str, way: int, options: Options) -> float:
    """Draw the size of one fault, small ones as often as large ones."""
    if kind == "distorted_command":
        low, high = ((0.03, 0.42), (1.5, 25.0), (1.5, 9.0))[way]
    elif kind == "extra_pulse":
        least = max(2e-4, 8.0 / options.rate_hz)
        if "command" not in {lead.role for lead in options.leads} or rng.random() < 0.5:
            least += 0.9e-3
        return float(least + rng.uniform(0.0, 5e-4))
    else:
        low, high = SPANS.get(kind, (1.0, 1.0))
    size = float(np.exp(rng.uniform(np.log(low), np.log(high)))) if high > low else 1.0
    signed = kind in ("odd_feedback_width", "uneven_interval") and rng.random() < 0.5
    return -size if signed else size


def draw_faults(rng: np.random.Generator, options: Options) -> tuple[FaultGroup, ...]:
    """Draw three to ten kinds at 1 to 300 an hour, alone or in bursts, everywhere or in one condition."""
    possible = possible_kinds(options)
    groups: list[FaultGroup] = []
    for kind in rng.permutation(sorted(possible))[: int(rng.integers(3, 11))]:
        cylinders = possible[str(kind)]
        per_hour = float(np.exp(rng.uniform(0.0, np.log(300.0))))
        left = min(max(1, int(rng.poisson(per_hour * options.seconds / 3600.0))), MOST_OF_A_KIND)
        burst = int(rng.integers(2, 7)) if rng.random() < 0.3 else 1
        first_s, low, high, accelerating = 4.0, 500.0, 1e6, False
        if options.begins == "cold":
            first_s += options.quiet_s
        where = rng.random()
        if where < 0.15:
            low = float(rng.uniform(1000.0, 2400.0))
            high = low + 700.0
        elif where < 0.3:
            first_s = options.seconds * float(rng.uniform(0.3, 0.6))
        elif where < 0.38:
            accelerating = True
        if where > 0.75:
            cylinders = [int(rng.choice(cylinders))]
        if kind == "extra_pulse":  # the further pulse has to end before the next cylinder's begins
            high = min(high, 25_000.0 / len(LAYOUTS[options.layout].order))
            low = min(low, 0.7 * high)
        evenly = rng.random() < 0.2
        n_groups = -(-left // burst)
        at = np.sort(rng.uniform(first_s, options.seconds - 3.0, n_groups))
        if evenly:
            at = np.linspace(first_s, options.seconds - 3.0, n_groups + 2)[1:-1]
        for time_s in at:
            n = min(burst, left)
            left -= n
            way = int(rng.integers(3 if kind == "distorted_command" else 2))
            sizes = tuple(draw_size(rng, str(kind), way, options) for _ in range(n))
            groups.append(
                FaultGroup(
                    at_s=float(time_s),
                    kind=str(kind),
                    cylinder=int(rng.choice(cylinders)),
                    sizes=sizes,
                    way=way,
                    rpm_low=low,
                    rpm_high=high,
                    accelerating=accelerating,
                )
            )
    return tuple(sorted(groups, key=lambda group: group.at_s))


def plan_of(groups: Sequence[FaultGroup]) -> Plan:
    """Lay groups of faults out as arrays, in order of time."""
    counts = np.array([len(g.sizes) for g in groups], dtype=np.int64)
    return Plan(
        at_s=np.array([g.at_s for g in groups], dtype=float),
        kind=np.array([KINDS.index(g.kind) for g in groups], dtype=np.int64),
        cylinder=np.array([g.cylinder for g in groups], dtype=np.int64),
        n_events=counts,
        first=(np.cumsum(counts) - counts).astype(np.int64),
        way=np.array([g.way for g in groups], dtype=np.int64),
        rpm_low=np.array([g.rpm_low for g in groups], dtype=float),
        rpm_high=np.array([g.rpm_high for g in groups], dtype=float),
        accelerating=np.array([g.accelerating for g in groups], dtype=np.int64),
        size=np.array([size for g in groups for size in g.sizes], dtype=float),
    )
