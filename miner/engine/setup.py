"""The setup file: engine and leads, with errors that name the key and the remedy.

Usage
-----
>>> setup = parse_setup({"engine": {"cylinders": 4, "firing_order": [1, 3, 4, 2]},
...                      "channel": [{"column": "a", "role": "command", "cylinder": 1}]})
>>> setup.engine.pattern.n_slots
4
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from miner.engine.firing import FiringPattern, firing_pattern
from miner.errors import SetupError, near_names
from miner.schema import PULSE_ROLES, ROLES

__all__ = ["Engine", "LeastDifferences", "Setup", "SetupLead", "load_setup", "parse_setup"]

Role = Literal["command", "feedback", "supply", "ground", "coil_current", "coil_primary", "crank", "cam", "other"]
CylinderNumber = Annotated[int, Field(ge=1, le=64)]


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Engine(_Model):
    """Cylinders, firing order and, for uneven engines, firing angles."""

    cylinders: Annotated[int, Field(ge=1, le=64)]
    firing_order: tuple[CylinderNumber, ...]
    strokes: Literal[2, 4] = 4
    firing_angles_deg: tuple[float, ...] | None = None
    layout: Literal["coil_per_cylinder", "paired"] = "coil_per_cylinder"

    @model_validator(mode="after")
    def _order_fits(self) -> Self:
        if sorted(self.firing_order) != list(range(1, self.cylinders + 1)):
            raise ValueError(
                f"firing_order {list(self.firing_order)} must name each of the {self.cylinders} cylinders once"
            )
        _ = self.pattern  # raises ValueError where angles or pairs do not fit
        return self

    @property
    def cycle_deg(self) -> float:
        """Crank angle of one working cycle, in which a camshaft turns once."""
        return 720.0 if self.strokes == 4 else 360.0

    @property
    def pattern(self) -> FiringPattern:
        """Slots, angles and cylinders of one repetition of the ignition sequence."""
        return firing_pattern(
            self.firing_order,
            strokes=self.strokes,
            firing_angles_deg=self.firing_angles_deg,
            paired=self.layout == "paired",
        )


class SetupLead(_Model):
    """One lead, ``[[channel]]`` in the file: the recording's column and what it was clipped to."""

    column: str
    role: Role
    cylinder: CylinderNumber | None = None
    cylinders: tuple[CylinderNumber, ...] | None = None
    active: Literal["high", "low"] | None = None

    @model_validator(mode="after")
    def _cylinders_fit_role(self) -> Self:
        if self.role == "command" and self.cylinder is None:
            raise ValueError("a command lead needs 'cylinder', the number of the cylinder it fires")
        if self.cylinder is not None and self.cylinders is not None:
            raise ValueError("give 'cylinder' or 'cylinders', not both")
        return self

    @property
    def is_named(self) -> bool:
        """Whether the setup names the cylinders this lead speaks for."""
        return self.cylinder is not None or self.cylinders is not None

    def served(self, engine: Engine) -> tuple[int, ...]:
        """Return the cylinders this lead speaks for: its own, the listed ones, or all."""
        if self.cylinder is not None:
            return (self.cylinder,)
        return self.cylinders or engine.firing_order


Percent = Annotated[float, Field(gt=0, le=100, strict=True)]
UpTo20 = Annotated[Percent, Field(le=20)]
UpTo40 = Annotated[Percent, Field(le=40)]
UpTo30 = Annotated[Percent, Field(le=30)]
Volts = Annotated[float, Field(gt=0, le=100, strict=True)]
Degrees = Annotated[float, Field(gt=0, le=180, strict=True)]


class LeastDifferences(_Model):
    """Differences from usual below which nobody is accused, where others matter than common practice has it.

    What recorder and engine computer cannot tell apart is never a difference, whatever is asked for here; and what is
    gross (on-time 25 %, delay and width 50 %, levels 40 %) cannot be asked to be none, hence the limits.
    """

    on_time_percent: UpTo20 | None = None
    delay_percent: UpTo40 | None = None
    feedback_width_percent: UpTo40 | None = None
    amplitude_percent: UpTo30 | None = None
    feedback_amplitude_percent: UpTo30 | None = None
    ripple_percent: Percent | None = None
    rise_percent: Percent | None = None
    fall_percent: Percent | None = None
    interval_percent: Percent | None = None
    coil_current_percent: Percent | None = None
    timing_deg: Degrees | None = None
    supply_v: Volts | None = None


