"""Suspects that belong together become one incident.

Distances are engine cycles, not seconds, so that a burst at idle and one at full speed are held together alike.
Two suspects are linked only where chance would hardly have put them so close: the ones with a low false-alarm
rate seed an incident, milder ones may only join one, and cylinders are linked with each other only where most of
their coincidences cannot be chance. Common practice, no source, except where a formula is given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from miner.engine.setup import Setup
from miner.events.rows import Rows
from miner.events.views import EventViews
from miner.schema import INCIDENTS
from miner.suspects.diagnosis import point
from miner.suspects.evidence import FAMILY_OF_KIND, Struck, collect_evidence

__all__ = ["BURST_CYCLES", "CORE_RATE_PER_HOUR", "LISTED_RATE_PER_HOUR", "MOMENT_CYCLES", "group_incidents"]

CORE_RATE_PER_HOUR = 1.0
"""Suspects at most this often seen on a healthy engine can seed and chain an incident."""

LISTED_RATE_PER_HOUR = 10.0
"""Milder suspects up to here are an incident of their own when they join none; still milder ones have none."""

BURST_CYCLES = 50.0
"""Largest distance between neighbours of one burst on one coil: same kind of trouble, same cylinder."""

MOMENT_CYCLES = 2.0
"""Largest distance of suspects that share one moment, whatever their kind or cylinder."""

ADJACENT_CYCLES = 1.25
"""A mild suspect joins the one a cycle away at most; the quarter is for speed that changes within the cycle."""

CHANCE_LINKS = 0.1
"""Cylinders are linked where at most one in ten of their coincidences would be chance."""

CHANCE_JOIN = 0.01
"""A mild suspect joins where a healthy engine would put one so mild so close in at most one case of a hundred."""

_FOLLOWS_FROM_OTHERS = ("uneven_interval", "supply_sag", "unusual")
"""Kinds that are often the neighbours' answer to somebody else's fault."""

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class _Suspects:
    """What linking looks at, one entry per suspect in the order of the list."""

    clock: _Floats  # engine cycles since the first event
    cycle_s: NDArray[np.float32]  # length of the engine cycle there
    slot: NDArray[np.int16]
    rate: _Floats  # false alarms per hour
    family: NDArray[np.str_]
    kind: NDArray[np.str_]
    span: float  # cycles in the recording


def group_incidents(suspects: pa.Table, events: Rows, setup: Setup) -> tuple[pa.Table, pa.Table]:
    """Give each suspect its incident, and describe the incidents.

    Parameters
    ----------
    suspects : SUSPECTS table
        Worst first; ``incident_id`` is filled in, other columns are handed on.
    events : EVENTS table
        All events of the recording, in time order.
    setup : Setup
        Engine and leads.

    Returns
    -------
    suspects : SUSPECTS table
        ``incident_id`` is null for suspects that are listed only to fill the list: seen more than
        `LISTED_RATE_PER_HOUR` times in a healthy hour, and next to no worse one.
    incidents : INCIDENTS table
        Incident 1 holds the suspect of best rank.
    """
    if suspects.num_rows == 0:
        return suspects, INCIDENTS.empty()
    views = EventViews(events, setup)
    rows = views.rows_of(suspects["event_id"].to_numpy())
    kinds = np.asarray(suspects["kind"].to_pylist(), dtype=np.str_)
    struck = Struck(rows=rows, view=views.take(rows), kinds=kinds)
    linked = _link(_suspects(suspects, struck, views.n_cycles))
    numbers = _number(linked, suspects["rank"].to_numpy())
    numbered = suspects.set_column(
        suspects.column_names.index("incident_id"), "incident_id", pa.array(numbers, pa.int64(), mask=numbers == 0)
    )
    return numbered, _describe(numbered, numbers, struck, views, setup)


def _suspects(suspects: pa.Table, struck: Struck, n_cycles: float) -> _Suspects:
    return _Suspects(
        clock=struck.view.clock,
        cycle_s=struck.view.cycle_s,
        slot=struck.view.slot,
        rate=suspects["false_alarms_per_hour"].to_numpy(),
        family=np.asarray([FAMILY_OF_KIND[k] for k in struck.kinds], dtype=np.str_),
        kind=struck.kinds,
        span=max(n_cycles, 1.0),
    )


def _link(s: _Suspects) -> _Ints:
    """Return a label per suspect, the same for those that belong together, -1 for those in no incident."""
    core = np.flatnonzero(s.rate <= CORE_RATE_PER_HOUR)
    mild = np.flatnonzero(s.rate > CORE_RATE_PER_HOUR)
    listed = mild[s.rate[mild] <= LISTED_RATE_PER_HOUR]
    joins = _mild_joins(s, core, mild)
    links = [*_bursts(s, core, BURST_CYCLES), *_moments(s, core), *_bursts(s, listed, MOMENT_CYCLES), joins]
    pairs = np.concatenate([np.empty((0, 2), dtype=np.int64), *links])
    n = s.rate.size
    graph = coo_array((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    _, labels = connected_components(graph, directed=False)
    alone = s.rate > LISTED_RATE_PER_HOUR
    alone[joins[:, 0]] = False
    return np.where(alone, -1, labels).astype(np.int64)


def _bursts(s: _Suspects, members: _Ints, reach: float) -> list[_Ints]:
    """Link neighbours on one coil: of one family within ``reach``, of any kind within a moment."""
    links: list[_Ints] = []
    for slot in np.unique(s.slot[members]):
        own = members[s.slot[members] == slot]
        links += [_chain(s, own[s.family[own] == family], reach) for family in np.unique(s.family[own])]
        links += [_chain(s, own, MOMENT_CYCLES)] if reach > MOMENT_CYCLES else []
    return links


def _chain(s: _Suspects, members: _Ints, reach: float) -> _Ints:
    ordered = members[np.argsort(s.clock[members], kind="stable")]
    near = np.diff(s.clock[ordered]) <= reach
    return np.column_stack([ordered[:-1][near], ordered[1:][near]])


def _moments(s: _Suspects, core: _Ints) -> list[_Ints]:
    """Link cylinders that are struck at the same moment more often than chance would have it."""
    by_slot = [core[s.slot[core] == slot] for slot in np.unique(s.slot[core])]
    by_slot = [own[np.argsort(s.clock[own], kind="stable")] for own in by_slot]
    links = []
    for i, one in enumerate(by_slot):
        for other in by_slot[i + 1 :]:
            few, many = sorted((one, other), key=len)
            pairs = _nearest(s.clock, few, many, MOMENT_CYCLES)
            if len(pairs) and _beyond_chance(s, few, many, pairs):
                links.append(pairs)
    return links


def _beyond_chance(s: _Suspects, few: _Ints, many: _Ints, pairs: _Ints) -> bool:
    """Say whether chance explains at most `CHANCE_LINKS` of the coincidences of two cylinders.

    Bursts of the one cylinder are counted, and chance is the share of the recording in reach of the other's
    suspects: a cylinder that is in trouble all the time coincides with everything.
    """
    clock = s.clock[few]
    burst = np.concatenate([[0], np.cumsum(np.diff(clock) > MOMENT_CYCLES)])
    struck = np.unique(burst[np.isin(few, pairs[:, 0])]).size
    reach = np.minimum(np.diff(s.clock[many]), 2 * MOMENT_CYCLES).sum() + 2 * MOMENT_CYCLES
    expected = (burst[-1] + 1) * min(float(reach) / s.span, 1.0)
    return bool(expected <= CHANCE_LINKS * struck)


def _nearest(clock: _Floats, members: _Ints, targets: _Ints, reach: float) -> _Ints:
    """Pair each member with the nearest target within ``reach`` cycles; targets are in time order."""
    if not (members.size and targets.size):
        return np.empty((0, 2), dtype=np.int64)
    after = np.searchsorted(clock[targets], clock[members]).clip(0, targets.size - 1)
    before = (after - 1).clip(0)
    gap_after, gap_before = (np.abs(clock[targets[k]] - clock[members]) for k in (after, before))
    best = np.where(gap_before <= gap_after, before, after)
    near = np.minimum(gap_before, gap_after) <= reach
    return np.column_stack([members[near], targets[best[near]]])


def _mild_joins(s: _Suspects, core: _Ints, mild: _Ints) -> _Ints:
    """Pair mild suspects with the core suspect they are next to; each joins one and brings nobody along."""
    ordered = core[np.argsort(s.clock[core], kind="stable")]
    unlikely = mild[s.rate[mild] * 2 * ADJACENT_CYCLES * s.cycle_s[mild] / 3600.0 <= CHANCE_JOIN]
    pairs = []
    for slot in np.unique(s.slot[unlikely]):
        own = unlikely[s.slot[unlikely] == slot]
        for family in np.unique(s.family[own]):
            fits = ordered[(s.slot[ordered] == slot) & (s.family[ordered] == family)]
            pairs.append(_nearest(s.clock, own[s.family[own] == family], fits, ADJACENT_CYCLES))
    answers = unlikely[np.isin(s.kind[unlikely], _FOLLOWS_FROM_OTHERS)]
    pairs.append(_nearest(s.clock, answers, ordered, ADJACENT_CYCLES))
    joined = np.concatenate(pairs)
    _, first = np.unique(joined[:, 0], return_index=True)
    return joined[np.sort(first)]


def _number(labels: _Ints, ranks: _Ints) -> _Ints:
    """Return group numbers 1, 2, ... by the rank of their best suspect; 0 for suspects in none."""
    numbers = np.zeros_like(labels)
    seen: dict[int, int] = {}
    for row in np.argsort(ranks, kind="stable"):
        if labels[row] >= 0:
            numbers[row] = seen.setdefault(int(labels[row]), len(seen) + 1)
    return numbers


def _describe(suspects: pa.Table, numbers: _Ints, struck: Struck, views: EventViews, setup: Setup) -> pa.Table:
    rates, ranks = suspects["false_alarms_per_hour"].to_numpy(), suspects["rank"].to_numpy()
    order = np.argsort(struck.rows, kind="stable")
    listed = struck.take(order[rates[order] <= LISTED_RATE_PER_HOUR])
    order = np.argsort(numbers, kind="stable")
    groups = [group for group in np.split(order, np.flatnonzero(np.diff(numbers[order])) + 1) if numbers[group[0]]]
    groups.sort(key=lambda group: struck.rows[group].min())  # neighbours look at the same pieces
    out: dict[int, dict[str, object]] = {}
    for group in groups:
        evidence = collect_evidence(views, struck.take(group), listed, setup)
        pointer = point(evidence)
        best = group[np.argmin(ranks[group])]
        out[int(numbers[best])] = {
            "incident_id": int(numbers[best]),
            "start_s": evidence.start_s,
            "end_s": evidence.end_s,
            "n_events": len(group),
            "cylinders": list(evidence.cylinders),
            "kinds": list(evidence.kinds),
            "false_alarms_per_hour": float(rates[best]),
            "best_rank": int(ranks[best]),
            "sentence": evidence.sentence(),
            "circuit": pointer.circuit,
            "evidence_for": pointer.evidence_for,
            "evidence_against": pointer.evidence_against,
            "next_test": pointer.next_test,
            "codes": list(pointer.codes),
        }
    return INCIDENTS.validate(pa.Table.from_pylist([out[number] for number in sorted(out)], schema=INCIDENTS.schema))
