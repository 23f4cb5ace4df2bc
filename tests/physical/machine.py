"""Options turned into the numbers and tables that the time stepping needs."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tests.physical.layouts import LAYOUTS
from tests.physical.options import Options

STEP_S = 25e-6
"""Time step. A tooth of 6 degrees at 7000 rpm takes 143 microseconds; edges are solved within the step."""
COPPER_PER_KELVIN = 0.00393
"""Temperature coefficient of copper's resistance at 20 C."""

KINDS = (
    "absent_command", "absent_feedback", "short_on_time", "long_on_time", "late_feedback", "early_feedback",
    "weak_command", "distorted_command", "weak_feedback", "odd_feedback_width", "extra_pulse", "uneven_interval",
    "supply_sag",
)  # fmt: skip
"""What can be planted; the place is the code in the time stepping."""

RPM_AXIS = np.array([0, 500, 700, 900, 1100, 1400, 1800, 2300, 2900, 3600, 4400, 5400, 6500, 8000, 10000], dtype=float)
LOAD_AXIS = np.array([0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1.0])
VOLT_AXIS = np.array([5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0, 12.5, 13.0, 13.5, 14.0, 14.5, 15.0, 16.0])


class Machine(NamedTuple):
    """Numbers and tables of one engine with its computer, coils and supply; units as in `Options`."""

    n_steps: int
    step_s: float
    running: int
    # crank
    cycle_deg: float
    inertia: float
    volume_l: float
    cylinder_l: float
    torque_per_l: float
    cyclic_variation: float
    weak_burn_per_s: float
    starter_nm: float
    starter_a: float
    # driver
    mass_kg: float
    automatic: int
    # computer
    teeth: int
    teeth_missing: int
    tick_s: float
    period_teeth: int
    speed_share: float
    tooth_jitter_s: float
    by_angle: int
    advance_step_deg: float
    advance_interpolates: int
    dwell_interpolates: int
    dwell_step_s: float
    dwell_share: float
    least_gap_deg: float
    volt_step_v: float
    volt_tau_s: float
    volt_hysteresis_v: float
    idle_rpm: float
    idle_gain: float
    knock_per_s: float
    knock_step_deg: float
    shift_retard_deg: float
    limit_rpm: float
    limiter: int
    overrun: int
    repeats: int
    repeat_rpm: float
    repeat_s: float
    sync_turns: float
    # coils
    n_coils: int
    current_limit_a: float
    saturation_v: float
    start_c: float
    until_off: int
    answer_width_s: float
    answer_jitter_s: float
    answer_lag_s: float
    # supply
    battery_ohm: float
    loom_ohm: float
    set_v: float
    alternator_a: float
    ripple_v: float
    poles_per_turn: float
    base_load_a: float


class Tables(NamedTuple):
    """Arrays of one engine, apart from the numbers: handing them on costs time in every step."""

    tdc_deg: NDArray[np.float64]
    combustion: NDArray[np.float64]
    compression: NDArray[np.float64]
    gears: NDArray[np.float64]
    wheel_error_deg: NDArray[np.float64]
    advance: NDArray[np.float64]
    rpm_axis: NDArray[np.float64]
    load_axis: NDArray[np.float64]
    volt_axis: NDArray[np.float64]
    dwell: NDArray[np.float64]
    coil_of: NDArray[np.int64]
    resistance_ohm: NDArray[np.float64]
    inductance_h: NDArray[np.float64]
    threshold_a: NDArray[np.float64]


def charge_time_s(
    amps: NDArray[np.float64] | float, volts: NDArray[np.float64] | float, ohm: float, henry: float
) -> NDArray[np.float64]:
    """Return the time an R-L coil needs to reach a current: ``-(L/R) ln(1 - I R / V)``; at most 3.5 time constants."""
    share = np.minimum(np.asarray(amps) * ohm / np.asarray(volts), 0.97)
    return -(henry / ohm) * np.log1p(-share)