class Setup(_Model):
    """Engine and leads; ``rate_hz`` only where the recording does not carry its rate."""

    engine: Engine
    channel: tuple[SetupLead, ...] = ()
    sample_rate_hz: Annotated[float, Field(gt=0)] | None = None
    vehicle: str = ""
    note: str = ""
    least_differences: LeastDifferences = LeastDifferences()

    @model_validator(mode="after")
    def _leads_fit_engine(self) -> Self:
        columns = [c.column for c in self.channel]
        twice = sorted({c for c in columns if columns.count(c) > 1})
        if twice:
            raise ValueError(f"column '{twice[0]}' is named by two channels; each lead has one role")
        for channel in self.channel:
            self._check_cylinders(channel)
        served = [c.cylinder for c in self.channel if c.role == "command"]
        slots = [self.engine.pattern.slot_of(c) for c in served if c is not None]
        if len(set(slots)) != len(slots):
            raise ValueError("two command leads are on the same coil; name the cylinder of each lead")
        return self

    def _check_cylinders(self, channel: SetupLead) -> None:
        known = set(self.engine.firing_order)
        for cylinder in channel.served(self.engine):
            if cylinder not in known:
                raise ValueError(
                    f"channel '{channel.column}' names cylinder {cylinder}, the engine has {self.engine.cylinders}"
                )

    def require_leads(self, file: str | Path) -> None:
        """Raise ``SetupError`` unless there is a lead with ignition pulses to mine."""
        if not self.channel:
            raise SetupError(
                "no leads are described and telling them apart by itself is not there yet",
                remedy="add a [[channel]] with column and role for each lead",
                file=file,
                key="channel",
            )
        if not any(c.role in PULSE_ROLES for c in self.channel):
            raise SetupError(
                "no command and no feedback lead is described, so there are no ignition events to find",
                remedy="give at least one [[channel]] the role 'command' or 'feedback'",
                file=file,
                key="channel.role",
            )

    def leads(self, *roles: str) -> tuple[tuple[int, SetupLead], ...]:
        """Return (place in ``channel``, lead) of every lead with one of the roles."""
        return tuple((i, c) for i, c in enumerate(self.channel) if c.role in roles)


def load_setup(path: str | Path) -> Setup:
    """Read and check a setup file.

    Raises
    ------
    SetupError
        If the file is missing, not TOML, or does not describe an engine; names the key and the remedy.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise SetupError(
            f"the setup file cannot be read ({error.strerror or error})", remedy="check the path", file=path
        ) from error
    except UnicodeDecodeError as error:
        raise SetupError("the setup file is not UTF-8 text", remedy="save it as UTF-8", file=path) from error
    try:
        data = tomllib.loads(text)
    except RecursionError as error:
        raise SetupError("the setup file is nested too deeply", remedy="write it flat", file=path) from error
    except ValueError as error:  # TOML's own errors, and those of a number with thousands of digits
        raise SetupError(
            f"the setup file is not valid TOML ({error})", remedy="correct that line", file=path
        ) from error
    return parse_setup(data, file=path)


def parse_setup(data: dict[str, object], *, file: str | Path | None = None) -> Setup:
    """Check a setup that is already a mapping; see `load_setup` for the errors."""
    try:
        return Setup.model_validate(data)
    except ValidationError as error:
        raise _explain(error, file) from error


def _explain(error: ValidationError, file: str | Path | None) -> SetupError:
    """Turn pydantic's first complaint into one sentence of ours."""
    first = error.errors()[0]
    place = first["loc"]
    key = ".".join(str(part + 1) if isinstance(part, int) else str(part) for part in place) or None
    match first["type"]:
        case "extra_forbidden":
            return SetupError(
                "the setup has no such key", remedy=near_names(str(place[-1]), _known_keys(place)).rstrip("?"),
                file=file, key=key,
            )  # fmt: skip
        case "missing":
            return SetupError("is missing", remedy=f"add '{place[-1]}' to the setup", file=file, key=key)
        case "literal_error" if place[-1] == "role":
            said = _shown(first["input"])
            remedy = near_names(said[:40].strip("'"), ROLES).rstrip("?")
            return SetupError(f"{said} is not a role", remedy=remedy, file=file, key=key)
        case "value_error":
            return SetupError(str(first["ctx"]["error"]), remedy="correct the setup", file=file, key=key)
        case _:
            return SetupError(
                f"{_shown(first['input'])} does not fit ({first['msg']})",
                remedy="correct the value",
                file=file,
                key=key,
            )


def _shown(value: object) -> str:
    try:
        return repr(value)
    except (ValueError, RecursionError):  # a number of thousands of digits has no text
        return "a value too long to show"


def _known_keys(place: tuple[int | str, ...]) -> list[str]:
    model: type[BaseModel] = Setup
    if len(place) > 1:
        models: dict[str, type[BaseModel]] = {
            "engine": Engine, "channel": SetupLead, "least_differences": LeastDifferences,
        }  # fmt: skip
        model = models.get(str(place[0]), Setup)
    return list(model.model_fields)
