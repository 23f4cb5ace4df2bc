"""What a long step tells about how far it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["OnProgress", "Progress"]


@dataclass(frozen=True, kw_only=True)
class Progress:
    """How far a step is: samples per lead read of the total, recorded seconds, pulses or events so far."""

    samples_done: int
    samples_total: int
    recorded_s: float
    n_events: int


OnProgress = Callable[[Progress], None]
