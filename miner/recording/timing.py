"""The sample rate: from metadata, the user, or the steps of the time column."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.errors import RecordingError
from miner.recording.parts import Part, open_file, unreadable

__all__ = ["GAP_STEPS", "RATES_HZ", "NominalTime", "first_rows", "nominal_time"]

GAP_STEPS = 1.5
"""A step of the time column over this many sample periods is a gap (the contract of the recording)."""

RATES_HZ = 10.0, 1e10
"""Rates that can be of a recording: below, even an idling engine fires more often than a sample is taken; above, no
instrument records for more than moments. Beyond them is a slip in the number, or damage."""

_AGREE = 0.05
"""Relative difference up to which a stated rate and the median step of the time column go together."""

_FIRST_ROWS, _GROUP_ROWS, _N_GROUPS = 1 << 18, 1 << 14, 16
"""Rows looked at for the median step: at the beginning, and at that many row groups spread over the recording."""


@dataclass(frozen=True, kw_only=True)
class NominalTime:
    """Nominal rate and the origin of the time axis."""

    rate_hz: float
    has_time: bool
    first_time_s: float


def nominal_time(parts: Sequence[Part], time_column: str, given_hz: float | None) -> NominalTime:
    """Settle the rate; see `miner.recording.reader.open_recording` for the refusals.

    A rate in the metadata and one given by the user must be equal. A time column goes before both for the instants;
    its median step must agree with a stated rate within 5 %.
    """
    stated = _stated_rate(parts, given_hz)
    if time_column not in parts[0].schema.names:
        if stated is None:
            raise RecordingError(
                f"there is no '{time_column}' column and no sample rate",
                remedy="give sample_rate_hz in the setup or --rate-hz on the command line",
                file=parts[0].path,
                column=time_column,
            )
        _require_plausible(stated, parts[0])
        return NominalTime(rate_hz=stated, has_time=False, first_time_s=0.0)
    _check_time_type(parts[0], time_column)
    first_s, period_s = _median_step(parts, time_column)
    rate_hz = 1.0 / period_s if period_s > 1.0 / RATES_HZ[1] else math.inf
    _require_plausible(rate_hz, parts[0], time_column)
    if stated is not None and abs(rate_hz / stated - 1.0) > _AGREE:
        raise RecordingError(
            f"the time column steps at {rate_hz:g} samples a second, the stated rate is {stated:g}",
            remedy="correct the rate, or leave it out: the time column is enough",
            file=parts[0].path,
            column=time_column,
        )
    return NominalTime(rate_hz=rate_hz, has_time=True, first_time_s=first_s)


def _require_plausible(rate_hz: float, part: Part, column: str | None = None) -> None:
    low, high = RATES_HZ
    if not low <= rate_hz <= high:
        raise RecordingError(
            f"a rate of {rate_hz:g} samples a second cannot be that of a recording of ignition signals",
            remedy=f"it must lie between {low:g} and {high:g}; check the unit",
            file=part.path,
            column=column,
        )


def _check_time_type(part: Part, column: str) -> None:
    kind = part.schema.field(column).type
    if kind != pa.float64():
        raise RecordingError(
            f"the time column is {kind}", remedy="write seconds as float64", file=part.path, column=column
        )


def _stated_rate(parts: Sequence[Part], given_hz: float | None) -> float | None:
    rates = {given_hz: "the rate given"} if given_hz is not None else {}
    if given_hz is not None and not (math.isfinite(given_hz) and given_hz > 0):
        raise RecordingError(f"the rate given, {given_hz}, is not above 0", remedy="correct it", file=parts[0].path)
    for part in parts:
        text = part.metadata.get("sample_rate_hz")
        if text is None:
            continue
        rates.setdefault(_rate_number(text, part), f"'{part.path.name}'")
    if len(rates) > 1:
        said = " and ".join(f"{who} says {rate:g}" for rate, who in rates.items())
        raise RecordingError(f"sample rates differ: {said}", remedy="correct the wrong one", file=parts[0].path)
    return next(iter(rates), None)


def _rate_number(text: str, part: Part) -> float:
    try:
        rate = float(text)
    except ValueError:
        rate = math.nan
    if not (math.isfinite(rate) and rate > 0):
        raise RecordingError(
            f"sample_rate_hz '{text}' in the metadata is not a rate", remedy="correct the metadata", file=part.path
        )
    return rate


def _median_step(parts: Sequence[Part], column: str) -> tuple[float, float]:
    """Return (first instant, median step), both in seconds, of rows spread over the recording."""
    pieces = list(_time_pieces(parts, column))
    with np.errstate(invalid="ignore", over="ignore"):  # instants that are none are refused, by row, when streamed
        steps = np.concatenate([np.diff(piece) for piece in pieces])
    steps = steps[np.isfinite(steps) & (steps > 0.0)]  # so are rows that run backwards
    if steps.size == 0 or not math.isfinite(pieces[0][0]):
        raise RecordingError(
            "the time column has no step forward to take the rate from",
            remedy="check the time column",
            file=parts[0].path,
            column=column,
            row=0,
        )
    return float(pieces[0][0]), float(np.median(steps))


def _time_pieces(parts: Sequence[Part], column: str) -> Iterator[NDArray[np.float64]]:
    groups = [(part, group) for part in parts for group in range(len(part.group_starts))]
    groups = [(part, group) for part, group in groups if part.group_stop(group) > part.group_starts[group]]
    yield first_rows(groups[0], column, _FIRST_ROWS)
    spread = np.unique(np.linspace(0, len(groups) - 1, _N_GROUPS).astype(int))
    for i in spread[1:]:
        yield first_rows(groups[i], column, _GROUP_ROWS)


def first_rows(place: tuple[Part, int], column: str, n_rows: int) -> NDArray[np.float64]:
    """Return a column's first rows in one row group (its part, its number there), without decoding the others.

    Raises
    ------
    RecordingError
        If the file is damaged there.
    """
    part, group = place
    with open_file(part.path) as file:
        try:
            batch = next(file.iter_batches(n_rows, row_groups=[group], columns=[column], use_threads=False))
        except (pa.ArrowException, OSError) as error:
            raise unreadable(part, part.group_starts[group]) from error
        values: NDArray[np.float64] = batch.column(0).to_numpy(zero_copy_only=False)
        return values
