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
from miner.schema import CONDITIONS, KINDS, OPERATING_STATES
from miner.suspicion.evidence import FAMILY_OF_KIND, KIND_WORDS, EventView, view_events
from miner.suspicion.exact import RateRatio, adjust_benjamini_hochberg, rate_ratio
from miner.suspicion.repetition import describe_repetition
from miner.suspicion.rows import Rows
from miner.suspicion.scan import scan_ranges

__all__ = ["SAME_OCCURRENCE_CYCLES", "find_conditions"]

SAME_OCCURRENCE_CYCLES = 10.0
"""Suspects of one kind on one coil nearer than this to the one before belong to the same occurrence."""

FALSE_DISCOVERY_RATE = 0.05
MIN_OCCURRENCES = 3
"""Fewer in a band are no pattern, however rarely the band was visited."""

SPEED_BAND_RPM = 200.0
SUPPLY_BAND_V = 0.5
MOST_BANDS = 1000
SINCE_START_S = (0.0, 5.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 2400.0, 4800.0, np.inf)
"""Band edges: common practice, no source."""

BLOCK_EVENTS = 1 << 18
"""Events whose exposure is added up at a time."""

STOP_S = 2.0
"""A pause between events longer than this (and than any cycle) is a stop; the next event starts the clock anew."""

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]
_Bools = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class _Condition:
    """One condition: the band of every event (-1: not known), and each band's words and edges."""

    name: str
    band: NDArray[np.int16]
    words: dict[int, str]
    edges: dict[int, tuple[float, float]]
    ordered: bool
    unit: str = ""


@dataclass(frozen=True, kw_only=True)
class _Tested:
    """One band of one condition for one kind, or a range of bands (then ``p_value`` is the scan's)."""

    kind: str
    condition: _Condition
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
    view = view_events(events, setup)
    chosen = suspects["false_alarms_per_hour"].to_numpy() <= max_false_alarms_per_hour
    rows = view.rows_of(suspects["event_id"].to_numpy()[chosen])
    kinds = np.asarray(suspects["kind"].to_pylist(), dtype=np.str_)[chosen]
    conditions = list(_conditions(view))
    step_s = _running_time(view)
    tested = [t for kind in ("all", *KINDS) for t in _test_kind(kind, view, rows, kinds, conditions, step_s, seed)]
    adjusted = _adjust(tested)
    first = rows[_first_of_moment(view, rows)]
    again = describe_repetition(view.time_s[first], view.time_s, step_s, seed=seed)
    return _table(tested, adjusted), _sentences(tested, adjusted) + again


def _running_time(view: EventView) -> NDArray[np.float32]:
    """Return the running time each event stands for, s: up to the next event, stops left out."""
    step = np.append(view.steps_s(), np.float32(0.0))
    step[:-1][_is_stop(view)] = 0.0
    return step


def _is_stop(view: EventView) -> _Bools:
    """Return which steps from one event to the next are stops, shape (n_events - 1,)."""
    step_s = view.steps_s()
    return np.asarray((step_s > STOP_S) & (step_s > 2.0 * view.cycle_s[1:]))


def _conditions(view: EventView) -> Iterator[_Condition]:
    yield _banded("speed", view.rpm, SPEED_BAND_RPM, "rpm", "{low:,.0f} to {high:,.0f} rpm")
    yield _banded("supply", view.supply_v, SUPPLY_BAND_V, "V", "{low:.1f} to {high:.1f} V supply")
    yield _since_start(view)
    states = {k: name for k, name in enumerate(OPERATING_STATES) if name != "unknown"}
    code = np.where(view.state == OPERATING_STATES.index("unknown"), -1, view.state).astype(np.int16)
    yield _Condition(name="operating state", band=code, words=states, edges={}, ordered=False)
    cylinders = {int(c): f"cylinder {c}" for c in np.unique(view.cylinder) if c >= 0}
    yield _Condition(name="cylinder", band=view.cylinder, words=cylinders, edges={}, ordered=False)


def _banded(name: str, values: NDArray[np.float32], width: float, unit: str, words: str) -> _Condition:
    band = np.full(values.size, -1, dtype=np.int16)
    for first in range(0, values.size, BLOCK_EVENTS):
        some = values[first : first + BLOCK_EVENTS]
        known = np.isfinite(some)
        band[first : first + BLOCK_EVENTS][known] = np.clip(np.floor(some[known] / width), 0, MOST_BANDS)
    edges = {int(k): (k * width, (k + 1) * width) for k in np.unique(band) if k >= 0}
    named = {k: words.format(low=low, high=high) for k, (low, high) in edges.items()}
    return _Condition(name=name, band=band, words=named, edges=edges, ordered=True, unit=unit)


def _since_start(view: EventView) -> _Condition:
    """Return bands of the time since the engine last started; the recording's begin counts as a start."""
    since = np.full_like(view.time_s, view.time_s[0])
    first = 1 + np.flatnonzero(_is_stop(view))
    since[first] = view.time_s[first]
    np.maximum.accumulate(since, out=since)
    np.subtract(view.time_s, since, out=since)
    band = np.zeros(since.size, dtype=np.int16)
    for edge in SINCE_START_S[1:]:
        band += since >= edge
    edges = {int(k): (SINCE_START_S[k], SINCE_START_S[k + 1]) for k in np.unique(band)}
    words = {k: _duration_words(low, high) for k, (low, high) in edges.items()}
    return _Condition(name="time since start", band=band, words=words, edges=edges, ordered=True, unit="s")


