"""Is a recording good enough to judge an ignition by? What is not, from when to when, what follows, what helps.

Looked at are sixty stretches of two seconds, and shorter ones where something ends or begins between two of them; the
number of missing samples comes from the files' own statistics.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from miner.engine.check_leads import LeadCheck, check_lead
from miner.engine.leads.roles import LeadsFound, tell_looks_apart
from miner.engine.leads.setup_text import SURE
from miner.engine.leads.trains import Train, train_of
from miner.engine.setup import Setup
from miner.recording.missing import missing_seconds
from miner.recording.reader import Recording
from miner.schema import PULSE_ROLES
from miner.signal.look import LeadLook, look_at

__all__ = ["CheckFinding", "check_recording"]

_N_STRETCHES, _STRETCH_S = 60, 2.0
_FINEST_S = 1.0
"""How closely the instant is sought at which a lead falls silent."""

_LEAST_SILENT = 2
"""Stretches in a row without a pulse on one lead, while another has its usual ones, before anything is said."""

_IDLE_RPM = (250.0, 4000.0)
"""Slow end of the speed that a car's engine can show in a recording: cranking is shorter, and nobody drives for long at
more than 4,000 turns without ever idling."""


@dataclass(frozen=True, kw_only=True)
class CheckFinding:
    """One thing that is not as it should be.

    Attributes
    ----------
    kind : str
        ``gap``, ``silent_lead``, ``slow_sampling``, ``clipped``, ``noisy``, ``drift``, ``spikes``, ``level``,
        ``attenuation``, ``role`` or ``rate``.
    column : str or None
        The lead; None for all of them.
    start_s, stop_s : float
        From when to when, seconds since the first sample.
    problem, consequence, remedy : str
        Clauses without full stop.
    n_events : int or None
        Events that cannot be judged because of it; None where that is not what it costs.
    """

    kind: str
    column: str | None
    start_s: float
    stop_s: float
    problem: str
    consequence: str
    remedy: str
    n_events: int | None = None

    @property
    def sentence(self) -> str:
        """All of it in one line."""
        lead = f"'{self.column}' " if self.column is not None else ""
        return (
            f"{_clock(self.start_s)} to {_clock(self.stop_s)}: {lead}{self.problem}: {self.consequence}; {self.remedy}"
        )


def _clock(second: float) -> str:
    whole = int(second)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def check_recording(recording: Recording, setup: Setup | None = None) -> list[CheckFinding]:
    """Check a recording, with a setup also whether it fits.

    Parameters
    ----------
    recording : Recording
        As opened.
    setup : Setup, optional
        Engine and leads; without, or without leads, they are told apart by their signals.

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
    looks = look_at(recording, columns, n_stretches=_N_STRETCHES, stretch_s=_STRETCH_S)
    found = tell_looks_apart(looks, cylinders=setup.engine.cylinders if setup is not None else None)
    roles = _roles(setup, found)
    trains = {c: t for c in columns if roles[c] in PULSE_ROLES and (t := train_of(looks[c])) is not None}
    end_s = recording.n_samples / recording.rate_hz
    findings = [*_gaps(recording, columns, trains, end_s), *_silences(recording, looks, trains)]
    findings += [
        _of_lead(check, column, trains, end_s)
        for column in columns
        for check in check_lead(recording, looks[column], roles[column], trains.get(column))
    ]
    findings += [*_wrong_roles(setup, found, end_s), *_wrong_rate(setup, found, trains, roles, end_s)]
    return sorted(findings, key=lambda f: (f.start_s, f.kind, f.column or ""))


def _roles(setup: Setup | None, found: LeadsFound) -> dict[str, str | None]:
    if setup is not None and setup.channel:
        return {c.column: c.role for c in setup.channel}
    return {x.column: x.role for x in found.leads}


def _of_lead(check: LeadCheck, column: str, trains: Mapping[str, Train], end_s: float) -> CheckFinding:
    del trains
    return CheckFinding(
        kind=check.kind, column=column, start_s=0.0, stop_s=end_s, problem=check.problem,
        consequence=check.consequence, remedy=check.remedy,
    )  # fmt: skip


