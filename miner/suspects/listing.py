"""The suspects table: one kind and one sentence for each listed event."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.events.columns import column_values, seen_values
from miner.expected.context import Context
from miner.expected.measures import CAUSAL_ORDER, measured_values
from miner.rarity.judge import Judgement
from miner.schema import SUSPECTS
from miner.suspects.reasons import Finding, explain

__all__ = ["kinds_of", "list_suspects"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REALLY_ODD = 0.4
"""Of several odd measures of one event, those of at least this share of the largest distance may name it."""

NAMING_SIGMA = 3.5
"""And none below this, unless it is the largest (the limit of Iglewicz and Hoaglin for a possible outlier)."""


@dataclass(frozen=True, kw_only=True)
class _Named:
    kind: str
    distance: int  # index of the deciding distance, -1 for a count


def list_suspects(rows: Ints, events: pa.Table, judged: Judgement) -> pa.Table:
    """Return the SUSPECTS table (``incident_id`` still null) of ``rows``, worst first."""
    context = judged.context
    picked = events.take(pa.array(rows))
    named = [_name(row, judged) for row in rows.tolist()]
    findings = _findings(rows, named, events, judged)
    log_rate = judged.log_rate[rows]
    time_s, cycle_s = context.time_s[rows], context.cycle_s[rows]
    pulse_us = np.fmax(column_values(picked, "on_time_us"), column_values(picked, "delay_us"))
    measures = [judged.distances[n.distance].measure.column if n.distance >= 0 else None for n in named]
    columns = {
        "rank": pa.array(np.arange(1, rows.size + 1)),
        "event_id": picked["event_id"],
        "time_s": picked["time_s"],
        "cylinder": picked["cylinder"],
        "kind": pa.array([n.kind for n in named], pa.string()),
        "score": pa.array(-log_rate / np.log(10.0)),
        "false_alarms_per_hour": pa.array(np.exp(log_rate)),
        "reason": pa.array([explain(f) for f in findings], pa.string()),
        "incident_id": pa.nulls(rows.size, pa.int64()),
        "window_start_s": pa.array(np.maximum(time_s - cycle_s, 0.0)),
        "window_end_s": pa.array(time_s + cycle_s + 1e-6 * np.nan_to_num(pulse_us)),
        "measured": _nullable([f.measured for f in findings]),
        "usual": _nullable([f.usual for f in findings]),
        "distance_sigma": _nullable([f.sigmas for f in findings]),
        "measure": pa.array(measures, pa.string()),
    }
    return SUSPECTS.validate(pa.table(columns))


def kinds_of(rows: Ints, judged: Judgement) -> list[str]:
    """Return what each of some events is called, as the list has it."""
    return [_name(row, judged).kind for row in rows.tolist()]


def _nullable(values: list[float]) -> pa.Array:
    array = np.array(values, dtype=np.float64)
    return pa.array(array, mask=~np.isfinite(array))


def _name(row: int, judged: Judgement) -> _Named:
    """Return what one event is called.

    An absent pulse has nothing else to measure. A pulse too many names the event if it is rarer than any distance.
    Then the first kind in causal order whose distance is a fair share of the largest, a sag also where it is rare by
    itself (no lead is measured as well as an on-time); a mixture only where it speaks loudest.
    """
    counts = {c.kind: float(np.log(c.rate[row])) for c in judged.counted if np.isfinite(c.rate[row])}
    absent = [kind for kind in counts if kind.startswith("absent")]
    rates = judged.by_channel[:, row]
    loudest = int(rates.argmin()) if rates.size else -1
    if absent:
        return _Named(kind=min(absent, key=CAUSAL_ORDER.index), distance=-1)
    if counts and (loudest < 0 or min(counts.values()) <= float(rates[loudest])):
        return _Named(kind="extra_pulse", distance=-1)
    places = {id(d.measure): at for at, d in enumerate(judged.distances)}
    z = [float(np.nan_to_num(d.z[row])) for d in judged.distances]
    if loudest < 0 or judged.channels[loudest].measure is None:
        return _Named(kind="unusual", distance=max(range(len(z)), key=lambda at: abs(z[at]), default=-1))
    odd = [
        (channel.kind, places[id(channel.measure)], channel.sign * z[places[id(channel.measure)]], rate)
        for channel, rate in zip(judged.channels, rates, strict=True)
        if channel.measure is not None and np.isfinite(rate)
    ]
    largest = max(size for _, _, size, _ in odd)
    least = max(REALLY_ODD * largest, min(largest, NAMING_SIGMA))
    named = [one for one in odd if one[2] >= least or (one[0] == "supply_sag" and one[3] <= 0.0)]
    kind, at, *_ = min(named, key=lambda one: (CAUSAL_ORDER.index(one[0]), -one[2]))
    return _Named(kind=kind, distance=at)


def _findings(rows: Ints, named: list[_Named], events: pa.Table, judged: Judgement) -> list[Finding]:
    context = judged.context
    usual = [d.usual_in_unit(rows) for d in judged.distances]
    measured = [measured_values(events, d.measure)[rows] for d in judged.distances]
    extra = column_values(events, "extra_pulses")[rows].astype(np.int64)
    supply_v = column_values(events, "supply_v")[rows]
    rpm = column_values(events, "engine_rpm")[rows]
    rpm = np.where(np.isfinite(rpm), rpm, context.rpm[rows])  # the event's own, as its row in the table has it
    due = {lead: _due(seen_values(events, f"{lead}_seen"), context) for lead in ("command", "feedback")}
    found = []
    for place, (row, name) in enumerate(zip(rows.tolist(), named, strict=True)):
        group, at = int(context.group[row]), name.distance
        n_due, n_absent = due["command" if name.kind == "absent_command" else "feedback"][group]
        found.append(
            Finding(
                kind=name.kind,
                who=context.labels[group],
                label=judged.distances[at].measure.label if at >= 0 else "",
                unit=judged.distances[at].measure.unit if at >= 0 else "",
                measured=float(measured[at][place]) if at >= 0 else np.nan,
                usual=float(usual[at][place]) if at >= 0 else np.nan,
                sigmas=float(judged.distances[at].z[row]) if at >= 0 else np.nan,
                rpm=float(rpm[place]),
                supply_v=float(supply_v[place]),
                count=int(extra[place]),
                n_due=n_due,
                n_absent=n_absent,
            )
        )
    return found


def _due(seen: NDArray[np.int8], context: Context) -> list[tuple[int, int]]:
    """Return (pulses due, pulses absent) of each group."""
    due = np.bincount(context.group[seen >= 0], minlength=context.n_groups)
    absent = np.bincount(context.group[seen == 0], minlength=context.n_groups)
    return list(zip(due.tolist(), absent.tolist(), strict=True))
