"""What is known of a lead: what the setup says, and what a first look at the recording showed."""

from __future__ import annotations

from dataclasses import dataclass

from miner.schema import PULSE_ROLES

__all__ = ["LeadProfile", "LeadSpec", "Wheel"]


@dataclass(frozen=True, kw_only=True)
class LeadSpec:
    """One lead of the setup; ``index`` is its place in the setup's channel list.

    ``active`` is ``"high"``, ``"low"``, or None where the polarity is to be found from the signal. ``per_turn`` is how
    often a lead with pulses shows one in a turn of the crank, None where that is not known; ``turn_deg`` the crank
    angle in which a wheel turns once.
    """

    index: int
    column: str
    role: str
    active: str | None = None
    per_turn: float | None = None
    turn_deg: float = 360.0

    @property
    def has_pulses(self) -> bool:
        """Whether pulses are mined on this lead."""
        return self.role in PULSE_ROLES


@dataclass(frozen=True, kw_only=True)
class Wheel:
    """A toothed wheel: places of its teeth in one turn, of which ``missing`` in a row have none.

    Attributes
    ----------
    teeth, missing : int
        60 and 2 of a wheel of 60-2; 1 and 0 where one mark a turn is seen.
    turn_deg : float
        Crank angle after which the wheel looks the same again: 360 on the crank, 720 on a cam, less where the gap
        comes several times a turn.
    floor_v : float
        Height over the middle up to which a half-wave may be noise.
    """

    teeth: int
    missing: int
    turn_deg: float
    floor_v: float


@dataclass(frozen=True, kw_only=True)
class LeadProfile:
    """First look at a lead with pulses, or with a wheel; seeds the level tracking.

    Attributes
    ----------
    active : str
        ``"high"`` or ``"low"``: on which side of the off-state the on-state lies, in volts.
    off_v, on_v : float
        State levels in volts (histogram modes).
    noise_v : float
        Standard deviation of the noise, from differences of successive samples; 0 where it is below the quantisation.
    step_v : float
        Least step between stored values in volts; 0 where they are too fine to matter, or as wide as the signal.
    edge_us : float
        Mean duration of an edge from 0 to 100 %, as steep as between 40 and 60 %.
    pulse_us : float
        Median pulse duration.
    n_pulses : int
        Pulses seen in the first look.
    clip_count : float
        Stored value at which the on-state is cut off by the recorder; NaN where it is not.
    wheel : Wheel, optional
        Of a lead on a wheel. There ``off_v`` is the middle that its teeth cross, ``on_v`` their usual top, and
        ``active`` the side on which a tooth begins; what it has no use for is NaN or 0.
    """

    index: int
    column: str
    active: str
    off_v: float
    on_v: float
    noise_v: float
    step_v: float
    edge_us: float
    pulse_us: float
    n_pulses: int
    clip_count: float
    wheel: Wheel | None = None
