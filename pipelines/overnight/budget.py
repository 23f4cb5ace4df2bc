"""Memory: how much this run may use, what each step needs, how many workers fit.

The budget covers the whole process tree: the starting process, every worker, whatever they read. Each worker has a
base (interpreter and libraries); a step adds what it needs, the reading by the leads, the finish by the events. The
figures follow what ``bench_scaling --steps`` measured (docs/scaling.md), with the margins told beside each; the memory
test (``tests/pipelines/test_budget.py``) holds the whole tree to them.
"""

from __future__ import annotations

import re
from pathlib import Path

from miner.errors import RunError
from miner.mining.look import LONE_EVENTS, Extent
from pipelines.overnight.tasks import StepKind

__all__ = [
    "BASE_BYTES",
    "GIB",
    "STARTER_BYTES",
    "count_workers",
    "default_budget",
    "machine_bytes",
    "need_bytes",
    "parse_size",
]

MIB, GIB = 1 << 20, 1 << 30

BASE_BYTES = 480 * MIB
"""A worker with all libraries loaded, room for compiling the kernels included: reading 3 leads at 1 MS/s took 501 MB in
all on a machine's first run, 349 MB afterwards; at 200 kS/s 376 MB at most, for 5 minutes as for 120."""

STARTER_BYTES = 200 * MIB
"""The starting process with plan, journal and overview."""

READ_BYTES = 96 * MIB
"""Read buffers and decoded pages of a section, whatever the length and the row groups of the recording."""

LEAD_BYTES = 16 * MIB
"""Samples of one lead under way in a section."""

FINISH_BYTES = 288 * MIB
"""The finishing step before its first event: 450 MB in all were measured, 706 MB on a machine's first run, which
compiles."""

EVENT_BYTES = 1200
"""Working memory for one event of a chapter: tables, residuals and trees. Between 12,000 and 206,000 events 894 were
measured; more, because an engine with all its leads recorded has more measures."""

KEPT_BYTES = 90
"""For each event of the recording: the columns that incidents, conditions and windows look at, one stage at a time."""

MOST_EVENTS_PER_S = 200.0
"""Six cylinders at 4000 turns a minute, the whole time: no recorded road trip has more."""

_CGROUP = Path("/sys/fs/cgroup/memory.max")
_SIZE = re.compile(r"\s*(?P<number>\d+(?:\.\d+)?)\s*(?P<unit>[kmgt]?)(?:i?b)?\s*", re.IGNORECASE)
_UNITS = {"": 1, "k": 1 << 10, "m": 1 << 20, "g": 1 << 30, "t": 1 << 40}


def machine_bytes() -> int:
    """Return the memory of this machine, or of the container this process is kept in, in bytes."""
    import psutil

    total = int(psutil.virtual_memory().total)
    try:
        limit = _CGROUP.read_text(encoding="ascii").strip()
    except OSError:  # no such thing on this system
        return total
    return min(total, int(limit)) if limit.isdigit() else total


def default_budget() -> int:
    """Return half of the machine, in bytes: the other half is for whoever works on it."""
    return machine_bytes() // 2


def parse_size(text: str) -> int:
    """Return a size in bytes; units are powers of 1024.

    Raises
    ------
    RunError
        If it is no size.

    Examples
    --------
    >>> parse_size("1.5 GB"), parse_size("800m")
    (1610612736, 838860800)
    """
    match = _SIZE.fullmatch(text)
    if match is None:
        raise RunError(f"'{text}' is no size", remedy="write it like '4GB' or '800MB'", key="--memory-budget")
    return int(float(match["number"]) * _UNITS[match["unit"].lower()])


def need_bytes(kind: StepKind, look: Extent, *, n_events: int | None = None) -> int:
    """Return what a step needs above the base of its worker, in bytes; an estimate from above.

    Parameters
    ----------
    kind : {"profile", "section", "finish"}
        The step.
    look : Look
        Of the recording.
    n_events : int, optional
        Events that the finish has to rank; before the sections are done, as many as there could be.
    """
    if kind == "finish":
        n_events = int(look.recorded_s * MOST_EVENTS_PER_S) if n_events is None else n_events
        return FINISH_BYTES + max(min(n_events, LONE_EVENTS) * EVENT_BYTES, n_events * KEPT_BYTES)
    return READ_BYTES + look.n_leads * LEAD_BYTES


def count_workers(budget_bytes: int, need: int, n_cores: int) -> int:
    """Return how many workers fit into a budget.

    Parameters
    ----------
    budget_bytes : int
        For the whole process tree.
    need : int
        Largest need of a section, above the base (see `need_bytes`).
    n_cores : int
        More workers than cores gain nothing.

    Raises
    ------
    RunError
        If not even one fits; says how much would do.
    """
    fitting = (budget_bytes - STARTER_BYTES) // (BASE_BYTES + need)
    if fitting < 1:
        least = -(-(STARTER_BYTES + BASE_BYTES + need) // MIB)
        raise RunError(
            f"a budget of {budget_bytes // MIB} MB is too small for one worker",
            remedy=f"give at least {least} MB with --memory-budget",
            key="--memory-budget",
        )
    return int(min(n_cores, fitting))
