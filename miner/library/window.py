"""The leads around one suspect: volts, the usual pulse of its cylinder, and where its edges were measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.setup import Setup, SetupLead
from miner.errors import FindingsError, MinerError
from miner.recording.windows import read_window
from miner.review.content import usual_for
from miner.review.kept.usual_pulse import pulse_ends_us, span_us
from miner.review.kept.windows import MAX_TRUE_SAMPLES
from miner.review.source import ReviewSource
from miner.review.views import stored_view

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["UsualPulse", "Window", "open_window"]

Floats = NDArray[np.float32]

_BEFORE, _AFTER = 0.4, 1.6
"""Of a pulse with its answer, shown before and after the turn-on where no window was stored: as the stored ones."""


@dataclass(frozen=True, kw_only=True)
class UsualPulse:
    """What healthy pulses of the same cylinder at about the same speed show on one lead, arrays of shape (m,).

    Attributes
    ----------
    time_us : ndarray, float64
        Microseconds from the event's turn-on.
    low, median, high : ndarray, float32
        5 %, 50 % and 95 % quantile in the lead's unit.
    """

    time_us: NDArray[np.float64]
    low: Floats
    median: Floats
    high: Floats


@dataclass(frozen=True, kw_only=True)
class Window:
    """One suspect as the leads show it; everything by the column of the lead.

    Attributes
    ----------
    suspect, event : mapping
        Its rows of the tables ``suspects`` and ``events``.
    time_us : ndarray of shape (n,), float64
        Microseconds from the event's turn-on (absent: from when it was due).
    volts : mapping of str to ndarray of shape (n,), float32
        In the lead's unit, NaN where nothing was recorded.
    units : mapping of str to str
    usual : mapping of str to UsualPulse
        Empty where too few healthy pulses of this cylinder were recorded.
    edges_us : mapping of str to tuple of float
        Measured turn-on and turn-off (50 % level) on the leads that speak for the event's cylinder.
    """

    suspect: Mapping[str, Any]
    event: Mapping[str, Any]
    time_us: NDArray[np.float64]
    volts: Mapping[str, Floats]
    units: Mapping[str, str]
    usual: Mapping[str, UsualPulse]
    edges_us: Mapping[str, tuple[float, ...]]

    def plot(self) -> Figure:
        """Return a drawing, one panel a lead: volts, usual pulse, measured edges.

        Raises
        ------
        MinerError
            If matplotlib is not installed.
        """
        try:
            from miner.library.drawing import draw_window
        except ModuleNotFoundError as error:
            raise MinerError(
                "windows are drawn with matplotlib, which is not installed",
                remedy="pip install 'ignition-miner[notebook]'",
            ) from error
        return draw_window(self)


def open_window(source: ReviewSource, setup: Setup, rank: int) -> Window:
    """Return the window of one suspect.

    Parameters
    ----------
    source : ReviewSource
        Of the findings.
    setup : Setup
        That was mined by.
    rank : int
        Of a suspect that is listed.

    Raises
    ------
    FindingsError
        If neither the recording nor a stored window is left.
    """
    listed = source.suspects.slice(rank - 1, 1)
    own = source.events.take(source.rows_of(listed))
    event = own.to_pylist()[0]
    time_s, volts = _samples(source, own)
    return Window(
        suspect=listed.to_pylist()[0],
        event=event,
        time_us=(time_s - event["time_s"]) * 1e6,
        volts=volts,
        units={lead.column: lead.unit for lead in source.leads},
        usual=_usual(source, event),
        edges_us=_edges(setup, event),
    )


def _samples(source: ReviewSource, event: pa.Table) -> tuple[NDArray[np.float64], dict[str, Floats]]:
    view = stored_view(source.stored_windows(event["event_id"].to_pylist()[0]), source.clock, true_samples=True)
    if view.values:
        return view.times_s, {lead.column: view.values[lead.index] for lead in source.leads}
    if source.recording is None:
        raise FindingsError(
            " ".join(source.missing).rstrip(".") or "no window of this suspect was stored",
            remedy="windows are stored of the first suspects only",
            file=source.folder,
        )
    time_s, pulse_s = event["time_s"].to_numpy()[0], span_us(pulse_ends_us(event)) * 1e-6
    start_s, stop_s = time_s - _BEFORE * pulse_s, time_s + _AFTER * pulse_s
    columns = [lead.column for lead in source.leads]
    read = read_window(source.recording, columns, start_s, stop_s, max_samples=MAX_TRUE_SAMPLES)
    return read.time_s, dict(read.volts)


def _usual(source: ReviewSource, event: Mapping[str, Any]) -> dict[str, UsualPulse]:
    header, arrays = usual_for(source, event["cylinder"], event["engine_rpm"])
    out = {}
    for lead in header.get("leads", ()):
        low, median, high = (arrays[f"{name}_{lead}"] for name in ("low", "median", "high"))
        time_us = header["start_us"] + header["step_us"] * np.arange(median.size)
        out[source.leads[lead].column] = UsualPulse(time_us=time_us, low=low, median=median, high=high)
    return out


def _edges(setup: Setup, event: Mapping[str, Any]) -> dict[str, tuple[float, ...]]:
    """Return turn-on and turn-off of command and answer on the leads that speak for the event's place in the cycle."""
    pulses: dict[str, tuple[float, ...]] = {}
    if event["command_seen"]:
        pulses["command"] = _ends(0.0, event["on_time_us"])
    if event["feedback_seen"]:
        # the event's time is the answer's own where there is no command to count from
        pulses["feedback"] = _ends(event["delay_us"] or 0.0, event["feedback_width_us"])
    return {
        channel.column: pulses[channel.role]
        for channel in setup.channel
        if channel.role in pulses and _speaks_for(channel, setup, event["slot"])
    }


def _ends(start_us: float, duration_us: float | None) -> tuple[float, ...]:
    return (start_us,) if duration_us is None else (start_us, start_us + duration_us)


def _speaks_for(channel: SetupLead, setup: Setup, slot: int) -> bool:
    pattern = setup.engine.pattern
    return slot in {pattern.slot_of(cylinder) for cylinder in channel.served(setup.engine)}
