"""What mining leaves in the findings folder for the review, besides the findings themselves."""

from __future__ import annotations

import pyarrow as pa

from miner.schema import Column, Table

__all__ = ["CLOCK", "ENVELOPE", "TRACKS", "USUAL", "USUAL_VALUES", "WINDOWS"]


def _column(name: str, kind: pa.DataType, unit: str, meaning: str, *, nullable: bool = False) -> Column:
    return Column(name=name, type=kind, unit=unit, meaning=meaning, nullable=nullable)


_LEAD = _column("lead", pa.int16(), "", "index of the lead in the setup's channel list")
_VALUES = pa.list_(pa.float32())

ENVELOPE = Table(
    name="envelope",
    row="smallest and largest value of one lead over one block of consecutive samples",
    columns=(
        _LEAD,
        _column("block", pa.int64(), "", "running number of the block; it starts at sample block * block_samples"),
        _column("min", pa.float32(), "V", "smallest value in the block", nullable=True),
        _column("max", pa.float32(), "V", "largest value in the block", nullable=True),
    ),
)

CLOCK = Table(
    name="clock",
    row="instant of one sample in about 0.1 s; the samples between lie evenly, but for the gaps",
    columns=(
        _column("sample", pa.int64(), "", "running number of the sample"),
        _column("time_s", pa.float64(), "s", "its instant"),
    ),
)

USUAL_VALUES = Table(
    name="measures",
    row="what is usual for one measure of one listed event under its conditions",
    columns=(
        _column("event_id", pa.int64(), "", "of the event"),
        _column("measure", pa.string(), "", "column of the event table"),
        _column("usual", pa.float64(), "as measure", "usual value", nullable=True),
        _column("distance_sigma", pa.float64(), "sigma", "robust distance of the event's value, signed", nullable=True),
    ),
)

TRACKS = Table(
    name="tracks",
    row="mean of one slow lead (supply, ground ...) over about 0.1 s",
    columns=(
        _LEAD,
        _column("time_s", pa.float64(), "s", "start of the stretch"),
        _column("value", pa.float32(), "V", "mean over the stretch", nullable=True),
    ),
)

WINDOWS = Table(
    name="windows",
    row="what one lead showed around one of the top suspects",
    columns=(
        _column("event_id", pa.int64(), "", "of the suspect"),
        _LEAD,
        _column("step", pa.int32(), "samples", "1: true samples; more: smallest and largest of so many, in turn"),
        _column("start_s", pa.float64(), "s", "time of the first sample"),
        _column("values", _VALUES, "V", "the samples, or min, max, min, max ...; NaN where nothing was recorded"),
    ),
)

USUAL = Table(
    name="usual",
    row="median pulse of one cylinder on one lead at one engine speed",
    columns=(
        _column("cell", pa.int32(), "", "running number of cylinder and speed"),
        _column("cylinder", pa.int16(), "", "null where it cannot be told", nullable=True),
        _column("rpm_low", pa.float64(), "rpm", "slowest of the healthy events used"),
        _column("rpm_high", pa.float64(), "rpm", "fastest of them"),
        _column("n_events", pa.int32(), "", "healthy events used"),
        _LEAD,
        _column("start_us", pa.float64(), "us", "first point, counted from the event's time"),
        _column("step_us", pa.float64(), "us", "from point to point"),
        _column("low", _VALUES, "V", "5 % quantile at each point"),
        _column("median", _VALUES, "V", "median at each point"),
        _column("high", _VALUES, "V", "95 % quantile at each point"),
    ),
)
