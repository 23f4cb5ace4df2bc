"""An ignition that fell silent at speed, out of the blue, is an incident, though no single event of it is a suspect."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner.engine.setup import Setup
from miner.schema import INCIDENTS
from miner.words import clock, counted

__all__ = ["CUT_OUT_RATE_PER_HOUR", "with_cut_outs"]

CUT_OUT_RATE_PER_HOUR = 0.01
"""A healthy engine whose driver switches off while rolling fast, or that a limiter nobody knows of holds, is believed
to show it once in a hundred hours (an assumption, no source)."""

CODES = ("P0320", "P0335", "P0340", "P0685", "P0562")
"""Crank and cam position, power relay, low supply (generic, SAE J2012; P0685 and P0562 from memory)."""


def with_cut_outs(
    suspects: pa.Table, incidents: pa.Table, silences: pa.Table, setup: Setup
) -> tuple[pa.Table, pa.Table]:
    """Put the cut-outs of a recording at the head of its incidents; all of them are one, for one cause may have many.

    Parameters
    ----------
    suspects : SUSPECTS table
    incidents : INCIDENTS table
    silences : SILENCES table
    setup : Setup
        Which leads were recorded.

    Returns
    -------
    suspects, incidents : SUSPECTS and INCIDENTS tables
        Incident 1 holds the cut-outs, and the numbers of the others are one higher; as they were where there is none.
    """
    cut = silences.filter(pc.equal(silences["looks_like"], "cut_out")).to_pylist()
    if not cut:
        return suspects, incidents
    place = incidents.column_names.index("incident_id")
    later = incidents.set_column(place, "incident_id", pc.add(incidents["incident_id"], 1)).cast(INCIDENTS.schema)
    first = pa.Table.from_pylist([_incident(cut, setup)], schema=INCIDENTS.schema)
    place = suspects.column_names.index("incident_id")
    moved = suspects.set_column(place, "incident_id", pc.add(suspects["incident_id"], 1))
    return moved.cast(suspects.schema), INCIDENTS.validate(pa.concat_tables([first, later]))


def _incident(cut: list[Mapping[str, Any]], setup: Setup) -> dict[str, object]:
    ends = [row["start_s"] if row["stop_s"] is None else row["stop_s"] for row in cut]
    return {
        "incident_id": 1, "start_s": cut[0]["start_s"], "end_s": float(np.max(ends)), "n_events": 0,
        "cylinders": sorted(setup.engine.firing_order), "kinds": ["cut_out"],
        "false_alarms_per_hour": CUT_OUT_RATE_PER_HOUR, "best_rank": None, "sentence": _sentence(cut),
        "circuit": "what all coils share: their supply (switch, relay, fuse) and ground, the crank sensor, or the "
        "engine computer with its own supply",
        "evidence_for": _evidence_for(setup), "evidence_against": _evidence_against(cut, setup),
        "next_test": "Record the supply at a coil, the supply of the engine computer and the crank sensor until it "
        "happens again: the one that goes first is the cause. Shake switch, relay and their plugs while the engine "
        "idles.",
        "codes": list(CODES),
    }  # fmt: skip


def _sentence(cut: list[Mapping[str, Any]]) -> str:
    first = f"{clock(cut[0]['start_s'])}: {cut[0]['sentence']}."
    return first if len(cut) == 1 else f"{counted(len(cut), 'time')} at speed all leads fell silent, first at {first}"


def _evidence_for(setup: Setup) -> str:
    commands, answers = bool(setup.leads("command")), bool(setup.leads("feedback"))
    if commands and answers:
        return "Commands and answers ended together: the engine computer did not ask for sparks."
    asked = "Commands ended: the engine computer did not ask for sparks."
    told = asked if commands else "The answers of all coils ended."
    return f"{told} One part alone of one cylinder cannot do that."


def _evidence_against(cut: list[Mapping[str, Any]], setup: Setup) -> str:
    against = ["A driver who switches off while rolling looks alike"]
    if any(row["came_back"] == "still turning" for row in cut):
        against = ["A limiter, or a system that takes torque away, looks alike"]
    lacking = [name for role, name in (("supply", "supply"), ("crank", "crank sensor")) if not setup.leads(role)]
    return ". ".join([*against, *([f"Not recorded: {' and '.join(lacking)}"] if lacking else [])]) + "."