def _duration_words(low: float, high: float) -> str:
    return f"{low:,.0f} to {high:,.0f} s after a start" if np.isfinite(high) else f"over {low:,.0f} s after a start"


def _first_of_occurrence(view: EventView, rows: _Ints, kinds: NDArray[np.str_]) -> _Bools:
    """Return which suspects begin an occurrence: none of their kind on their coil shortly before."""
    first = np.zeros(rows.size, dtype=np.bool_)
    order = np.lexsort((rows, kinds, view.slot[rows]))
    same = (np.diff(view.slot[rows[order]]) == 0) & (kinds[order][1:] == kinds[order][:-1])
    near = np.diff(view.clock[rows[order]]) <= SAME_OCCURRENCE_CYCLES
    first[order] = np.concatenate([[True], ~(same & near)])[: rows.size]
    return first


def _first_of_moment(view: EventView, rows: _Ints) -> _Bools:
    """Return which suspects, of any kind and cylinder, begin an occurrence."""
    first = np.zeros(rows.size, dtype=np.bool_)
    order = np.argsort(rows, kind="stable")
    first[order] = np.concatenate([[True], np.diff(view.clock[rows[order]]) > SAME_OCCURRENCE_CYCLES])[: rows.size]
    return first


def _test_kind(
    kind: str,
    view: EventView,
    rows: _Ints,
    kinds: NDArray[np.str_],
    conditions: list[_Condition],
    step_s: NDArray[np.float32],
    seed: int,
) -> Iterator[_Tested]:
    own = rows if kind == "all" else rows[kinds == kind]
    own_kinds = kinds if kind == "all" else kinds[kinds == kind]
    if kind != "all" and len(own) == len(rows):
        return  # the same as 'all'
    could = _could_show(kind, view)
    moments = _first_of_moment(view, own)
    per_coil = _first_of_occurrence(view, own, own_kinds)
    for condition in conditions:
        if kind == "supply_sag" and condition.name == "supply":
            continue  # low supply at low supply tells nothing
        if kind == "all" and condition.name == "cylinder" and not _equally_recorded(view):
            continue  # a cylinder with more leads has more kinds to show
        first = per_coil if condition.name == "cylinder" else moments
        yield from _test_condition(kind, condition, could, own, own[first], step_s, seed)


def _could_show(kind: str, view: EventView) -> _Bools:
    """Return the events whose leads could have shown a kind: the exposure."""
    command, feedback = view.command_seen >= 0, view.feedback_seen >= 0
    if kind in ("late_feedback", "early_feedback"):
        return np.asarray(command & feedback)
    match FAMILY_OF_KIND.get(kind):
        case "command" | "shape":
            return command
        case "feedback":
            return feedback
        case _:
            return np.asarray(command | feedback)


def _equally_recorded(view: EventView) -> bool:
    """Say whether every coil has the same leads."""
    leads = {
        (bool((view.command_seen[own] >= 0).any()), bool((view.feedback_seen[own] >= 0).any()))
        for own in (view.slot == slot for slot in np.unique(view.slot))
    }
    return len(leads) == 1


def _test_condition(
    kind: str,
    condition: _Condition,
    could: _Bools,
    suspects: _Ints,
    occurrences: _Ints,
    step_s: NDArray[np.float32],
    seed: int,
) -> Iterator[_Tested]:
    known = could & (condition.band >= 0)
    if int(known[occurrences].sum()) < MIN_OCCURRENCES or len(condition.words) < 2:
        return
    size = max(condition.words) + 1
    exposure = np.zeros((2, size))
    for first in range(0, known.size, BLOCK_EVENTS):
        some = slice(first, first + BLOCK_EVENTS)
        bands = condition.band[some][known[some]]
        exposure[0] += np.bincount(bands, minlength=size)
        exposure[1] += np.bincount(bands, weights=step_s[some][known[some]], minlength=size)
    tally: _Floats = np.vstack([
        np.bincount(condition.band[suspects][known[suspects]], minlength=size),
        np.bincount(condition.band[occurrences][known[occurrences]], minlength=size),
        exposure,
    ]).astype(np.float64)  # fmt: skip
    for band in condition.words:
        if 0 < tally[2, band] < tally[2].sum():
            yield _test_bands(kind, condition, tally, band, band)
    if condition.ordered:
        crowd = scan_ranges(tally[1].astype(np.int64), tally[2], seed=seed)
        if crowd is not None:
            yield _test_bands(kind, condition, tally, crowd.start, crowd.stop - 1, scan_p=crowd.p_value)


def _test_bands(
    kind: str, condition: _Condition, tally: _Floats, first: int, last: int, *, scan_p: float | None = None
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
    what = "occurrences" if t.kind == "all" else f"occurrences of '{KIND_WORDS[t.kind]}'"
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
        case _:
            return _duration_words(low or 0.0, np.inf if high is None else high)


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
