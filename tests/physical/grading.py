"""Sizes of faults in units of the healthy spread: half of all graded faults lie where finding begins to be hard."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.physical.columns import Course
from tests.physical.faults import SPANS
from tests.physical.leads import NOTCH_FROM, NOTCH_TO, Marks
from tests.physical.machine import charge_time_s
from tests.physical.options import Options
from tests.physical.sizes import SHOWS_IN, half_range, measures, ripple_v
from tests.physical.truth import Truth, first_lead

GRADED_SHARE = 0.6
LEAST_SIGMA, MOST_SIGMA = 3.0, 14.0
CALIBRATION_S = 90.0
"""Healthy running that tells the spreads."""


def healthy_units(options: Options, course: Course, marks: Marks, truth: Truth) -> dict[str, float]:
    """Return the usual healthy spread of each measure, and the usual ripple in volts."""
    if not len(course.events):
        return {}
    fine = (truth["ignore"] == 0) & (truth["cranking"] == 0)
    cylinder = truth["cylinder"]
    units = {}
    for name, measure in measures(options, course, marks, truth).items():
        use = fine & np.isfinite(measure.values)
        if use.sum() < 50:
            continue
        rest = np.concatenate(
            [np.diff(measure.values[use & (cylinder == c)]) / np.sqrt(2.0) for c in np.unique(cylinder)]
        )
        units[name] = float(np.hypot(half_range(rest), np.median(measure.error[use])))
    units["ripple_v"] = float(np.median(ripple_v(options, course, marks)))
    return units


def ohms_for(options: Options, stretch: float) -> float:
    """Return the resistance that makes the answer later by a factor."""
    more = np.geomspace(0.01, 5.0, 200)
    usual = charge_time_s(options.answer_a, 13.0, options.resistance_ohm, options.inductance_h)
    late = np.array(
        [float(charge_time_s(options.answer_a, 13.0, options.resistance_ohm + x, options.inductance_h)) for x in more]
    )
    return float(np.interp(stretch, late / usual, more))


def size_for(options: Options, kind: str, way: int, sigma: float, units: dict[str, float]) -> float | None:
    """Return the size of a fault that lies so many healthy spreads out; None: the measure is not there."""
    shows = ("ripple", "edge", "ripple")[way] if kind == "distorted_command" else SHOWS_IN.get(kind, "")
    if shows not in units:
        return None
    far = sigma * units[shows]
    if kind == "distorted_command":
        lead = first_lead(options, "command")
        assert lead is not None
        if way == 1:
            rise_s, left_s = 2.2 * lead.assert_tau_s, 0.8 / options.rate_hz
            wide2 = np.exp(2.0 * far) * (rise_s**2 + left_s**2) - left_s**2
            return float(min(np.sqrt(wide2) / rise_s, 60.0))
        added_v = units["ripple_v"] * np.sqrt(np.expm1(2.0 * far))
        share = NOTCH_TO - NOTCH_FROM
        depth = added_v / ((lead.level_v - lead.low_v) * np.sqrt(share * (1.0 - share)))
        return float(min(depth, 0.42)) if way == 0 else float(min(np.hypot(added_v, lead.noise_v) / lead.noise_v, 60.0))
    if kind == "uneven_interval":
        return float(min(far, SPANS[kind][1]))
    if kind == "supply_sag":
        return float(min(far / (0.5 + 0.3 * way), SPANS[kind][1]))
    if kind == "late_feedback":
        return ohms_for(options, float(np.exp(far)))
    grows = kind == "long_on_time"
    return float(min(np.expm1(far) if grows else -np.expm1(-far), SPANS[kind][1]))


def grade(options: Options, units: dict[str, float]) -> Options:
    """Replace more than half of the sizes by graded ones."""
    rng = np.random.default_rng([options.seed, 3])
    groups = []
    for group in options.faults:
        sizes = list(group.sizes)
        for k, plain in enumerate(sizes):
            sigma = float(np.exp(rng.uniform(np.log(LEAST_SIGMA), np.log(MOST_SIGMA))))
            if rng.random() < GRADED_SHARE:
                found = size_for(options, group.kind, group.way, sigma, units)
                if found is not None:
                    sizes[k] = found * (1.0 if plain > 0 else -1.0)
        groups.append(replace(group, sizes=tuple(sizes)))
    return replace(options, faults=tuple(groups))
