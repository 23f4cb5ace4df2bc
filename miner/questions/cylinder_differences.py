"""What one cylinder always does differently from the others.

A cylinder that is weak all the time is not rare, so it is not in the list of suspects: it shows here. Each event is
compared with the other cylinders at the same moment (their values before and after it, interpolated by place in the
cycle), which matches speed, supply and temperature without a model. Neighbouring cycles are correlated, so the
recording is cut into at most `MAX_BLOCKS` blocks and the medians of the blocks are the independent values: their
order statistics give an exact interval (`median_interval`), the sign test an exact p-value.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from scipy.special import bdtr

from miner.engine.setup import Setup
from miner.events.columns import column_values
from miner.events.rows import Rows, spread_rows
from miner.events.views import EventView, view_events
from miner.expected.robust import MAD_TO_SIGMA
from miner.questions.exact import adjust_benjamini_hochberg, binomial_interval, median_interval, rate_ratio
from miner.schema import OPERATING_STATES, STANDING
from miner.words import signed, with_unit

__all__ = ["MAX_BLOCKS", "find_standing"]

MAX_BLOCKS = 60
"""Blocks of an hour are a minute long then, longer than the correlation of neighbouring cycles."""

MIN_BLOCK_CYCLES = 25
"""Cycles in a block at least; a shorter recording has fewer blocks, and none under 6 blocks gets limits."""

FALSE_DISCOVERY_RATE = 0.05
"""Share of the notable differences that chance may have put there (the usual level, no other reason)."""

MOST_EVENTS, PART_EVENTS, N_STRETCHES = 240_000, 120_000, 24
"""Of a recording with more events so many are compared, in stretches spread over it: what is always so shows in a part
as well, and the memory stays that of an hour."""

_UNTRUSTED = ("near_gap", "cut_off", "no_speed")

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class _Measure:
    """One measure: its column, words, unit, and the difference that matters (share of the others, or absolute)."""

    column: str
    words: str
    unit: str
    share: float = 0.0
    absolute: float = 0.0

    def practical(self, others: float) -> float:
        return max(self.share * abs(others), self.absolute)


_LEVELS = (
    _Measure(column="on_time_us", words="on-time", unit="us", share=0.02),
    _Measure(column="delay_us", words="delay to the feedback", unit="us", share=0.05),
    _Measure(column="feedback_width_us", words="feedback width", unit="us", share=0.05),
    _Measure(column="amplitude_v", words="command amplitude", unit="V", share=0.05),
    _Measure(column="feedback_amplitude_v", words="feedback amplitude", unit="V", share=0.05),
    _Measure(column="rise_us", words="command rise", unit="us", share=0.25),
    _Measure(column="fall_us", words="command fall", unit="us", share=0.25),
    _Measure(column="ripple_v", words="ripple of the command's on-state", unit="V", share=0.5, absolute=0.02),
    _Measure(column="coil_current_peak_a", words="coil current", unit="A", share=0.03),
    _Measure(column="timing_residual_deg", words="place in the cycle", unit="deg", absolute=0.5),
)
"""Compared by level. The sizes that matter are common practice, no source."""

_JITTERS = (
    _Measure(column="on_time_us", words="jitter of the on-time", unit="us", share=0.5, absolute=2.0),
    _Measure(column="delay_us", words="jitter of the delay", unit="us", share=0.5, absolute=1.0),
    _Measure(column="feedback_amplitude_v", words="jitter of the feedback amplitude", unit="V", share=0.5,
             absolute=0.02),
    _Measure(column="timing_residual_deg", words="jitter of the place in the cycle", unit="deg", share=0.5,
             absolute=0.1),
)  # fmt: skip
"""Compared by the robust spread of the differences against the others within a block."""

_SHARES = (
    ("command_seen", "share of absent commands"),
    ("feedback_seen", "share of absent feedbacks"),
)
_SHARE_PRACTICAL = 1.0
"""Absent pulses per 1,000 events that matter; common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class _Row:
    """One row of the table before the p-values are adjusted."""

    slot: int
    measure: str
    words: str
    unit: str
    value: float
    others: float
    difference: float
    low: float
    high: float
    p: float
    practical: float
    n_events: int

    def beyond(self) -> bool:
        """Say whether the whole interval lies beyond the practical size, on one side."""
        return self.low >= self.practical or self.high <= -self.practical


def find_standing(events: Rows, setup: Setup) -> pa.Table:
    """Compare every cylinder with the others, measure by measure.

    Parameters
    ----------
    events : EVENTS table
        In time order; of more than `MOST_EVENTS` a part, spread over the recording, is compared.
    setup : Setup
        Engine and leads.

    Returns
    -------
    STANDING table
        The notable differences first, each group with the largest in units of its practical size first. A measure
        that only one cylinder has (one command lead) has nothing to be compared with and is left out. Limits are
        null where there are fewer than six blocks.
    """
    if events.num_rows == 0:
        return STANDING.empty()
    part = spread_rows(events, MOST_EVENTS if events.num_rows <= MOST_EVENTS else PART_EVENTS, N_STRETCHES)
    view = view_events(part, setup)
    grid = _Grid.of(view, part["quality"], setup.engine.pattern.n_slots)
    rows = [*_levels_and_jitters(part, grid), *_shares(view)]
    adjusted = adjust_benjamini_hochberg([row.p for row in rows])
    return _table(rows, adjusted, _names(view))


