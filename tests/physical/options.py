"""What a recording is: options of engine, computer, coils, supply, leads and recorder."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["Converter", "FaultGroup", "Lead", "Options"]


@dataclass(frozen=True, kw_only=True)
class Converter:
    """The recorder's converter: codes of ``step_v``, ``bits`` of them, stored as ``dtype``."""

    bits: int = 12
    span_v: float = 20.0
    dtype: str = "int16"
    missing_codes: tuple[int, int] = (0, 0)
    """(period, remainder): a code whose remainder is this never comes, the next one does; (0, 0): none missing."""

    @property
    def step_v(self) -> float:
        """One code in volts at the converter."""
        return 2.0 * self.span_v / 2**self.bits


@dataclass(frozen=True, kw_only=True)
class Lead:
    """One recorded lead."""

    name: str
    role: str
    cylinder: int | None = None
    active: str = "high"
    level_v: float = 5.0
    low_v: float = 0.1
    assert_tau_s: float = 1e-6
    release_tau_s: float = 1e-6
    attenuation: float = 1.0
    offset_v: float = 0.0
    noise_v: float = 0.01
    hum_v: float = 0.0
    hum_hz: float = 100.0
    drift_v: float = 0.01
    spike_v: float = 0.5
    spike_spread: float = 0.4
    spike_tau_s: float = 3e-6
    spike_hz: float = 1.5e5
    ground_v_per_a: float = 0.0
    converter: Converter = field(default_factory=Converter)


@dataclass(frozen=True, kw_only=True)
class FaultGroup:
    """Events of one cylinder, one after the other, that go wrong once the conditions hold."""

    at_s: float
    kind: str
    cylinder: int
    sizes: tuple[float, ...]
    way: int = 0
    rpm_low: float = 500.0
    rpm_high: float = 1e6
    accelerating: bool = False
    seed: int = 0


@dataclass(frozen=True, kw_only=True)
class Options:
    """Everything that `make` needs; all of it follows from the recording's number unless it is changed."""

    seed: int = 1
    seconds: float = 900.0
    rate_hz: float = 200_000.0
    layout: str = "four"
    # crank
    volume_l: float = 1.6
    inertia_factor: float = 1.0
    cyclic_variation: float = 0.05
    weak_burns_per_hour: float = 30.0
    idle_rpm: float = 800.0
    limit_rpm: float = 6500.0
    # driver
    begins: str = "running"
    quiet_s: float = 5.0
    stop_start: bool = False
    pace: float = 0.5
    # computer
    teeth: int = 60
    teeth_missing: int = 2
    tick_s: float = 1e-6
    period_teeth: int = 1
    speed_share: float = 0.2
    """Share of each new tooth in the speed that the tables are read with; 1: the last tooth alone."""
    tooth_jitter_s: float = 1e-6
    turn_off: str = "angle"
    advance_step_deg: float = 0.75
    advance_interpolates: bool = True
    dwell_interpolates: bool = True
    dwell_step_s: float = 4e-6
    dwell_share: float = 0.7
    volt_step_v: float = 0.07
    volt_tau_s: float = 0.06
    volt_hysteresis_v: float = 0.1
    idle_spark_deg_per_rpm: float = 0.04
    knock_per_s: float = 0.3
    knock_step_deg: float = 3.0
    shift_retard_deg: float = 10.0
    limiter: str = "pattern"
    overrun: str = "kept"
    repeats: int = 0
    repeat_rpm: float = 1200.0
    sync_turns: float = 1.2
    # coils
    resistance_ohm: float = 0.6
    inductance_h: float = 3.5e-3
    charge_a: float = 7.0
    current_limit_a: float = 12.0
    saturation_v: float = 1.0
    coil_spread: float = 0.015
    coil_start_c: float = 20.0
    # answer
    answer: str = "until_off"
    answer_a: float = 2.5
    answer_width_s: float = 400e-6
    answer_jitter_s: float = 2e-6
    answer_lag_s: float = 4e-6
    # supply
    battery_ohm: float = 0.012
    loom_ohm: float = 0.02
    set_v: float = 14.2
    alternator_a: float = 90.0
    ripple_v: float = 0.1
    loads_per_min: float = 4.0
    load_a: float = 12.0
    # leads
    leads: tuple[Lead, ...] = ()
    clips_off: tuple[tuple[str, float, float], ...] = ()
    nulls: tuple[tuple[float, float], ...] = ()
    time_gap: tuple[float, float] | None = None
    faults: tuple[FaultGroup, ...] = ()
    healthy: bool = True
