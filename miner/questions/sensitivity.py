"""What would have been found: faults of graded size planted into copies of this very recording's event table.

For each kind and coil a ladder of sizes is tried, the changed events at least `PITCH_TURNS` turns of the firing
sequence apart so that usual values stay what they are, and scored with the limits of the recording as it stands
(`FrozenLimits`). Trials go where they tell most: first to the size that the noise of each event says should be found
nine times in ten, then down the ladder while that holds, or up while it does not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.events.rows import Rows, spread_rows
from miner.questions.exact import binomial_interval, binomial_upper, poisson_upper
from miner.rarity.judge import Judge, Judgement, fit_judge
from miner.schema import SENSITIVITY
from miner.synthetic.columns import Columns, columns_of, events_table
from miner.synthetic.faults.events import EITHER_WAY, MEASURE_OF, apply_fault, feedback_tie, next_of_coil, unit_of
from miner.words import kind_name

__all__ = [
    "FULL", "QUICK", "Sensitivity", "SensitivitySettings", "could_show", "fault_rate_limits",
    "measure_sensitivity",
]  # fmt: skip

FOUND_SHARE = 0.9
"""Found in 9 of 10 cases."""

PITCH_TURNS, LEAST_PITCH = 8, 24
"""Planted events lie this many turns of the firing sequence, and this many events, apart on average."""

LADDER_STEP = 1.25
"""Factor from rung to rung: a size is told to an eighth (own choice)."""
LADDER = np.arange(-3, 12)  # from half to twelve times the guess
GUESS_RUNG = 3
"""Rungs of the ladder, in steps of `LADDER_STEP` from the size that should be found; where that stands."""

COUNTED_KINDS = ("absent_command", "absent_feedback", "extra_pulse")
"""Kinds without a size."""

LEAST_TRIALS = 10
"""Trials of a size before it is called found or not: nine of ten need ten (see `FOUND_SHARE`)."""
STRETCHES = 6
"""Stretches of a long recording that are planted into: so many of its speeds and temperatures (own choice)."""

_SHRINKING = ("short_on_time", "early_feedback", "weak_command", "weak_feedback")

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class SensitivitySettings:
    """How much is planted.

    Attributes
    ----------
    n_events : int
        Events of the recording that are used: stretches spread evenly over it, or all of it.
    n_passes : int
        Copies that are planted and ranked.
    seed : int, default=1
        Of the places.
    """

    n_events: int
    n_passes: int
    seed: int = 1


QUICK = SensitivitySettings(n_events=12_000, n_passes=4)
"""Used inside `mine`."""

FULL = SensitivitySettings(n_events=60_000, n_passes=5)
"""Used by the sensitivity command, about a minute on one core."""


@dataclass(frozen=True, kw_only=True)
class Sensitivity:
    """Rows of SENSITIVITY, and a dict with the smallest sizes in words, ready for JSON."""

    table: pa.Table
    summary: dict[str, object]


@dataclass(kw_only=True)
class _Cell:
    """One kind on one coil: its ladder, and the tally of each rung."""

    kind: str
    slot: int
    cylinder: int | None
    sizes: _Floats
    planted: _Ints = field(init=False)
    found: _Ints = field(init=False)

    def __post_init__(self) -> None:
        self.planted = np.zeros(self.sizes.size, dtype=np.int64)
        self.found = np.zeros(self.sizes.size, dtype=np.int64)

    def is_bad(self, rung: int) -> bool:
        """Return whether nine of ten cannot be reached on a rung any more."""
        missed = self.planted[rung] - self.found[rung]
        return bool(missed > (1 - FOUND_SHARE) * max(self.planted[rung], LEAST_TRIALS) + 1e-9)

    def is_good(self, rung: int) -> bool:
        """Return whether enough were tried on a rung, and nine of ten found."""
        return bool(self.planted[rung] >= LEAST_TRIALS) and not self.is_bad(rung)

    def lowest_open(self) -> int:
        """Return the rung above the highest one that is bad."""
        bad = [rung for rung in range(self.sizes.size) if self.is_bad(rung)]
        return bad[-1] + 1 if bad else 0

    def wanted(self) -> int | None:
        """Return the rung to try next: from the guess down while good, up while bad; None where all is known."""
        rung = max(min(GUESS_RUNG, self.sizes.size - 1), self.lowest_open())
        while rung < self.sizes.size and self.is_good(rung):
            if rung == 0 or self.is_bad(rung - 1):
                return None
            rung -= 1
        return rung if rung < self.sizes.size else None

    def smallest(self) -> int | None:
        """Return the lowest rung with enough trials and nine of ten found, none above it bad; None: not known."""
        good = [rung for rung in range(self.lowest_open(), self.sizes.size) if self.is_good(rung)]
        return good[0] if good else None


def measure_sensitivity(
    events: Rows, setup: Setup, *, judge: Judge | None = None, settings: SensitivitySettings = QUICK
) -> Sensitivity:
    """Report, per kind and coil, the smallest size that is found in 9 of 10 cases at one false alarm an hour.

    Parameters
    ----------
    events : EVENTS table
        In time order.
    setup : Setup
        Engine and leads.
    judge : Judge, optional
        What the recording taught; without it, that is learned from the part of the recording that is used.
    settings : SensitivitySettings, default=QUICK
        How much is planted.

    Returns
    -------
    Sensitivity
        Deterministic for the same events, setup and settings. Kinds that these leads cannot show are left out.
    """
    part = spread_rows(events, settings.n_events, STRETCHES)
    pitch = max(PITCH_TURNS * setup.engine.pattern.n_slots, LEAST_PITCH)
    if part.num_rows < 4 * pitch:
        return Sensitivity(table=SENSITIVITY.empty(), summary={"smallest_found": [], "n_events_used": part.num_rows})
    judge = judge or fit_judge(part, setup)[0]
    as_is = judge.score(part)
    cells = _cells(columns_of(part), judge, as_is)
    rng = np.random.default_rng(settings.seed)
    for _ in range(settings.n_passes):
        _one_pass(part, judge, as_is, cells, rng, pitch=pitch)
    table = _table(cells)
    return Sensitivity(table=table, summary={"smallest_found": _in_words(cells), "n_events_used": part.num_rows})


def _cells(columns: Columns, judge: Judge, as_is: Judgement) -> list[_Cell]:
    """Return the kinds each coil's leads can show, with the ladder of sizes to try."""
    needed = {kind: judge.sigma_needed(kind) for kind in MEASURE_OF}
    return [
        _Cell(kind=kind, slot=int(slot), cylinder=_cylinder(columns, int(slot)), sizes=sizes)
        for slot in np.unique(columns["slot"])
        for kind in (*COUNTED_KINDS, *MEASURE_OF)
        if (sizes := _ladder(columns, as_is, kind, columns["slot"] == slot, needed)).size
    ]