def lobe(cycle_deg: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return torque over degrees after dead centre: of combustion (mean 1 over the cycle) and of the gas spring.

    Shapes by eye: combustion rises for 25 degrees and has gone after 150; the gas spring is odd about dead centre.
    """
    at = np.arange(int(cycle_deg)) + 0.5
    reach = 150.0 if cycle_deg > 400 else 110.0
    burn = np.where(at < reach, (at / 25.0) * np.exp(1.0 - at / 25.0) * np.clip((reach - at) / 40.0, 0.0, 1.0), 0.0)
    signed = np.where(at > cycle_deg / 2, at - cycle_deg, at)
    spring = np.sin(np.radians(signed)) * np.exp(-((signed / 45.0) ** 2))
    return burn / burn.mean(), spring / np.abs(spring).max()


def advance_map(options: Options) -> NDArray[np.float64]:
    """Return degrees before dead centre over engine speed and load: later when loaded, earlier when fast."""
    rpm, load = RPM_AXIS[:, None], LOAD_AXIS[None, :]
    best = 8.0 + 24.0 * np.clip((rpm - 600.0) / 3400.0, 0.0, 1.0)
    found = best + 7.0 * (0.5 - load) - 6.0 * np.clip(load - 0.6, 0.0, 1.0)
    found[RPM_AXIS < 600.0] = 7.0
    step = options.advance_step_deg
    return np.asarray(np.round(np.clip(found, 2.0, 40.0) / step) * step)


def dwell_map(options: Options) -> NDArray[np.float64]:
    """Return on-time in seconds over supply voltage and engine speed, in coarse steps as computers store it."""
    warm_ohm = options.resistance_ohm * (1.0 + COPPER_PER_KELVIN * 50.0)
    base = charge_time_s(
        options.charge_a, np.maximum(VOLT_AXIS - options.saturation_v, 3.0), warm_ohm, options.inductance_h
    )
    fast = 1.0 - 0.18 * np.clip((RPM_AXIS - 3000.0) / 4000.0, 0.0, 1.0)
    crank = np.where(RPM_AXIS < 450.0, 1.25, 1.0)
    step = max(options.dwell_step_s, 2e-6)
    return np.asarray(np.round(base[:, None] * fast * crank / step) * step)


def build_machine(options: Options, rng: np.random.Generator) -> tuple[Machine, Tables]:
    """Draw the tolerances of one engine and lay out its tables."""
    layout = LAYOUTS[options.layout]
    n = len(layout.order)
    names = sorted(set(layout.coil_of_slot.tolist()))
    coil_of = np.array([names.index(c) for c in layout.coil_of_slot])
    n_coils = len(names)
    spread = options.coil_spread
    burn, spring = lobe(layout.cycle_deg)
    firing = layout.firing_deg
    gap = float(np.diff(np.append(firing, firing[0] + layout.cycle_deg)).min())
    if layout.paired:
        gap = min(gap, 360.0 / n_coils)
    volume, cylinder = options.volume_l, options.volume_l / n
    wheel = 0.02 * np.sin(2 * np.pi * np.arange(options.teeth) / options.teeth + rng.uniform(0, 6)) + rng.normal(
        0, 0.01, options.teeth
    )
    top_rpm_per_mps = options.limit_rpm / 58.0
    gears = top_rpm_per_mps * np.geomspace(4.6, 1.0, 5) * 2.0 * np.pi / 60.0
    starter_a = 90.0 + 130.0 * volume**0.7
    machine = Machine(
        n_steps=round(options.seconds / STEP_S),
        step_s=STEP_S,
        running=int(options.begins == "running"),
        cycle_deg=layout.cycle_deg,
        inertia=(0.02 + 0.09 * volume + 0.05 / n) * options.inertia_factor,
        volume_l=volume,
        cylinder_l=cylinder,
        torque_per_l=130.0 if layout.strokes == 4 else 95.0,
        cyclic_variation=options.cyclic_variation,
        weak_burn_per_s=options.weak_burns_per_hour / 3600.0,
        starter_nm=100.0 * cylinder + 45.0 * volume + 8.0,
        starter_a=starter_a,
        mass_kg=250.0 + 600.0 * volume,
        automatic=int(rng.random() < 0.5),
        teeth=options.teeth,
        teeth_missing=options.teeth_missing,
        tick_s=options.tick_s,
        period_teeth=options.period_teeth,
        speed_share=options.speed_share,
        tooth_jitter_s=options.tooth_jitter_s,
        by_angle=int(options.turn_off == "angle"),
        advance_step_deg=options.advance_step_deg,
        advance_interpolates=int(options.advance_interpolates),
        dwell_interpolates=int(options.dwell_interpolates),
        dwell_step_s=options.dwell_step_s,
        dwell_share=options.dwell_share,
        least_gap_deg=gap,
        volt_step_v=options.volt_step_v,
        volt_tau_s=options.volt_tau_s,
        volt_hysteresis_v=options.volt_hysteresis_v,
        idle_rpm=options.idle_rpm,
        idle_gain=options.idle_spark_deg_per_rpm,
        knock_per_s=options.knock_per_s,
        knock_step_deg=options.knock_step_deg,
        shift_retard_deg=options.shift_retard_deg,
        limit_rpm=options.limit_rpm,
        limiter=("none", "pattern", "half", "all").index(options.limiter),
        overrun=("none", "kept", "dropped").index(options.overrun),
        repeats=options.repeats,
        repeat_rpm=options.repeat_rpm,
        repeat_s=0.45
        * float(charge_time_s(options.charge_a, 13.0, options.resistance_ohm * 1.2, options.inductance_h)),
        sync_turns=options.sync_turns,
        n_coils=n_coils,
        current_limit_a=options.current_limit_a,
        saturation_v=options.saturation_v,
        start_c=options.coil_start_c,
        until_off=int(options.answer == "until_off"),
        answer_width_s=options.answer_width_s,
        answer_jitter_s=options.answer_jitter_s,
        answer_lag_s=options.answer_lag_s,
        battery_ohm=min(options.battery_ohm, 4.5 / starter_a),
        loom_ohm=options.loom_ohm,
        set_v=options.set_v,
        alternator_a=min(options.alternator_a, 15.0 + 90.0 * volume),
        ripple_v=options.ripple_v,
        poles_per_turn=float(rng.choice([15.6, 16.2, 18.0, 17.4])),
        base_load_a=1.5 + 12.0 * min(volume, 1.5),
    )
    tables = Tables(
        tdc_deg=firing + 70.0,
        combustion=burn,
        compression=spring,
        gears=np.append(0.0, gears),
        wheel_error_deg=wheel,
        advance=advance_map(options),
        rpm_axis=RPM_AXIS,
        load_axis=LOAD_AXIS,
        volt_axis=VOLT_AXIS,
        dwell=dwell_map(options),
        coil_of=coil_of,
        resistance_ohm=options.resistance_ohm * np.exp(rng.normal(0, spread, n_coils)),
        inductance_h=options.inductance_h * np.exp(rng.normal(0, spread, n_coils)),
        threshold_a=options.answer_a * np.exp(rng.normal(0, spread, n_coils)),
    )
    return machine, tables