def _gaps(
    recording: Recording, columns: Sequence[str], trains: Mapping[str, Train], end_s: float
) -> Iterator[CheckFinding]:
    """Missing samples, from the statistics of the files."""
    rate_hz = max((train.rate_hz for train in trains.values()), default=0.0)
    for gap in missing_seconds(recording, columns):
        lost = round(gap.seconds * rate_hz)
        yield CheckFinding(
            kind="gap", column=gap.column, start_s=gap.start_s, stop_s=min(gap.stop_s, end_s),
            problem=f"{gap.seconds:.3g} s of samples are missing", n_events=lost,
            consequence=f"some {lost} events cannot be judged there and none is called absent",
            remedy="record to a faster disk, or look for what interrupts the recorder",
        )  # fmt: skip


def _silences(
    recording: Recording, looks: Mapping[str, LeadLook], trains: Mapping[str, Train]
) -> Iterator[CheckFinding]:
    """Leads that stop pulsing for good while another goes on: a clip that fell off."""
    if len(trains) < 2:
        return
    stretches = next(iter(looks.values())).stretches
    spans = _spans([(s.start_s, s.start_s + s.step_s * s.volts.size) for s in stretches])
    counts = {
        c: np.array([np.count_nonzero((t.start_s >= a) & (t.start_s < b)) for a, b in spans]) for c, t in trains.items()
    }
    for column, mine in counts.items():
        others = np.max([n for c, n in counts.items() if c != column], axis=0)
        for first, last in _runs((mine == 0) & (others >= 3)):
            if last - first < _LEAST_SILENT or not mine.any():
                continue
            start_s = _edge(recording, column, spans, first, rising=False)
            stop_s = _edge(recording, column, spans, last, rising=True)
            other = max((c for c in counts if c != column), key=lambda c: counts[c][first:last].sum())
            lost = round(trains[other].rate_hz * (stop_s - start_s))
            yield CheckFinding(
                kind="silent_lead", column=column, start_s=start_s, stop_s=stop_s, n_events=lost,
                problem=f"shows no pulses while '{other}' goes on, as if its clip had fallen off",
                consequence=f"some {lost} events cannot be judged by it",
                remedy="look at the clip and record again, or leave this stretch out",
            )  # fmt: skip


def _spans(whole: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Cut long stretches, as of a short recording read as a whole, into pieces of two seconds."""
    cut: list[tuple[float, float]] = []
    for start, stop in whole:
        edges = np.linspace(start, stop, max(round((stop - start) / _STRETCH_S), 1) + 1)
        cut += [(float(a), float(b)) for a, b in pairwise(edges)]
    return cut


def _runs(flags: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    steps = np.diff(np.concatenate(([0], flags.astype(np.int8), [0])))
    yield from zip(np.flatnonzero(steps == 1).tolist(), np.flatnonzero(steps == -1).tolist(), strict=True)


def _edge(recording: Recording, column: str, spans: Sequence[tuple[float, float]], at: int, *, rising: bool) -> float:
    """Return the second at which a lead falls silent, or begins again, between two spans: by halving."""
    if at == 0:
        return spans[0][0]
    if at == len(spans):
        return spans[-1][1]
    first, last = spans[at - 1][0], spans[at][1]
    while last - first > max(2 * _STRETCH_S, _FINEST_S):
        middle = (first + last) / 2
        look = look_at(recording, [column], within_s=(middle, middle + _STRETCH_S), n_stretches=1, stretch_s=_STRETCH_S)
        pulses = look[column].high_states.size > 1 and look[column].two_levels
        if pulses == rising:
            last = middle + _STRETCH_S / 2
        else:
            first = middle
    return (first + last) / 2


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
            kind="role", column=guess.column, start_s=0.0, stop_s=end_s,
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
            kind="rate", column=commands[0].column, start_s=0.0, stop_s=end_s,
            problem=f"would show {rpm:.0f} turns a minute when slow and charge for {on_ms:.2g} ms",
            consequence="all times and speeds are wrong by one factor",
            remedy=f"check the sample rate: about {factor:.2g} times the stated one would fit an idling engine",
        )  # fmt: skip
