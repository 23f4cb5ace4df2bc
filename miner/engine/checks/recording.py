"""Is a recording good enough to judge an ignition by? What is not, from when to when, what follows, what helps.

Levels, noise, rates and roles are judged from stretches spread over the recording; silences and gaps from all pulses.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from miner.engine.checks.leads import check_lead
from miner.engine.checks.passed import Passed, pass_over
from miner.engine.leads.roles import LeadsFound, tell_looks_apart
from miner.engine.leads.setup_text import SURE
from miner.engine.leads.trains import Train, train_of
from miner.engine.setup import Setup
from miner.recording.ranges import covered
from miner.recording.reader import Recording
from miner.schema import PULSE_ROLES
from miner.signal.leads import LeadSpec
from miner.signal.looks.unknown_leads import look_at_leads
from miner.words import length

__all__ = ["CheckFinding", "check_recording"]

Floats = NDArray[np.float64]

_LEAST_SILENT_S, _LEAST_SILENT_PULSES = 2.0, 10
"""A lead that shows no pulse for so long, while another shows at least so many: an ignition that misses now and then,
or a cylinder that is switched off at a change of gear, comes back sooner (own choice)."""

_LEAST_GAP_S = 1e-3
"""Gaps of less together, shorter than one pulse, are not worth a line."""

_CUT_PULSE_S = 0.05
"""Less than this missing of a lead right at the beginning or the end is a pulse that the recording cuts: no coil
is charged for longer (common practice, no source)."""

_GOES_ON = 0.2
"""Share of its usual pulses from which on a lead goes on: an idle has a third of those of a drive."""

_IDLE_RPM = (250.0, 4000.0)
"""Slow end of the speed that a car's engine can show in a recording: cranking is shorter, and nobody drives for long at
more than 4,000 turns without ever idling."""


@dataclass(frozen=True, kw_only=True)
class CheckFinding:
    """One thing that is not as it should be.

    Attributes
    ----------
    kind : str
        ``gap``, ``silent_lead``, ``slow_sampling``, ``edges``, ``clipped``, ``noisy``, ``drift``, ``spikes``,
        ``level``, ``attenuation``, ``role`` or ``rate``.
    columns : tuple of str
        The leads; empty for all of them.
    start_s, stop_s : float
        From when to when, seconds since the first sample.
    problem, consequence, remedy : str
        Clauses without full stop.
    n_events : int or None
        Events that cannot be judged because of it; None where that is not what it costs.
    """

    kind: str
    columns: tuple[str, ...]
    start_s: float
    stop_s: float
    problem: str
    consequence: str
    remedy: str
    n_events: int | None = None

    @property
    def weighs(self) -> bool:
        """Whether it costs events or makes figures wrong; otherwise it is worth knowing, no more."""
        return self.kind not in ("edges", "spikes")

    @property
    def sentence(self) -> str:
        """All of it in one line."""
        leads = " and ".join(f"'{column}'" for column in self.columns)
        leads = f"each of {leads}" if len(self.columns) > 1 else leads
        said = f"{leads} {self.problem}" if leads else self.problem
        return f"{_clock(self.start_s)} to {_clock(self.stop_s)}: {said}: {self.consequence}; {self.remedy}"


def _clock(second: float) -> str:
    whole = int(second)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def check_recording(
    recording: Recording, setup: Setup | None = None, *, passed: Passed | None = None
) -> list[CheckFinding]:
    """Check a recording, with a setup also whether it fits.

    Parameters
    ----------
    recording : Recording
        As opened.
    setup : Setup, optional
        Engine and leads; without, or without leads, they are told apart by their signals.
    passed : Passed, optional
        What a pass over the whole recording showed; made here by default.

    Returns
    -------
    list of CheckFinding
        In order of time; empty where nothing stands in the way.

    Raises
    ------
    RecordingError
        As `miner.recording.chunks.iter_chunks`.
    """
    named = setup is not None and bool(setup.channel)
    columns = [c.column for c in setup.channel] if setup is not None and named else list(recording.channels)
    looks = look_at_leads(recording, columns)
    found = tell_looks_apart(looks, cylinders=setup.engine.cylinders if setup is not None else None)
    roles = _roles(setup, found)
    trains = {c: t for c in columns if roles[c] in PULSE_ROLES and (t := train_of(looks[c])) is not None}
    end_s = recording.n_samples / recording.rate_hz
    if passed is None:
        passed = pass_over(recording, _specs(setup, roles, set(trains)))
    findings = [*_gaps(passed, trains), *_silences(passed)]
    findings += [
        CheckFinding(
            kind=check.kind, columns=(column,), start_s=0.0, stop_s=end_s, problem=check.problem,
            consequence=check.consequence, remedy=check.remedy,
        )
        for column in columns
        for check in check_lead(recording, looks[column], roles[column], trains.get(column))
    ]  # fmt: skip
    findings += [*_wrong_roles(setup, found, end_s), *_wrong_rate(setup, found, trains, roles, end_s)]
    return sorted(_alike_as_one(findings), key=lambda f: (f.start_s, f.kind, f.columns))


def _specs(setup: Setup | None, roles: Mapping[str, str | None], pulsing: set[str]) -> list[LeadSpec]:
    """Return the leads to pass over; one that should pulse and does not is told by its level, not by its pulses."""
    active = {c.column: c.active for c in setup.channel} if setup is not None else {}
    wanted = [c for c, role in roles.items() if role is not None and (role not in PULSE_ROLES or c in pulsing)]
    return [LeadSpec(index=i, column=c, role=roles[c] or "", active=active.get(c)) for i, c in enumerate(wanted)]


def _alike_as_one(findings: Sequence[CheckFinding]) -> list[CheckFinding]:
    """Return leads of which the same is said as one finding."""
    joined: dict[CheckFinding, list[str]] = {}
    for finding in findings:
        joined.setdefault(replace(finding, columns=()), []).extend(finding.columns)
    return [replace(finding, columns=tuple(columns)) for finding, columns in joined.items()]


def _roles(setup: Setup | None, found: LeadsFound) -> dict[str, str | None]:
    if setup is not None and setup.channel:
        return {c.column: c.role for c in setup.channel}
    return {x.column: x.role for x in found.leads}


def _gaps(passed: Passed, trains: Mapping[str, Train]) -> Iterator[CheckFinding]:
    """Yield what is missing, one finding a lead."""
    rate_hz = max((train.rate_hz for train in trains.values()), default=0.0)
    for column, spans in passed.gaps.items():
        lasted = spans[:, 1] - spans[:, 0]
        at_end = (spans[:, 0] <= 0.0) | (spans[:, 1] >= passed.end_s)
        spans = spans[~(at_end & (lasted < _CUT_PULSE_S))]
        seconds = float((spans[:, 1] - spans[:, 0]).sum())
        if seconds < _LEAST_GAP_S:
            continue
        lost = round(seconds * rate_hz)
        events = f"some {lost} events" if lost > 1 else "an event"
        gaps = f"{'has' if column is not None else 'all leads have'} {_gaps_of(len(spans), seconds)}"
        yield CheckFinding(
            kind="gap", columns=() if column is None else (column,), n_events=lost,
            start_s=float(spans[0, 0]), stop_s=float(spans[-1, 1]), problem=gaps,
            consequence=f"{events} cannot be judged there and none is called absent",
            remedy="record to a faster disk, or look for what interrupts the recorder",
        )  # fmt: skip


def _gaps_of(n: int, seconds: float) -> str:
    """Return how many gaps of which length."""
    return f"one gap of {length(seconds)}" if n == 1 else f"{n:,} gaps of {length(seconds)} together"


def _silences(passed: Passed) -> Iterator[CheckFinding]:
    """Yield leads that stop pulsing while another goes on: a clip that fell off."""
    for column, mine in passed.starts_s.items():
        missing = passed.gaps.get(column, np.empty((0, 2)))
        edges = np.concatenate(([0.0], mine, [passed.end_s]))
        for first, last in pairwise(edges):
            if last - first < _LEAST_SILENT_S or covered(missing, first, last):
                continue
            going = {
                c: int(np.count_nonzero((x > first) & (x < last))) for c, x in passed.starts_s.items() if c != column
            }
            other = max(going, key=lambda c: going[c], default=None)
            if other is None or not mine.size or going[other] < _usual_in(passed.starts_s[other], last - first):
                continue
            yield CheckFinding(
                kind="silent_lead", columns=(column,), start_s=float(first), stop_s=float(last), n_events=going[other],
                problem=f"shows no pulses while '{other}' goes on, as if its clip had fallen off",
                consequence=f"{going[other]} events of '{other}' cannot be judged by it",
                remedy="look at the clip and record again, or leave this stretch out",
            )  # fmt: skip


def _usual_in(starts_s: Floats, seconds: float) -> float:
    """Return the least number of pulses by which a lead goes on for some time, not just ends or begins in it."""
    rate_hz = 1.0 / float(np.median(np.diff(starts_s))) if starts_s.size > 1 else 0.0
    return max(_GOES_ON * rate_hz * seconds, _LEAST_SILENT_PULSES)


def _wrong_roles(setup: Setup | None, found: LeadsFound, end_s: float) -> Iterator[CheckFinding]:
    """Leads whose signal is as good as surely that of another role than the setup says."""
    if setup is None:
        return
    stated = {c.column: c.role for c in setup.channel}
    for guess in found.leads:
        role = stated.get(guess.column)
        if role in (None, "other", guess.role) or guess.role is None or guess.confidence < SURE:
            continue
        swapped = [c for c, r in stated.items() if r == guess.role]
        hint = f"swap it with '{swapped[0]}' in the setup" if swapped else f"name it '{guess.role}' in the setup"
        yield CheckFinding(
            kind="role", columns=(guess.column,), start_s=0.0, stop_s=end_s,
            problem=f"looks like '{guess.role}', the setup says '{role}' ({guess.reason})",
            consequence="events are given to the wrong lead", remedy=f"{hint}, or correct the clip",
        )  # fmt: skip


def _wrong_rate(
    setup: Setup | None, found: LeadsFound, trains: Mapping[str, Train], roles: Mapping[str, str | None], end_s: float
) -> Iterator[CheckFinding]:
    """Yield that the speed is one no engine has: the sample rate is not what the file or the user says."""
    commands = [trains[c] for c, role in roles.items() if role == "command" and c in trains]
    if not commands:
        return
    paired = (
        setup.engine.layout == "paired"
        if setup is not None
        else found.engine is not None and found.engine.layout == "paired"
    )
    rpm = (60.0 if paired else 120.0) * commands[0].slow_rate_hz()
    on_ms = 1e3 * float(np.median(commands[0].width_s))
    low, high = _IDLE_RPM
    too_fast, too_slow = rpm > high and on_ms < 0.8, rpm < low and on_ms > 8.0
    if too_fast or too_slow:
        factor = 800.0 / rpm
        yield CheckFinding(
            kind="rate", columns=(commands[0].column,), start_s=0.0, stop_s=end_s,
            problem=f"would show {rpm:.0f} turns a minute when slow and charge for {on_ms:.2g} ms",
            consequence="all times and speeds are wrong by one factor",
            remedy=f"check the sample rate: about {factor:.2g} times the stated one would fit an idling engine",
        )  # fmt: skip