@dataclass(frozen=True, kw_only=True)
class _Grid:
    """Events laid out as turns of the firing sequence by place in it, with the blocks they belong to."""

    turn: _Ints
    slot: NDArray[np.int16]
    shape: tuple[int, int]
    used: NDArray[np.bool_]
    joined: NDArray[np.bool_]  # this turn and the next follow each other without a stop or gap
    block_turns: int

    @classmethod
    def of(cls, view: EventView, quality: pa.ChunkedArray, n_slots: int) -> _Grid:
        turn = np.concatenate([[0], np.cumsum(np.diff(view.slot) <= 0)]).astype(np.int64)
        n_turns = int(turn[-1]) + 1
        starts = view.clock[np.searchsorted(turn, np.arange(n_turns))]
        doubtful = pc.match_substring_regex(quality, "|".join(_UNTRUSTED))
        trusted = ~doubtful.to_numpy(zero_copy_only=False).astype(bool)
        return cls(
            turn=turn,
            slot=view.slot,
            shape=(n_turns, n_slots),
            used=trusted & (view.state != OPERATING_STATES.index("cranking")),
            joined=np.diff(starts, append=np.inf) < 2.0,
            block_turns=max(MIN_BLOCK_CYCLES, -(-n_turns // MAX_BLOCKS)),
        )

    def lay(self, values: _Floats) -> _Floats:
        """Return values as (turn, slot), NaN where there is none to be used."""
        out = np.full(self.shape, np.nan)
        out[self.turn[self.used], self.slot[self.used]] = values[self.used]
        return out

    def others(self, laid: _Floats, slot: int) -> _Floats:
        """Return the median of the other slots at the moment of ``slot``, per turn.

        A slot before (after) this one is interpolated linearly between this turn and the next (the one before), so
        that a steady change of speed cancels out.
        """
        n = self.shape[1]
        after, before = np.full_like(laid, np.nan), np.full_like(laid, np.nan)
        after[:-1] = np.where(self.joined[:-1, None], laid[1:], np.nan)
        before[1:] = np.where(self.joined[:-1, None], laid[:-1], np.nan)
        moved = []
        for other in range(n):
            if other == slot:
                continue
            share = abs(slot - other) / n
            far = after if other < slot else before
            between = (1 - share) * laid[:, other] + share * far[:, other]
            moved.append(np.where(np.isfinite(between), between, laid[:, other]))
        return _median(np.column_stack(moved)) if moved else np.full(self.shape[0], np.nan)

    def blocks(self, values: _Floats) -> _Floats:
        """Return per-turn values as (block, turn in block), padded with NaN."""
        n_blocks = -(-values.size // self.block_turns)
        padded = np.full(n_blocks * self.block_turns, np.nan)
        padded[: values.size] = values
        return padded.reshape(n_blocks, self.block_turns)


def _median(values: _Floats) -> _Floats:
    """Return the median of each row, NaN left out; NaN for a row without values."""
    ordered = np.sort(values, axis=1)  # NaN last
    n = np.isfinite(ordered).sum(axis=1)
    rows = np.arange(len(ordered))
    low, high = ordered[rows, np.maximum(n - 1, 0) // 2], ordered[rows, np.minimum(n // 2, ordered.shape[1] - 1)]
    return np.where(n > 0, (low + high) / 2, np.nan)


def _levels_and_jitters(events: pa.Table, grid: _Grid) -> Iterator[_Row]:
    for column in dict.fromkeys(m.column for m in (*_LEVELS, *_JITTERS)):
        laid = grid.lay(column_values(events, column))
        if (np.isfinite(laid).sum(axis=0) > 0).sum() < 2:
            continue
        moved = [grid.blocks(laid[:, slot] - grid.others(laid, slot)) for slot in range(grid.shape[1])]
        for measure in _LEVELS:
            if measure.column == column:
                yield from _levels(measure, laid, moved)
        for measure in _JITTERS:
            if measure.column == column:
                yield from _jitters(measure, moved)


def _levels(measure: _Measure, laid: _Floats, moved: list[_Floats]) -> Iterator[_Row]:
    for slot, differences in enumerate(moved):
        n = int(np.isfinite(differences).sum())
        if n:
            value = float(np.nanmedian(laid[:, slot]))
            middle = _median(differences)
            difference = float(np.median(middle[np.isfinite(middle)]))
            yield _row(measure, measure.column, slot, middle, n, value=value, others=value - difference)


def _jitters(measure: _Measure, moved: list[_Floats]) -> Iterator[_Row]:
    """Compare spreads block by block, so that speed and noise of the moment are matched too."""
    spreads = np.column_stack([_spread(differences) for differences in moved])
    for slot, differences in enumerate(moved):
        rest = _median(np.delete(spreads, slot, axis=1)) if len(moved) > 1 else np.full(len(spreads), np.nan)
        both = np.isfinite(spreads[:, slot]) & np.isfinite(rest)
        if both.any():
            value, others = float(np.median(spreads[both, slot])), float(np.median(rest[both]))
            n = int(np.isfinite(differences).sum())
            name = f"jitter of {measure.column}"
            yield _row(measure, name, slot, (spreads[:, slot] - rest)[both], n, value=value, others=others)


def _spread(differences: _Floats) -> _Floats:
    """Return the standard deviation each row's median absolute deviation stands for; NaN under 10 values."""
    mad = _median(np.abs(differences - _median(differences)[:, None]))
    return np.where(np.isfinite(differences).sum(axis=1) >= 10, MAD_TO_SIGMA * mad, np.nan)


def _row(measure: _Measure, name: str, slot: int, per_block: _Floats, n: int, *, value: float, others: float) -> _Row:
    per_block = per_block[np.isfinite(per_block)]
    low, high = median_interval(per_block)
    return _Row(
        slot=slot,
        measure=name,
        words=measure.words,
        unit=measure.unit,
        value=value,
        others=others,
        difference=float(np.median(per_block)),
        low=low,
        high=high,
        p=_sign_p(per_block),
        practical=measure.practical(others),
        n_events=n,
    )


def _sign_p(values: _Floats) -> float:
    """Return the exact two-sided p-value of a median of zero (sign test; zeros are left out)."""
    above, below = int((values > 0).sum()), int((values < 0).sum())
    return min(1.0, 2.0 * float(bdtr(min(above, below), above + below, 0.5))) if above + below else 1.0


def _shares(view: EventView) -> Iterator[_Row]:
    """Compare the shares of absent pulses by exact binomial and Poisson methods."""
    for column, words in _SHARES:
        seen = view.command_seen if column == "command_seen" else view.feedback_seen
        for slot in np.unique(view.slot[seen >= 0]):
            own, rest = (seen[mask & (seen >= 0)] for mask in (view.slot == slot, view.slot != slot))
            if not rest.size:
                continue
            absent, absent_rest = int((own == 0).sum()), int((rest == 0).sum())
            others = 1000.0 * absent_rest / rest.size
            low, high = (1000.0 * limit - others for limit in binomial_interval(absent, own.size))
            yield _Row(
                slot=int(slot),
                measure=words,
                words=words,
                unit="per 1,000 events",
                value=1000.0 * absent / own.size,
                others=others,
                difference=1000.0 * absent / own.size - others,
                low=low,
                high=high,
                p=rate_ratio(absent, own.size, absent_rest, rest.size).p_value,
                practical=_SHARE_PRACTICAL,
                n_events=own.size,
            )


def _names(view: EventView) -> dict[int, int | None]:
    """Return the cylinder of each slot, None where it cannot be told."""
    slots, first = np.unique(view.slot, return_index=True)
    return {int(s): int(c) if c >= 0 else None for s, c in zip(slots, view.cylinder[first], strict=True)}


def _table(rows: list[_Row], adjusted: _Floats, names: dict[int, int | None]) -> pa.Table:
    out = []
    for row, p in zip(rows, adjusted, strict=True):
        notable = bool(row.beyond() and p <= FALSE_DISCOVERY_RATE)
        size = abs(row.difference) / row.practical if row.practical > 0 else 0.0
        out.append((not notable, -size, row.measure, row.slot, _cells(row, float(p), names[row.slot], notable)))
    out.sort(key=lambda entry: entry[:4])
    return STANDING.validate(pa.Table.from_pylist([entry[4] for entry in out], schema=STANDING.schema))


def _cells(row: _Row, p: float, cylinder: int | None, notable: bool) -> dict[str, object]:
    limited = bool(np.isfinite(row.low))
    return {
        "cylinder": cylinder,
        "slot": row.slot,
        "measure": row.measure,
        "unit": row.unit,
        "value": row.value,
        "others": row.others,
        "difference": row.difference,
        "low": row.low if limited else None,
        "high": row.high if limited else None,
        "p_adjusted": p,
        "practical": row.practical,
        "notable": notable,
        "n_events": row.n_events,
        "sentence": _sentence(row, cylinder, notable),
    }


def _sentence(row: _Row, cylinder: int | None, notable: bool) -> str:
    who = f"Cylinder {cylinder}" if cylinder is not None else f"The cylinder at place {row.slot} of the cycle"
    low, high = signed(row.low, row.unit), signed(row.high, row.unit)
    limits = f" (95 % interval {low} to {high})" if np.isfinite(row.low) else ""
    doubt = "" if notable else "; no difference that matters could be shown"
    size = with_unit(abs(row.difference), row.unit)
    if row.measure == "timing_residual_deg":
        way = "later" if row.difference > 0 else "earlier"
        return f"{who}: place in the cycle {size} {way} than the others', in crank angle{limits}{doubt}."
    way = "above" if row.difference > 0 else "below"
    value, others = with_unit(row.value, row.unit), with_unit(row.others, row.unit)
    return f"{who}: {row.words} {value}, {size} {way} the others' {others}{limits}{doubt}."
