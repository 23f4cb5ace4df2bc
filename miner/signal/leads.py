"""What is known of a lead: what the setup says, and what a first look at the recording showed."""

from __future__ import annotations

from dataclasses import dataclass

from miner.schema import PULSE_ROLES

__all__ = ["LeadProfile", "LeadSpec"]


@dataclass(frozen=True, kw_only=True)
class LeadSpec:
    """One lead of the setup; ``index`` is its place in the setup's channel list.

    ``active`` is ``"high"``, ``"low"``, or None where the polarity is to be found from the signal.
    """

    index: int
    column: str
    role: str
    active: str | None = None

    @property
    def has_pulses(self) -> bool:
        """Whether pulses are mined on this lead."""
        return self.role in PULSE_ROLES


@dataclass(frozen=True, kw_only=True)
class LeadProfile:
    """First look at a lead with pulses; seeds the level tracking.

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
