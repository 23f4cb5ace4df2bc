"""What a synthetic recording is made of: engine, drive, coils, leads, nuisances and faults, as one frozen model.

Usage
-----
>>> scenario = Scenario.model_validate({"engine": {"cylinders": 4, "firing_order": [1, 3, 4, 2]},
...                                     "leads": [{"column": "lead_1", "role": "command", "cylinder": 1}]})
>>> scenario.leads[0].on_v
5.0
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from miner.engine.setup import Engine, Setup

__all__ = ["Coil", "Drive", "Dwell", "FaultSpec", "FeedbackLogic", "Gap", "Lead", "Scenario", "Storage", "Supply"]

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Share = Annotated[float, Field(ge=0, le=1)]
PlantedKind = Literal[
    "absent_command", "absent_feedback", "short_on_time", "long_on_time", "late_feedback", "early_feedback",
    "weak_command", "distorted_command", "weak_feedback", "odd_feedback_width", "extra_pulse", "uneven_interval",
    "supply_sag",
]  # fmt: skip
LeadRole = Literal["command", "feedback", "supply", "ground", "coil_current", "other"]
RoadKind = Literal["idle", "town", "delivery", "country", "motorway", "revs", "stall"]


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Drive(_Model):
    """How the vehicle is driven: roads in turn until the recording ends, and the engine's habits.

    ``rpm_per_kmh`` are the fixed gears, lowest first; the next is taken at ``shift_at`` times idle speed.
    ``fuel_cut`` says what becomes of the ignition on overrun: no cut, kept, or dropped for all cylinders together.
    """

    roads: tuple[RoadKind, ...] = ("town",)
    road_s: Positive = 300.0
    idle_rpm: Positive = 780.0
    max_rpm: Positive = 5500.0
    rpm_per_kmh: tuple[Positive, ...] = (125.0, 70.0, 46.0, 34.0, 27.0)
    shift_at: Positive = 2.9
    crank_rpm: Positive = 230.0
    starts_cold: bool = True
    idle_stop: bool = True
    fuel_cut: Literal["none", "kept", "dropped"] = "kept"
    speed_noise: NotNegative = 0.004
    hunting_rpm: NotNegative = 15.0
    timing_jitter_deg: NotNegative = 0.15
    cylinder_spread_deg: NotNegative = 0.2


class Coil(_Model):
    """Coils at 20 degrees Celsius; each cylinder's differs by ``tolerance`` (one sigma a third of it)."""

    resistance_ohm: Positive = 0.6
    inductance_mh: Positive = 4.2
    tolerance: Share = 0.03
    end_temperature_c: float = 85.0
    warm_up_s: Positive = 600.0


class Dwell(_Model):
    """How the engine computer times the turn-on before the spark.

    The on-time aims at a current with a table over supply voltage, in steps of ``step_us``; at high speed it is
    limited to a share of the firing interval. ``predicted`` adds the error of a turn-on scheduled ahead while
    the engine accelerates. Repeated sparks come below ``repeat_below_rpm``.
    """

    target_a: Positive = 8.0
    step_us: Positive = 4.0
    voltage_step_v: Positive = 0.05
    longest_ms: Positive = 9.0
    largest_duty: Positive = 0.8
    predicted: bool = True
    jitter_us: NotNegative = 1.0
    repeat_below_rpm: NotNegative = 0.0
    n_repeats: Annotated[int, Field(ge=0, le=5)] = 0


class FeedbackLogic(_Model):
    """What makes the answer line move: coil current over a threshold, or the spark at turn-off.

    ``width`` is until turn-off, or fixed; ``repeats`` tells whether repeated sparks are answered too.
    """

    asserts: Literal["current", "turn_off"] = "current"
    threshold_a: Positive = 2.2
    lag_us: NotNegative = 6.0
    jitter_us: NotNegative = 1.5
    width: Literal["until_turn_off", "fixed"] = "until_turn_off"
    fixed_us: Positive = 900.0
    repeats: bool = True


class Supply(_Model):
    """Coil supply voltage: battery at rest, while cranking and with the alternator charging."""

    rest_v: Positive = 12.5
    charging_v: Positive = 14.1
    crank_low_v: Positive = 8.0
    crank_plateau_v: Positive = 9.8
    ripple_v: NotNegative = 0.12
    ripple_per_turn: Positive = 90.0
    load_step_v: NotNegative = 0.25
    load_every_s: Positive = 25.0
    wander_v: NotNegative = 0.03
    sag_v_per_a: NotNegative = 0.02
    drain_v_per_h: NotNegative = 0.1


