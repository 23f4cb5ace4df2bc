"""The measures that are watched: column, scale it is judged on, and what a deviation in each direction is called."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Literal

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.events.columns import column_values

__all__ = [
    "CAUSAL_ORDER",
    "MEASURES",
    "Measure",
    "judged_values",
    "lift_of",
    "measured_values",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Measure:
    """One column of the event table that is compared with its usual value.

    Attributes
    ----------
    column : str
        Column of the event table.
    label, unit : str
        Words for the reason sentence.
    lead : str
        ``command``, ``feedback`` or ``any``: the value counts only where that pulse was seen.
    scale : str
        ``log``: judged as a ratio; ``linear``: judged as a difference.
    low, high : str or None
        Kind of a suspect below and above usual; None: that direction alone accuses nobody (the forest sees it).
    floor : float
        Smallest distance worth a sigma: what the measurement itself cannot tell apart (a ratio for ``log``).
    least : float
        Least difference that matters in a workshop: a ratio less one for ``log``, else in the unit (common practice, no
        source).
    gross : float
        Ratio less one, from which on a difference is gross: no healthy engine is believed to show it (common practice,
        no source).
    pooled : bool
        One series for all cylinders: they share the lead.
    rather : str, optional
        Column that is judged instead where it was measured.
    moves : str
        What moves it in a healthy engine: ``tables`` (the engine computer's, and loads), ``level`` (of a line that
        several coils share), ``shape`` (nothing but slow drift), ``place`` (spark timing), ``supply`` (consumers).
    reach : float
        How far a movement of a few events may take the usual value: what an unseen load does to supply, by 1 V of 13
        (a ratio for ``log``), or what timing is held back against knock (common practice, no source).
    reach_all : float
        The same of a movement that the other cylinders show: without a limit where the engine computer alone says how
        long, since what it does to them it does to all.
    lifted : bool
        A small number that may come out as almost nothing: a tenth of its median is added before the logarithm.
    """

    column: str
    label: str
    unit: str
    lead: Literal["command", "feedback", "any"]
    scale: Literal["log", "linear"]
    low: str | None = None
    high: str | None = None
    floor: float = 2e-4
    moves: Literal["tables", "level", "shape", "place", "supply"] = "shape"
    reach: float = 0.08
    reach_all: float = 0.08
    least: float = 0.01
    gross: float = inf
    pooled: bool = False
    lifted: bool = False
    rather: str | None = None


MEASURES = (
    Measure(column="on_time_us", label="On-time", unit="us", lead="command", scale="log",
            low="short_on_time", high="long_on_time", moves="tables", reach_all=inf, gross=0.25),
    Measure(column="delay_us", label="Delay to the feedback", unit="us", lead="feedback", scale="log",
            low="early_feedback", high="late_feedback", moves="tables", gross=0.5),
    Measure(column="feedback_width_us", label="Feedback width", unit="us", lead="feedback", scale="log",
            low="odd_feedback_width", high="odd_feedback_width", moves="tables", reach_all=inf, gross=0.5),
    Measure(column="amplitude_v", label="Command amplitude", unit="V", lead="command", scale="log",
            low="weak_command", high="distorted_command", moves="level", gross=0.4),
    Measure(column="feedback_amplitude_v", label="Feedback amplitude", unit="V", lead="feedback", scale="log",
            low="weak_feedback", moves="level", gross=0.4),
    Measure(column="ripple_v", label="Ripple of the command's on-state", unit="V", lead="command", scale="log",
            high="distorted_command", floor=0.01, lifted=True, rather="quiet_ripple_v", least=0.4),
    Measure(column="rise_us", label="Command rise", unit="us", lead="command", scale="log",
            high="distorted_command", floor=0.2, lifted=True, least=0.25),
    Measure(column="fall_us", label="Command fall", unit="us", lead="command", scale="log",
            high="distorted_command", floor=0.2, lifted=True, least=0.25),
    Measure(column="timing_residual_deg", label="Place in the cycle", unit="deg", lead="any", scale="linear",
            low="uneven_interval", high="uneven_interval", floor=0.02, moves="place", reach=12.0, least=1.0),
    Measure(column="interval_us", label="Interval", unit="us", lead="any", scale="log",
            low="uneven_interval", high="uneven_interval", floor=5e-4, moves="place", reach=0.02),
    Measure(column="supply_v", label="Supply", unit="V", lead="any", scale="log", low="supply_sag", floor=0.012,
            pooled=True, moves="supply", reach=0.06, least=0.011),
    Measure(column="coil_current_peak_a", label="Coil current", unit="A", lead="command", scale="log",
            low="unusual", high="unusual", floor=1e-3, moves="level", least=0.02),
)  # fmt: skip
"""Every measure. The floor of the supply is what consumers that switch do to it: some tenths of a volt; that of edge
times is what one spike does to an edge of a few samples (both common practice, no source)."""

CAUSAL_ORDER = (
    "absent_command", "supply_sag", "short_on_time", "long_on_time", "weak_command", "distorted_command",
    "absent_feedback", "late_feedback", "early_feedback", "weak_feedback", "odd_feedback_width", "extra_pulse",
    "uneven_interval", "unusual",
)  # fmt: skip
"""Where several measures of one event are odd, the first of these that is really odd names it: a short on-time
moves the feedback and the rhythm with it, never the other way round."""


def measured_values(events: pa.Table, measure: Measure) -> Floats:
    """Return what was measured, in the measure's own unit, NaN where it was not."""
    values = column_values(events, measure.column)
    if measure.rather is None:
        return values
    better = column_values(events, measure.rather)
    return np.where(np.isfinite(better), better, values)


def lift_of(measured: Floats, measure: Measure, told: float) -> float:
    """Return what is added to a measure, in its own unit, before its logarithm is taken.

    Durations of edges and ripple are small numbers that may come out as almost nothing: a tenth of their median is
    added so that a very clean pulse is not a large distance below usual, and no less than half of ``told``, the least
    that the recorder tells apart.
    """
    known = measured[np.isfinite(measured) & (measured > 0)]
    if not measure.lifted or measure.scale != "log" or not known.size:
        return 0.0
    return max(0.1 * float(np.median(known)), 0.5 * told)


def judged_values(measured: Floats, measure: Measure, lift: float) -> Floats:
    """Return the measure (n,) on the scale it is judged on; NaN where not measured, or without a logarithm."""
    if measure.scale == "linear":
        return measured.copy()
    return np.asarray(np.log(np.where(measured > 0, measured, np.nan) + lift), dtype=np.float64)
