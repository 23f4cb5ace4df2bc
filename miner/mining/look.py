"""What there is to mine of a recording, and into how many parts it falls; loads nothing heavy."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["CHAPTER_EVENTS", "LONE_EVENTS", "Extent", "OnSamples", "OnStage", "section_name", "tell_nobody"]

OnSamples = Callable[[int], None]
"""Told how many samples of the running section have been read."""

OnStage = Callable[[str], None]
"""Told the name of each stage of the finish when it begins."""

LONE_EVENTS, CHAPTER_EVENTS = 210_000, 150_000
"""Events of a recording that the finishing step holds as a whole, an hour at 1,200 turns of six cylinders, and of each
chapter of a longer one. What is usual is learned from one chapter, so it is as long as 700 MB of memory in all allow;
a longer recording leaves less for it."""


@dataclass(frozen=True, kw_only=True)
class Extent:
    """What a plan needs to know of a recording before it is mined.

    Attributes
    ----------
    identity : str
        Content identity of recording and setup, free of names and places.
    section_samples : tuple of int
        Length of each stretch that can be mined on its own, in time order.
    rate_hz, n_leads : numbers
        Sample rate, and leads of the setup.
    vehicle : str
        From the setup, may be empty.
    setup : str
        The setup as it was read, JSON: what the identity was made of is what every step uses, whatever becomes of the
        file.
    """

    identity: str
    section_samples: tuple[int, ...]
    rate_hz: float
    n_leads: int
    vehicle: str = ""
    setup: str = ""

    @property
    def n_samples(self) -> int:
        """Samples of each lead."""
        return sum(self.section_samples)

    @property
    def n_sections(self) -> int:
        """Stretches that can be mined on their own."""
        return len(self.section_samples)

    @property
    def recorded_s(self) -> float:
        """Recorded seconds."""
        return self.n_samples / self.rate_hz


def tell_nobody(_stage: str) -> None:
    """Be an `OnStage` that keeps it to itself."""


def section_name(index: int) -> str:
    """Return the file name of a section's result; names sort in time order."""
    return f"section-{index:06d}"