class Lead(_Model):
    """One recorded lead: where it is clipped on, its levels, edges, nuisances and how it is stored.

    Volts throughout; an active-low lead has ``on_v`` under ``off_v``. ``ground_v_per_a`` and ``off_shift_v_per_a``
    lift all of it, or its off-state, with the current of any coil. A lead ``pulled_to_supply`` has its high level in
    proportion to the supply. For a current lead volts read as ampere.
    """

    column: str
    role: LeadRole
    cylinder: int | None = None
    cylinders: tuple[int, ...] | None = None
    off_v: float = 0.0
    on_v: float = 5.0
    rise_us: NotNegative = 2.0
    fall_us: NotNegative = 2.0
    edge: Literal["linear", "rc"] = "linear"
    pulled_to_supply: bool = False
    cylinder_spread: NotNegative = 0.0
    level_jitter_v: NotNegative = 0.005
    noise_v: NotNegative = 0.02
    hum_v: NotNegative = 0.0
    hum_hz: Positive = 50.0
    drift_v: NotNegative = 0.0
    drift_period_s: Positive = 900.0
    ring_share: NotNegative = 0.0
    ring_khz: Positive = 60.0
    ring_decay_us: Positive = 12.0
    bounce_chance: Share = 0.0
    crosstalk_v: NotNegative = 0.0
    crosstalk_chance: Share = 0.5
    ground_v_per_a: float = 0.0
    off_shift_v_per_a: float = 0.0
    dtype: Literal["int8", "int16", "int32", "uint8", "uint16", "float32", "float64"] = "int16"
    scale: Positive | None = None
    offset: float = 0.0
    clip_low_v: float = -1e6
    clip_high_v: float = 1e6


class Gap(_Model):
    """A stretch that was not recorded: nulls or NaN in some columns, or samples missing from ``time_s``."""

    start_s: NotNegative
    duration_s: Positive
    kind: Literal["null", "nan", "missing"] = "null"
    columns: tuple[str, ...] | None = None


class FaultSpec(_Model):
    """Faults to plant: how many events of a kind, how large, in bursts or single, and where in the drive.

    ``size`` is a share of the usual value for times and amplitudes, volts for ripple and sag, crank degrees for
    uneven intervals, pulses for extra ones; absent ones need none.
    """

    kind: PlantedKind
    size: NotNegative = 0.0
    count: Annotated[int, Field(ge=1)] = 1
    burst: Annotated[int, Field(ge=1)] = 1
    cylinders: tuple[int, ...] | None = None
    from_s: NotNegative = 0.0
    to_s: float = 1e12
    rpm_low: NotNegative = 0.0
    rpm_high: float = 1e9
    states: tuple[str, ...] | None = None


class Storage(_Model):
    """How the recording is stored: one file or parts, row groups, compression, time column and start."""

    n_parts: Annotated[int, Field(ge=1)] = 1
    row_group_samples: Annotated[int, Field(ge=0)] = 1 << 21
    compression: Literal["none", "snappy", "lz4", "zstd"] = "none"
    encoding: Literal["plain", "dictionary", "delta"] = "delta"
    time_column: bool = False
    time_origin_s: float = 0.0
    clock_jitter: Annotated[float, Field(ge=0, lt=0.4)] = 0.0
    rate_in_metadata: bool = True
    started_at: str | None = None


class Scenario(_Model):
    """Everything a synthetic recording depends on; the same scenario gives the same bytes."""

    name: str = "synthetic"
    engine: Engine
    leads: tuple[Lead, ...]
    rate_hz: Positive = 200_000.0
    duration_s: Positive = 60.0
    seed: Annotated[int, Field(ge=0, lt=2**31)] = 1
    drive: Drive = Drive()
    coil: Coil = Coil()
    dwell: Dwell = Dwell()
    feedback: FeedbackLogic = FeedbackLogic()
    supply: Supply = Supply()
    gaps: tuple[Gap, ...] = ()
    faults: tuple[FaultSpec, ...] = ()
    storage: Storage = Storage()

    @model_validator(mode="after")
    def _parts_fit(self) -> Self:
        _ = self.setup  # the leads must make a setup that fits the engine
        dtypes = {lead.column: lead.dtype for lead in self.leads}
        for gap in self.gaps:
            if gap.kind == "missing" and not self.storage.time_column:
                raise ValueError("samples can only be missing from a recording with a time column")
            for column in gap.columns or tuple(dtypes):
                if gap.kind == "nan" and not dtypes[column].startswith("float"):
                    raise ValueError(f"column '{column}' stores counts, which cannot be NaN")
        return self

    @property
    def n_samples(self) -> int:
        """Samples of the whole recording, before any are left out."""
        return round(self.rate_hz * self.duration_s)

    @property
    def setup(self) -> Setup:
        """The setup a technician would write for this recording."""
        channels = [
            lead.model_dump(include={"column", "role", "cylinder", "cylinders"}, exclude_none=True)
            for lead in self.leads
        ]
        rate = {} if self.storage.rate_in_metadata or self.storage.time_column else {"sample_rate_hz": self.rate_hz}
        return Setup.model_validate({"engine": self.engine, "channel": channels, "vehicle": self.name, **rate})

    @classmethod
    def from_toml(cls, path: str | Path) -> Scenario:
        """Read a scenario from a TOML file."""
        return cls.model_validate(tomllib.loads(Path(path).read_text(encoding="utf-8")))
