"""Which engine, computer, coils, leads and recorder a number stands for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np

from tests.physical.faults import draw_faults
from tests.physical.layouts import LAYOUTS
from tests.physical.options import Converter, Lead, Options

T = TypeVar("T")
MOST_SAMPLES = 5e8
"""Samples of all leads together: what a minute of computing and half a gigabyte of disk allow."""
HEALTHY_SHARE = 0.6

WEIGHTS = {
    "four": 4.0,
    "three": 2.0,
    "six": 2.0,
    "single": 1.0,
    "eight": 1.5,
    "four_paired": 1.5,
    "single_two_stroke": 1.0,
    "vee_six_odd": 1.2,
    "twelve": 0.8,
}
"""How often a layout is drawn; those not named: 0.7."""


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw log-uniformly."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def one_of(rng: np.random.Generator, values: Sequence[T], weights: Sequence[float] | None = None) -> T:
    p = None if weights is None else np.array(weights) / np.sum(weights)
    return values[int(rng.choice(len(values), p=p))]


def draw(number: int) -> Options:
    """Return the options of a recording; they follow from its number alone."""
    rng = np.random.default_rng([14, 5, number])
    names = sorted(LAYOUTS)
    layout = one_of(rng, names, [WEIGHTS.get(name, 0.7) for name in names])
    options = Options(seed=int(rng.integers(1 << 31)), layout=layout, seconds=float(round(between(rng, 600.0, 1800.0))))
    options = draw_engine(rng, options)
    options = draw_computer(rng, options)
    options = draw_coils(rng, options)
    options = replace(options, rate_hz=one_of(rng, (5e4, 1e5, 2e5, 2.5e5, 5e5, 1e6), (2, 5, 5, 3, 3, 2)))
    options = replace(options, leads=draw_leads(rng, options))
    while options.rate_hz * options.seconds * len(options.leads) > MOST_SAMPLES:
        shorter = MOST_SAMPLES / options.rate_hz / len(options.leads)
        if shorter >= 600.0:
            options = replace(options, seconds=float(int(shorter)))
        else:
            options = (
                replace(options, seconds=600.0)
                if options.seconds > 600.0
                else replace(options, rate_hz=options.rate_hz / 2)
            )
    options = draw_holes(rng, options)
    if rng.random() > HEALTHY_SHARE:
        options = replace(options, healthy=False, faults=draw_faults(rng, options))
    return options


def draw_engine(rng: np.random.Generator, options: Options) -> Options:
    n = len(LAYOUTS[options.layout].order)
    two = LAYOUTS[options.layout].strokes == 2
    limit = rng.uniform(5200.0, 7500.0) if n < 8 else rng.uniform(5000.0, 6800.0)
    return replace(
        options,
        volume_l=n * (between(rng, 0.08, 0.25) if two else between(rng, 0.22, 0.6)),
        limit_rpm=float(limit),
        inertia_factor=between(rng, 0.7, 1.6),
        cyclic_variation=between(rng, 0.02, 0.12),
        weak_burns_per_hour=between(rng, 5.0, 400.0),
        idle_rpm=float(rng.uniform(620.0, 950.0) if n > 2 else rng.uniform(900.0, 1400.0)),
        begins=one_of(rng, ("cold", "running")),
        quiet_s=between(rng, 1.0, 60.0),
        stop_start=bool(rng.random() < 0.3),
        pace=float(rng.uniform(0.05, 0.8)),
    )


def draw_computer(rng: np.random.Generator, options: Options) -> Options:
    teeth, missing = one_of(rng, ((60, 2), (36, 1), (24, 1), (12, 1), (8, 0)), (6, 3, 1, 1, 0.5))
    low_speed_repeats = rng.random() < 0.15 and len(LAYOUTS[options.layout].order) <= 6
    return replace(
        options,
        teeth=teeth,
        teeth_missing=missing,
        tick_s=one_of(rng, (0.5e-6, 1e-6, 2e-6, 4e-6)),
        period_teeth=one_of(rng, (1, 2, 4)),
        speed_share=one_of(rng, (1.0, 0.3, 0.08), (1, 3, 3)),
        tooth_jitter_s=between(rng, 0.3e-6, 6e-6),
        turn_off=one_of(rng, ("angle", "time"), (2, 1)),
        advance_step_deg=one_of(rng, (0.1, 0.375, 0.75, 1.0)),
        advance_interpolates=bool(rng.random() < 0.7),
        dwell_interpolates=bool(rng.random() < 0.65),
        dwell_step_s=one_of(rng, (1e-6, 4e-6, 16e-6, 64e-6)),
        dwell_share=float(rng.uniform(0.55, 0.75)),
        volt_step_v=one_of(rng, (0.03, 0.07, 0.1)),
        volt_tau_s=between(rng, 0.015, 0.3),
        volt_hysteresis_v=one_of(rng, (0.0, 0.05, 0.15)),
        idle_spark_deg_per_rpm=float(rng.uniform(0.0, 0.08)),
        knock_per_s=between(rng, 0.01, 1.0),
        knock_step_deg=float(rng.uniform(1.5, 4.0)),
        shift_retard_deg=float(rng.uniform(0.0, 14.0)),
        limiter=one_of(rng, ("none", "pattern", "half", "all"), (1, 2, 1, 2)),
        overrun=one_of(rng, ("none", "kept", "dropped"), (1, 2.5, 1.2)),
        repeats=int(rng.integers(1, 4)) if low_speed_repeats else 0,
        repeat_rpm=float(rng.uniform(900.0, 1500.0)),
        sync_turns=float(rng.uniform(0.6, 2.0)),
    )


def draw_coils(rng: np.random.Generator, options: Options) -> Options:
    charge = rng.uniform(5.0, 9.0)
    ohm = between(rng, 0.35, 0.8)
    return replace(
        options,
        resistance_ohm=ohm,
        inductance_h=between(rng, 2e-3, 5e-3),
        charge_a=float(charge),
        current_limit_a=float(charge * (rng.uniform(0.92, 1.0) if rng.random() < 0.2 else rng.uniform(1.2, 2.0))),
        saturation_v=float(rng.uniform(0.3, 1.5)),
        coil_spread=between(rng, 0.004, 0.03),
        coil_start_c=float(rng.uniform(0.0, 90.0)),
        answer=one_of(rng, ("until_off", "fixed"), (3, 2)),
        answer_a=float(charge * rng.uniform(0.22, 0.5)),
        answer_width_s=float(rng.uniform(200e-6, 600e-6)),
        answer_jitter_s=between(rng, 0.3e-6, 6e-6),
        answer_lag_s=float(rng.uniform(1e-6, 15e-6)),
        battery_ohm=between(rng, 0.005, 0.02),
        loom_ohm=between(rng, 0.005, 0.06),
        set_v=float(rng.uniform(13.7, 14.7)),
        alternator_a=float(rng.uniform(60.0, 140.0)),
        ripple_v=between(rng, 0.02, 0.4),
        loads_per_min=between(rng, 0.3, 10.0),
        load_a=between(rng, 2.0, 12.0),
    )


def draw_leads(rng: np.random.Generator, options: Options) -> tuple[Lead, ...]:
    """Draw which wires were clipped on to, and how well."""
    layout = LAYOUTS[options.layout]
    level = one_of(rng, (5.0, 12.0), (3, 1))
    bits, dtype = one_of(
        rng,
        (
            (8, "int8"),
            (8, "uint8"),
            (10, "int16"),
            (12, "int16"),
            (12, "uint16"),
            (14, "int16"),
            (16, "int16"),
            (12, "int32"),
            (12, "float32"),
        ),
        (3, 1, 1.5, 4, 1, 2, 2, 0.5, 1),
    )
    attenuation = one_of(rng, (1.0, 10.0), (4, 1))
    spans = [s for s in (5.0, 10.0, 20.0, 50.0) if s > 1.25 * level] if attenuation == 1.0 else [1.0, 2.0, 5.0]
    span = one_of(rng, [s for s in spans if s * attenuation > 1.25 * level][: 2 if bits < 11 else 3])
    missing = (int(2 ** rng.integers(2, 5)), int(rng.integers(0, 4))) if rng.random() < 0.25 else (0, 0)
    converter = Converter(bits=bits, span_v=span, dtype=dtype, missing_codes=missing)
    noise, tau = between(rng, 0.002, 0.05) * level / 5.0, between(rng, 0.3e-6, 4e-6)
    base = Lead(
        name="wire_1",
        role="command",
        active=one_of(rng, ("high", "low"), (3, 1)),
        level_v=level,
        assert_tau_s=tau,
        attenuation=attenuation,
        noise_v=noise,
        hum_v=between(rng, 0.001, 0.08) if rng.random() < 0.4 else 0.0,
        hum_hz=one_of(rng, (50.0, 100.0, 433.0, 1234.0, 8000.0)),
        drift_v=between(rng, 0.003, 0.2),
        offset_v=float(rng.normal(0.0, 0.1)),
        spike_v=0.0 if rng.random() < 0.2 else between(rng, 0.03, 2.0),
        spike_spread=float(rng.uniform(0.1, 0.8)),
        spike_tau_s=between(rng, 1.5e-6, 2e-5),
        spike_hz=between(rng, 3e4, 3e5),
        ground_v_per_a=float(rng.uniform(0.0, 0.04)),
        converter=converter,
    )

    def command(name: str, cylinder: int) -> Lead:
        low, release = float(rng.uniform(0.02, 0.3)), tau * float(rng.uniform(0.6, 2.0))
        return replace(base, name=name, cylinder=cylinder, low_v=low, release_tau_s=release)

    coils = sorted(set(layout.coil_of_slot.tolist()))
    answer = replace(
        base,
        name="answer",
        role="feedback",
        active=one_of(rng, ("low", "high"), (3, 2)),
        low_v=float(rng.uniform(0.05, 0.5)),
        assert_tau_s=between(rng, 0.3e-6, 3e-6),
        release_tau_s=between(rng, 0.5e-6, 1.5e-5),
    )
    wide = replace(converter, span_v=max(span * attenuation, 20.0))
    supply = replace(base, name="supply", role="supply", converter=wide, attenuation=1.0, spike_v=0.3)
    one = [command("wire_1", int(rng.choice(coils)))]
    what = one_of(
        rng,
        ("one+answer", "all+answer", "answer", "commands", "one", "one+answer+supply", "clamp"),
        (30, 16, 9, 10, 4, 18, 8),
    )
    if what == "clamp":
        amps = Lead(
            name="clamp",
            role="coil_current",
            cylinder=one[0].cylinder,
            noise_v=between(rng, 0.02, 0.15),
            spike_v=0.3,
            converter=replace(converter, span_v=30.0, missing_codes=(0, 0)),
        )
        return (*one, amps, *([answer] if rng.random() < 0.6 else []))
    every = [command(f"wire_{c}", int(c)) for c in coils]
    return {
        "one+answer": (*one, answer),
        "all+answer": (*every, answer),
        "answer": (answer,),
        "commands": tuple(every),
        "one": tuple(one),
        "one+answer+supply": (*one, answer, supply),
    }[what]


def draw_holes(rng: np.random.Generator, options: Options) -> Options:
    """Draw loose clips, samples that are missing, and a gap in the time column."""

    def stretch(least: float, most: float) -> tuple[float, float]:
        begin = round(float(rng.uniform(20.0, options.seconds - 60.0)), 3)
        return begin, round(begin + between(rng, least, most), 3)

    if rng.random() < 0.2:
        options = replace(options, nulls=tuple(stretch(0.005, 5.0) for _ in range(int(rng.integers(1, 5)))))
    if rng.random() < 0.15:
        name = one_of(rng, options.leads).name
        begin, end = stretch(2.0, 25.0)
        chatter = tuple((name, round(begin - x, 3), round(begin - x + 0.004, 3)) for x in (0.21, 0.13, 0.05))
        options = replace(options, clips_off=(*chatter, (name, begin, end)))
    if rng.random() < 0.08 and options.rate_hz <= 2.5e5:
        options = replace(options, time_gap=stretch(0.01, 5.0))
    return options
