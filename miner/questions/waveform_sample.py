"""The short-cut of `sensitivity` put to the proof: faults planted into the waveform itself, for a sample.

A few stretches of the recording are read again, faults of every kind the leads can show are planted into their samples
(`miner.synthetic.faults.samples`), and pulses, cylinders and events are found anew by the very steps that mined the
recording. Each planted event must come out as `apply_fault` changes its row of the event table. The rest of the stretch
is compared with the event table as well: a fault must not reach far, nor the stretch be read otherwise.

Usage
-----
>>> sample = sample_waveform(recording, setup, leads, profiles, events, sizes)  # doctest: +SKIP
>>> sample["n_agreed"], sample["n_planted"]  # doctest: +SKIP
(33, 33)
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.cycles import track_cycles
from miner.engine.setup import Setup
from miner.events.rows import Rows
from miner.events.table import build_events
from miner.questions.sensitivity import could_show
from miner.questions.waveform_compare import COMPARED, Compared, Planted, compare_planted
from miner.questions.waveform_stretch import Excerpt, PulseFinder, choose_stretches, read_stretch, store_pulse
from miner.recording.reader import Recording
from miner.signal.leads import LeadProfile, LeadSpec
from miner.signal.work import SectionWork
from miner.synthetic.columns import Columns, columns_of
from miner.synthetic.faults.events import EITHER_WAY, MEASURE_OF, feedback_tie, unit_of
from miner.synthetic.faults.samples import EventSamples, NoRoomError, plant_in_samples

__all__ = ["SAMPLED_KINDS", "sample_waveform"]

SAMPLED_KINDS = (
    "absent_command", "absent_feedback", "extra_pulse", "short_on_time", "long_on_time", "late_feedback",
    "early_feedback", "weak_command", "weak_feedback", "distorted_command", "odd_feedback_width", "uneven_interval",
)  # fmt: skip
"""Everything that is planted into the table but supply_sag, which is no fault of one pulse."""

ANY_SIZE = {"share": 0.2, "V": 0.3, "deg": 3.0, "pulses": 1.0}
"""Where no smallest size is known: what a technician would call a clear fault (own choice)."""

PITCH_TURNS, EDGE_TURNS = 5, 8
"""Turns of the firing sequence between planted events, and left alone at the ends, where the cylinders are found."""

STRETCH_TURNS = 2 * EDGE_TURNS + PITCH_TURNS * (len(SAMPLED_KINDS) + 1)
"""Room for every kind once."""

ANGLE_DEG = 0.02
"""Crank angle that no rhythm is steady to."""


def sample_waveform(
    recording: Recording,
    setup: Setup,
    leads: Sequence[LeadSpec],
    profiles: Mapping[int, LeadProfile],
    events: Rows,
    sizes: pa.Table,
    *,
    n_stretches: int = 2,
) -> dict[str, Any]:
    """Plant faults into the samples of some stretches and compare with what the event table should show.

    Parameters
    ----------
    recording, setup, leads, profiles
        As the recording was mined.
    events : EVENTS table
        Of the whole recording, in time order.
    sizes : SENSITIVITY table
        Whose smallest found sizes are planted, `ANY_SIZE` where there is none.
    n_stretches : int, default=2
        Spread over the recording; each has room for every kind once.

    Returns
    -------
    dict
        Ready for JSON: ``n_planted``, ``n_agreed``, ``largest_deviation_sigma`` (of what was planted; None: nothing
        was), ``n_neighbours``, ``n_neighbours_agreed`` (events a turn or more away from any fault), ``planted`` (one
        row each) and ``sentence``. Deterministic.
    """
    rows: list[dict[str, Any]] = []
    turn = n_neighbours = n_same = 0
    for start, stop in choose_stretches(recording, events, n_stretches, STRETCH_TURNS):
        stretch = read_stretch(recording, [lead.column for lead in leads], events, start, stop)
        if stretch is not None:
            planted, calm = _prove(stretch, setup, leads, profiles, _sizes(sizes), turn)
            rows, turn = rows + planted, turn + len(planted)
            n_neighbours, n_same = n_neighbours + calm.size, n_same + int(calm.sum())
        del stretch  # its samples, before those of the next are read
    return _summary(rows, n_neighbours, n_same)


def _prove(
    stretch: Excerpt,
    setup: Setup,
    leads: Sequence[LeadSpec],
    profiles: Mapping[int, LeadProfile],
    sizes: dict[str, float],
    turn: int,
) -> tuple[list[dict[str, Any]], NDArray[np.bool_]]:
    """Return a row for each planted fault, and whether each event away from them came out as it was."""
    planted = list(_plant(stretch, setup, sizes, turn))
    if not planted:
        return [], np.zeros(0, dtype=np.bool_)
    n_slots = setup.engine.pattern.n_slots
    found = columns_of(_mine(stretch, setup, leads, profiles))
    compared, agreed = compare_planted(stretch.columns, found, planted, _resolution(stretch, setup), n_slots=n_slots)
    return [_row(stretch, one) for one in compared], agreed[_calm_interior(agreed, planted, n_slots)]


def _sizes(table: pa.Table) -> dict[str, float]:
    """Return the size of each kind: the median over the coils of the smallest that is found."""
    found: dict[str, list[float]] = {kind: [] for kind in SAMPLED_KINDS}
    for row in table.select(["kind", "size", "smallest"]).to_pylist():
        if row["smallest"] and row["kind"] in found:
            found[row["kind"]].append(row["size"])
    return {kind: float(np.median(got)) if got else ANY_SIZE[unit_of(kind)] for kind, got in found.items()}


def _plant(stretch: Excerpt, setup: Setup, sizes: dict[str, float], turn: int) -> Iterator[Planted]:
    """Plant one fault every few turns, kind after kind and coil after coil; yield what was planted."""
    n_slots = setup.engine.pattern.n_slots
    columns, tie = stretch.columns, feedback_tie(stretch.columns)
    calm, found = _calm(columns, n_slots), PulseFinder(stretch, setup)
    kinds = [kind for kind in SAMPLED_KINDS if could_show(columns, kind, calm).any()]
    edge, pitch = EDGE_TURNS * n_slots, PITCH_TURNS * n_slots
    for place in range(edge, calm.size - edge - n_slots, pitch):
        if not kinds:
            return
        kind = kinds[turn % len(kinds)]
        could = could_show(columns, kind, calm)
        for row in range(place, place + n_slots):
            row = place + (row + turn // len(kinds)) % n_slots
            sign = -1.0 if kind in EITHER_WAY and turn // len(kinds) % 2 else 1.0
            size = _try(found, kind, sign * sizes[kind], tie, row) if could[row] else None
            if size is not None:
                yield Planted(kind=kind, size=size, row=row)
                break
        turn += 1


def _try(found: PulseFinder, kind: str, size: float, tie: str, row: int) -> float | None:
    """Plant one fault; return None and leave everything as it was where there is no room for it."""
    command, feedback = found.pulse("command", row), found.pulse("feedback", row)
    columns = found.stretch.columns
    event = EventSamples(
        command=None if command is None else command.pulse,
        feedback=None if feedback is None else feedback.pulse,
        rpm=float(columns["engine_rpm"][row]),
    )
    usual_us = float(columns[MEASURE_OF[kind]][row]) if kind in MEASURE_OF else float("nan")
    try:
        planted = plant_in_samples(event, kind, size, tie=tie, usual_us=usual_us)
    except NoRoomError:
        return None
    for one in (command, feedback):
        if one is not None:
            store_pulse(found.stretch, one)
    return planted


def _calm(columns: Columns, n_slots: int) -> NDArray[np.bool_]:
    """Return the events with nothing odd about them and a turn of the firing sequence on either side."""
    odd = (columns["quality"] != "") | (columns["extra_pulses"] > 0)
    odd |= (columns["command_seen"] == 0) | (columns["feedback_seen"] == 0)
    odd |= (columns["command_seen"] < 1) & (columns["feedback_seen"] < 1)
    around = np.convolve(odd, np.ones(2 * n_slots + 1))[n_slots : n_slots + odd.size]
    return np.asarray(around == 0)


def _mine(stretch: Excerpt, setup: Setup, leads: Sequence[LeadSpec], profiles: Mapping[int, LeadProfile]) -> pa.Table:
    """Find the events of the changed samples as `mine` does."""
    with ThreadPoolExecutor(1) as pool:
        work = SectionWork(stretch.recording, stretch.section, leads, profiles, pool)
        for piece in stretch.pieces():
            work.feed(piece)
        found = work.finish()
    end_s = stretch.second(stretch.section.stop - 1 - stretch.section.read_start)
    tracking = track_cycles(found.pulses, found.gaps, setup, end_s=end_s)
    return build_events(found.pulses, found.gaps, tracking, setup, rate_hz=stretch.recording.rate_hz)


def _resolution(stretch: Excerpt, setup: Setup) -> dict[str, float]:
    """Return what one measurement cannot tell apart: a count, a tenth of a sample, and `ANGLE_DEG`."""
    of_role = {
        role: max((abs(stretch.recording.channels[c.column].scale) for _, c in setup.leads(role)), default=0.0)
        if all(stretch.raw[c.column].dtype.kind in "iu" for _, c in setup.leads(role))
        else 0.0
        for role in ("command", "feedback")
    }
    time_us = 1e5 / stretch.recording.rate_hz
    units = {"us": time_us, "deg": ANGLE_DEG}
    return {
        name: of_role["feedback" if name.startswith("feedback") else "command"]
        if name.endswith("_v")
        else units[name.rsplit("_", 1)[1]]
        for name in COMPARED
    }


def _row(stretch: Excerpt, one: Compared) -> dict[str, Any]:
    columns, planted = stretch.columns, one.planted
    cylinder = int(columns["cylinder"][planted.row])
    return {
        "kind": planted.kind,
        "cylinder": cylinder if cylinder >= 0 else None,
        "slot": int(columns["slot"][planted.row]),
        "time_s": float(columns["time_s"][planted.row]),
        "size": planted.size,
        "unit": unit_of(planted.kind),
        "agreed": one.agreed,
        "deviation_sigma": one.deviation_sigma,
        "measure": one.measure or None,
    }


def _calm_interior(agreed: NDArray[np.bool_], planted: Sequence[Planted], n_slots: int) -> NDArray[np.bool_]:
    """Return the events that no fault is near: their rhythm is measured from the events of a turn beside them.

    The ends of the stretch are left out.
    """
    calm = np.ones(agreed.size, dtype=np.bool_)
    calm[: EDGE_TURNS * n_slots] = calm[agreed.size - EDGE_TURNS * n_slots :] = False
    for one in planted:
        calm[max(one.row - n_slots - 1, 0) : one.row + n_slots + 2] = False
    return calm


def _summary(rows: list[dict[str, Any]], n_neighbours: int, n_same: int) -> dict[str, Any]:
    n_agreed = sum(row["agreed"] for row in rows)
    worst = max(rows, key=lambda row: row["deviation_sigma"], default=None)
    return {
        "n_planted": len(rows),
        "n_agreed": n_agreed,
        "largest_deviation_sigma": None if worst is None else worst["deviation_sigma"],
        "n_neighbours": n_neighbours,
        "n_neighbours_agreed": n_same,
        "planted": rows,
        "sentence": _sentence(rows, n_agreed, worst),
    }


def _sentence(rows: list[dict[str, Any]], n_agreed: int, worst: dict[str, Any] | None) -> str:
    if worst is None:
        return "No fault could be planted into the waveform itself: too little of it is calm, or too coarsely sampled."
    largest = f"the largest deviation is {worst['deviation_sigma']:.2g} times the scatter of single events"
    told = (
        f"{n_agreed} of {len(rows)} faults planted into the waveform itself were measured as the event table has them; "
        f"{largest}"
    )
    failed = sorted({str(row["kind"]) for row in rows if not row["agreed"]})
    return f"{told}. Less certain for it: {', '.join(failed)}." if failed else f"{told}."