def _cylinder(columns: Columns, slot: int) -> int | None:
    known = columns["cylinder"][(columns["slot"] == slot) & (columns["cylinder"] >= 0)]
    return int(np.bincount(known).argmax()) if known.size else None


def _ladder(columns: Columns, as_is: Judgement, kind: str, own: _Bools, needed: dict[str, float]) -> _Floats:
    if kind in COUNTED_KINDS:
        return np.ones(1) if could_show(columns, kind, own).any() else np.empty(0)
    guess = _size_needed(as_is, kind, own, needed[kind])
    if not np.isfinite(guess):
        return np.empty(0)
    sizes: _Floats = guess * np.float64(LADDER_STEP) ** LADDER
    return sizes[sizes < 0.95] if kind in _SHRINKING else sizes


def _size_needed(as_is: Judgement, kind: str, own: _Bools, sigma: float) -> float:
    """Return the size that should bring nine of ten events of a coil into the list; NaN: cannot be shown."""
    distance = next((d for d in as_is.distances if d.measure.column == MEASURE_OF[kind]), None)
    rows = np.flatnonzero(own)
    if distance is None or not np.isfinite(sigma) or not np.isfinite(distance.z[own]).any():
        return float("nan")  # an infinite sigma: no size is rare enough in so short a recording
    sign = -1.0 if kind in (*_SHRINKING, "supply_sag") else 1.0
    moves = (sigma - sign * distance.z[own]) * distance.sigma[own]
    move = max(float(np.nanquantile(moves, FOUND_SHARE)), float(np.nanmedian(distance.least)))
    usual = float(np.nanmedian(distance.usual_in_unit(rows)))
    if distance.measure.scale == "linear":
        return move
    if kind == "distorted_command":  # ripples add as squares
        return usual * float(np.sqrt(np.expm1(2 * move)))
    share = float(np.expm1(move)) if sign > 0 else float(-np.expm1(-move))
    return share * usual if kind == "supply_sag" else share


def could_show(columns: Columns, kind: str, own: _Bools) -> _Bools:
    """Return the events of a coil that a fault can be planted into."""
    seen, answered = columns["command_seen"], columns["feedback_seen"]
    match kind:
        case "absent_command":
            could = seen == 1
        case "absent_feedback":
            could = answered == 1
        case "extra_pulse":
            could = (seen == 1) | (answered == 1)
        case _:
            could = np.isfinite(columns[MEASURE_OF[kind]])
    return np.asarray(own & could, dtype=np.bool_)


def _one_pass(
    part: pa.Table, judge: Judge, as_is: Judgement, cells: list[_Cell], rng: np.random.Generator, *, pitch: int
) -> None:
    """Plant one copy, judge it, and add to the tallies."""
    columns = columns_of(part)
    tie, after = feedback_tie(columns), next_of_coil(columns)
    healthy = (as_is.log_rate > np.log(10.0)) & as_is.context.learns
    planted: list[tuple[_Cell, int, int]] = []
    for cell, rung, row in _places(columns, cells, healthy, rng, pitch=pitch):
        sign = -1.0 if cell.kind in EITHER_WAY and rng.random() < 0.5 else 1.0
        apply_fault(columns, row, cell.kind, sign * float(cell.sizes[rung]), tie=tie, after=int(after[row]))
        planted.append((cell, rung, row))
    log_rate = judge.score(events_table(columns)).log_rate
    for cell, rung, row in planted:
        cell.planted[rung] += 1
        cell.found[rung] += bool(log_rate[row] <= 0.0)


