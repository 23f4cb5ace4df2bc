"""When does it happen: suspects against speed, supply, time since start, operating state, cylinder and time.

The rate in each band is compared with the rest of the recording by the exact conditional test of two Poisson rates
(`rate_ratio`), exposure being the events that were due; the p-values of all bands and kinds together are adjusted
for false discoveries. Where bands have an order, the range of bands that suspects crowd in most is looked for as
well (`scan_ranges`) and adjusted for with its likes. Suspects of one burst are one occurrence (runs declustering:
Smith and Weissman, J. R. Statist. Soc. B 56, 1994, 515-528; from memory), or a single burst would prove any band it
happened to fall in.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.events.rows import Rows
from miner.events.views import EventView, EventViews
from miner.questions.exact import RateRatio, adjust_benjamini_hochberg, rate_ratio
from miner.questions.repetition import describe_repetition
from miner.questions.scan import scan_ranges
from miner.questions.survey import (
    FAMILY_PREFIX,
    Condition,
    Survey,
    duration_words,
    first_start_words,
    leads_for,
    recorded_for_kind,
    survey_conditions,
)
from miner.schema import CONDITIONS, KINDS
from miner.suspects.evidence import FAMILY_OF_KIND
from miner.words import kind_name

__all__ = ["SAME_OCCURRENCE_CYCLES", "find_conditions"]

SAME_OCCURRENCE_CYCLES = 10.0
"""Suspects of one kind on one coil nearer than this to the one before belong to the same occurrence."""

FALSE_DISCOVERY_RATE = 0.05
"""Share of the bands named that chance may have put there (the usual level, no other reason)."""
MIN_OCCURRENCES = 3
"""Fewer in a band are no pattern, however rarely the band was visited."""

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]
_Bools = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class _Tested:
    """One band of one condition for one kind, or a range of bands (then ``p_value`` is the scan's)."""

    kind: str
    condition: Condition
    first: int
    last: int
    is_range: bool
    n_suspects: int
    n_occurrences: int
    n_all: int
    exposure: tuple[float, float, float, float]  # events and seconds in the band, and in all bands
    ratio: RateRatio
    p_value: float


def find_conditions(
    events: Rows, suspects: pa.Table, setup: Setup, *, max_false_alarms_per_hour: float = 1.0, seed: int = 0
) -> tuple[pa.Table, list[str]]:
    """Say in which conditions suspects are more frequent than elsewhere.

    Parameters
    ----------
    events, suspects : EVENTS and SUSPECTS tables
    setup : Setup
        Engine and leads.
    max_false_alarms_per_hour : float, default=1.0
        Milder suspects are left out: most of them would be chance.
    seed : int, default=0
        Of the draws of the scan and of the clustering test.

    Returns
    -------
    conditions : CONDITIONS table
        Every band that was tested, kind by kind, and the most crowded ranges; `notable` ones first.
    sentences : list of str
        The notable ranges, states and cylinders in plain words, and what is known of repetition in time.
    """
    if events.num_rows == 0:
        return CONDITIONS.empty(), []
    chosen = suspects["false_alarms_per_hour"].to_numpy() <= max_false_alarms_per_hour
    views = EventViews(events, setup)
    rows = views.rows_of(suspects["event_id"].to_numpy()[chosen])
    kinds = np.asarray(suspects["kind"].to_pylist(), dtype=np.str_)[chosen]
    survey = survey_conditions(views, rows, setup)
    names = ("all", *_families(kinds), *KINDS)
    tested = [t for kind in names for t in _test_kind(kind, survey, kinds, seed)]
    adjusted = _adjust(tested)
    first = _first_of_moment(survey.struck)
    again = describe_repetition(survey.running_s[first], survey.total_s, seed=seed)
    return _table(tested, adjusted), _sentences(tested, adjusted) + again


def _families(kinds: NDArray[np.str_]) -> list[str]:
    """Return the families of which several kinds are among the suspects: one bad contact shows as all of them."""
    present: dict[str, set[str]] = {}
    for kind in np.unique(kinds).tolist():
        present.setdefault(FAMILY_OF_KIND[kind], set()).add(kind)
    return [f"{FAMILY_PREFIX}{family}" for family, own in present.items() if len(own) > 1]


def _family(kinds: NDArray[np.str_]) -> NDArray[np.str_]:
    return np.array([f"{FAMILY_PREFIX}{FAMILY_OF_KIND[kind]}" for kind in kinds.tolist()], dtype=np.str_)


def _first_of_occurrence(struck: EventView, kinds: NDArray[np.str_]) -> _Bools:
    """Return which suspects begin an occurrence: none of their kind on their coil shortly before."""
    first = np.zeros(kinds.size, dtype=np.bool_)
    order = np.lexsort((struck.clock, kinds, struck.slot))
    same = (np.diff(struck.slot[order]) == 0) & (kinds[order][1:] == kinds[order][:-1])
    near = np.diff(struck.clock[order]) <= SAME_OCCURRENCE_CYCLES
    first[order] = np.concatenate([[True], ~(same & near)])[: kinds.size]
    return first


def _first_of_moment(struck: EventView) -> _Bools:
    """Return which suspects, of any kind and cylinder, begin an occurrence."""
    first = np.zeros(struck.clock.size, dtype=np.bool_)
    order = np.argsort(struck.clock, kind="stable")
    first[order] = np.concatenate([[True], np.diff(struck.clock[order]) > SAME_OCCURRENCE_CYCLES])[: order.size]
    return first


def _test_kind(kind: str, survey: Survey, kinds: NDArray[np.str_], seed: int) -> Iterator[_Tested]:
    if kind.startswith(FAMILY_PREFIX):
        kinds = _family(kinds)
    own = np.flatnonzero((kinds == kind) | (kind == "all"))
    if kind != "all" and own.size == kinds.size:
        return  # the same as 'all'
    struck = survey.struck.take(own)
    moments = _first_of_moment(struck)
    per_coil = _first_of_occurrence(struck, kinds[own])
    for condition in survey.conditions:
        if kind == "supply_sag" and condition.name == "supply":
            continue  # low supply at low supply tells nothing
        if kind == "all" and condition.name == "cylinder" and not survey.equally_recorded:
            continue  # a cylinder with more leads has more kinds to show
        first = per_coil if condition.name == "cylinder" else moments
        could = recorded_for_kind(struck)[leads_for(kind)]
        yield from _test_condition(kind, condition, condition.band[own], could, first, seed)


def _test_condition(
    kind: str, condition: Condition, bands: NDArray[np.int16], could: _Bools, first: _Bools, seed: int
) -> Iterator[_Tested]:
    known = could & (bands >= 0)
    if int((known & first).sum()) < MIN_OCCURRENCES or len(condition.words) < 2:
        return
    exposure = condition.exposure[leads_for(kind)]
    counts = [np.bincount(bands[some], minlength=exposure.shape[1]) for some in (known, known & first)]
    tally: _Floats = np.vstack([*counts, exposure]).astype(np.float64)
    for band in condition.words:
        if 0 < tally[2, band] < tally[2].sum():
            yield _test_bands(kind, condition, tally, band, band)
    if condition.ordered:
        crowd = scan_ranges(tally[1].astype(np.int64), tally[2], seed=seed)
        if crowd is not None:
            yield _test_bands(kind, condition, tally, crowd.start, crowd.stop - 1, scan_p=crowd.p_value)


def _test_bands(
    kind: str, condition: Condition, tally: _Floats, first: int, last: int, *, scan_p: float | None = None
) -> _Tested:
    n_suspects, inside, events, seconds = tally[:, first : last + 1].sum(axis=1)
    _, n_all, all_events, all_seconds = tally.sum(axis=1)
    ratio = rate_ratio(int(inside), float(events), int(n_all - inside), float(all_events - events))
    return _Tested(
        kind=kind,
        condition=condition,
        first=first,
        last=last,
        is_range=scan_p is not None,
        n_suspects=int(n_suspects),
        n_occurrences=int(inside),
        n_all=int(n_all),
        exposure=(float(events), float(seconds), float(all_events), float(all_seconds)),
        ratio=ratio,
        p_value=ratio.p_value if scan_p is None else scan_p,
    )


def _adjust(tested: list[_Tested]) -> _Floats:
    """Adjust the p-values of bands among themselves, and those of ranges, which look at the same data again."""
    p, is_range = np.array([t.p_value for t in tested]), np.array([t.is_range for t in tested], dtype=np.bool_)
    out = np.empty(len(tested), dtype=np.float64)
    for group in (is_range, ~is_range):
        out[group] = adjust_benjamini_hochberg(p[group])
    return out


def _notable(t: _Tested, adjusted: float) -> bool:
    return adjusted <= FALSE_DISCOVERY_RATE and t.ratio.low > 1.0 and t.n_occurrences >= MIN_OCCURRENCES


def _table(tested: list[_Tested], adjusted: _Floats) -> pa.Table:
    cells = [_cells(t, float(p)) for t, p in zip(tested, adjusted, strict=True)]
    cells.sort(key=lambda row: not row["notable"])
    return CONDITIONS.validate(pa.Table.from_pylist(cells, schema=CONDITIONS.schema))


def _cells(t: _Tested, adjusted: float) -> dict[str, object]:
    low, high = _edges(t)
    events, seconds, all_events, all_seconds = t.exposure
    return {
        "kind": t.kind,
        "condition": f"{t.condition.name} range" if t.is_range else t.condition.name,
        "band": _where(t) if t.is_range else t.condition.words[t.first],
        "low": low,
        "high": high if high is None or np.isfinite(high) else None,
        "n_suspects": t.n_suspects,
        "n_occurrences": t.n_occurrences,
        "n_occurrences_all": t.n_all,
        "n_events": int(events),
        "events_pct": 100.0 * events / all_events,
        "time_pct": 100.0 * seconds / all_seconds if all_seconds else 0.0,
        "rate_ratio": t.ratio.ratio,
        "ratio_low": t.ratio.low,
        "ratio_high": t.ratio.high,
        "p_value": t.p_value,
        "p_adjusted": adjusted,
        "notable": _notable(t, adjusted),
    }


def _edges(t: _Tested) -> tuple[float | None, float | None]:
    """Return the lower edge of the first band and the upper edge of the last; None for bands without edges."""
    edges = t.condition.edges
    return (edges[t.first][0], edges[t.last][1]) if t.condition.ordered else (None, None)


def _sentences(tested: list[_Tested], adjusted: _Floats) -> list[str]:
    return [
        _sentence(t)
        for t, p in zip(tested, adjusted, strict=True)
        if _notable(t, float(p)) and t.is_range == t.condition.ordered
    ]


def _sentence(t: _Tested) -> str:
    events, seconds, all_events, all_seconds = t.exposure
    often = "only there" if t.n_occurrences == t.n_all else f"{_figure(t.ratio.ratio)} times as often as elsewhere"
    what = "occurrences" if t.kind == "all" else f"occurrences of '{kind_name(t.kind)}'"
    if t.kind.startswith(FAMILY_PREFIX):
        what = f"occurrences of any trouble with the {t.kind.removeprefix(FAMILY_PREFIX)}"
    exposure = (
        f"with {100 * events / all_events:.2g} % of all events"
        if t.condition.name == "cylinder"
        else f"where the engine spent {100 * seconds / max(all_seconds, 1e-9):.2g} % of the time"
    )
    return (
        f"{number_words(t.n_occurrences).capitalize()} of {number_words(t.n_all)} {what} {_where(t)}, {exposure}: "
        f"{often} (exact 95 % interval {_limit(t.ratio.low)} to {_limit(t.ratio.high)})."
    )


def _where(t: _Tested) -> str:
    low, high = _edges(t)
    match t.condition.name:
        case "speed":
            return f"between {low:,.0f} and {high:,.0f} rpm"
        case "supply":
            return f"at {low:.1f} to {high:.1f} V supply"
        case "operating state":
            return f"while {t.condition.words[t.first]}"
        case "cylinder":
            return f"on {t.condition.words[t.first]}"
        case "time since first start":
            return first_start_words(low or 0.0, np.inf if high is None else high)
        case _:
            return duration_words(low or 0.0, np.inf if high is None else high)


def _limit(value: float) -> str:
    return _figure(value) if np.isfinite(value) else "no upper limit"


def _figure(value: float) -> str:
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"


_NUMBERS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip


def number_words(n: int) -> str:
    """Return small numbers as words, larger ones with thousands separators."""
    return _NUMBERS[n] if n < len(_NUMBERS) else f"{n:,}"