def _places(
    columns: Columns, cells: list[_Cell], healthy: _Bools, rng: np.random.Generator, *, pitch: int
) -> Iterator[tuple[_Cell, int, int]]:
    """Deal out places about a pitch apart, half of one at least, to the rungs that want trials."""
    lattice = np.arange(pitch, healthy.size - pitch, pitch) + int(rng.integers(0, pitch // 2))
    places = rng.permutation(lattice)
    for (cell, rung), place in zip(_orders(cells, places.size), places, strict=False):
        reach = slice(int(place), int(place) + pitch // 2)
        near = {name: values[reach] for name, values in columns.items()}
        could = np.flatnonzero(could_show(near, cell.kind, near["slot"] == cell.slot) & healthy[reach])
        if could.size:
            yield cell, rung, int(place) + int(could[0])


def _orders(cells: list[_Cell], n_places: int) -> Iterator[tuple[_Cell, int]]:
    """Go round the cells until the places are dealt out, so that a short recording serves all alike.

    No cell gets more than it needs: a hundred faults of one kind on one coil would be noise, not faults.
    """
    wanted = [(cell, rung) for cell in cells if (rung := cell.wanted()) is not None]
    for _ in range(min(-(-n_places // max(len(wanted), 1)), LEAST_TRIALS)):
        yield from wanted


def _table(cells: list[_Cell]) -> pa.Table:
    rows = []
    for cell in cells:
        smallest = cell.smallest()
        for rung in np.flatnonzero(cell.planted):
            n, found = int(cell.planted[rung]), int(cell.found[rung])
            low, high = binomial_interval(found, n)
            rows.append(
                {
                    "kind": cell.kind,
                    "cylinder": cell.cylinder,
                    "slot": cell.slot,
                    "size": float(cell.sizes[rung]),
                    "unit": unit_of(cell.kind),
                    "n_planted": n,
                    "n_found": found,
                    "found_low": low,
                    "found_high": high,
                    "smallest": rung == smallest,
                }
            )
    return SENSITIVITY.validate(pa.Table.from_pylist(rows, schema=SENSITIVITY.schema))


def _in_words(cells: list[_Cell]) -> list[dict[str, object]]:
    return [
        {
            "kind": cell.kind,
            "cylinder": cell.cylinder,
            "slot": cell.slot,
            "size": None if (rung := cell.smallest()) is None else float(cell.sizes[rung]),
            "unit": unit_of(cell.kind),
            "sentence": _sentence(cell, rung),
        }
        for cell in cells
    ]


def _sentence(cell: _Cell, rung: int | None) -> str:
    who = f"cylinder {cell.cylinder}" if cell.cylinder is not None else f"the cylinder at place {cell.slot}"
    what = f"A single fault ('{kind_name(cell.kind)}' on {who})"
    if rung is not None:
        return (
            f"{what}{_by(cell, rung)} is found: {int(cell.found[rung])} of {int(cell.planted[rung])} planted ones, at "
            "one false alarm an hour at most."
        )
    tried = np.flatnonzero(cell.planted >= LEAST_TRIALS)
    if not tried.size:
        return f"{what}: not known how small one is found, too few could be planted."
    last = int(tried[-1])
    return (
        f"{what}{_by(cell, last)} is not reliably found: {int(cell.found[last])} of {int(cell.planted[last])} planted "
        "ones, at one false alarm an hour at most."
    )


def _by(cell: _Cell, rung: int) -> str:
    size, unit = float(cell.sizes[rung]), unit_of(cell.kind)
    if cell.kind in COUNTED_KINDS:
        return ""
    return f" by {100 * size:.3g} %" if unit == "share" else f" by {size:.3g} {unit}"


LEAST_HOURS = 1.0 / 3600.0
"""A lone event has no time to the next: it stands for a second (own choice; any rate needs some time)."""


def fault_rate_limits(suspects: pa.Table, events: Rows, *, confidence: float = 0.95) -> dict[str, float | int]:
    """Return the upper limit on the rate of findable faults, so that a clean recording is evidence too.

    With no suspect at one false alarm an hour or less it is the rule of three (exact binomial: ``1 - 0.05**(1/n)``);
    with k of them the exact limits of k.

    Returns
    -------
    dict
        ``n_suspects``, ``n_events``, ``hours``, ``per_1000_events``, ``per_hour``, ``confidence``.
    """
    n, k = events.num_rows, int((suspects["false_alarms_per_hour"].to_numpy() <= 1.0).sum())
    first_s, last_s = (events.slice(row, 1)["time_s"][0].as_py() for row in (0, n - 1)) if n > 1 else (0.0, 0.0)
    hours = (last_s - first_s) / 3600.0
    return {
        "confidence": confidence,
        "n_suspects": k,
        "n_events": n,
        "hours": hours,
        "per_1000_events": 1000.0 * binomial_upper(k, n, confidence) if n else 1000.0,
        "per_hour": poisson_upper(k, confidence) / max(hours, LEAST_HOURS),
    }
