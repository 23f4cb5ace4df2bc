"""Every time the ignition falls silent: all of it, or one lead while the engine turns on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.engine.observed import CLIP_OFF
from miner.engine.setup import Setup
from miner.events.crank import Turning, turning_between
from miner.events.rows import Rows, pieces_of
from miner.recording.ranges import covered
from miner.schema import SILENCES
from miner.signal.extraction import spans_of

__all__ = ["find_silences"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SILENCE_COLUMNS = ("time_s", "cycle", "segment", "engine_rpm", "cylinder", "command_seen", "feedback_seen")

AT_SPEED_RPM = 1300.0
"""From here on an engine does not idle (idle speeds of road engines lie below; common practice, no source)."""

STARTER_RPM = 450.0
"""A starter turns no engine faster (150 to 350 rpm are usual; common practice, no source)."""

SLOWING = 0.03
"""Fall of the speed within `LOOK_BACK_S` from which on the throttle was closed: an engine that is driven falls less,
one that is braked by itself loses a tenth a second (own choice)."""

LOOK_BACK_S = 0.5
"""How long before a silence its speed is taken from: some cycles of any engine that runs (own choice)."""

FALLEN = 0.9
"""An engine slower than this share of its speed half a second before its last spark was already on its way down."""

LIMIT_SHARE = 0.95
"""A silence that begins nearer to the highest speed of the recording is what a limiter does."""

LIMIT_S = 1.0
"""And lasts no longer."""

COAST_S = 10.0
"""A crank that nothing drives stands within this, also from full speed (common practice, no source)."""

SYNC_TURNS = 10.0
"""A control unit finds its place on the wheel within a few turns of the crank (common practice, no source)."""

MOSTLY = 0.5
"""A silence of which gaps cover more than this share was not recorded; it is none."""

END_CYCLES, END_EVENTS = 3.0, 9.0
"""Engine cycles, and usual distances of events, from which on nothing until the recording's end is a silence: half as
much again as what surely is a pause between two events."""

N_AROUND = 512
"""Events kept before and after each change of segment: half a second of twelve cylinders at 9,000 rpm."""


@dataclass(frozen=True, kw_only=True)
class _Around:
    """Time and speed of the events before a silence of all leads, and after it; none after one that lasts."""

    before_s: Floats
    before_rpm: Floats
    after_s: Floats
    after_rpm: Floats


MarksBetween = Callable[[float, float], Iterable[pa.Table]]
"""Returns the CRANK rows from one instant to another, in pieces."""


def find_silences(
    events: Rows, gaps: pa.Table, setup: Setup, *, end_s: float, crank: MarksBetween | None = None
) -> pa.Table:
    """List the silences of a recording.

    Parameters
    ----------
    events : EVENTS table, or rows of one on the disk
        All events in time order; only a piece at a time is held.
    gaps : GAPS table
        What was not recorded is no silence.
    setup : Setup
        Names of the leads.
    end_s : float
        End of the recording: a silence may last to it.
    crank : callable, optional
        Marks of the crank wheel between two instants, where there is a wheel: it tells a stop from an ignition that is
        gone while the crank turns, also before the first event.

    Returns
    -------
    SILENCES table
        In time order.
    """
    leads = _LeadWatch(setup)
    rows: list[dict[str, object]] = []
    whole: list[_Around] = []
    top_rpm = 0.0
    for around, piece in _watched(pieces_of(events, SILENCE_COLUMNS), end_s, setup.engine.pattern.cycle_deg):
        whole.extend(around)
        if piece is not None:
            rows.extend(leads.take(piece))
            top_rpm = max(top_rpm, float(np.nan_to_num(_floats(piece["engine_rpm"])).max(initial=0.0)))
    rows.extend(leads.end())
    names = [channel.column for _, channel in setup.leads("command", "feedback")]
    rows.extend(_row_of(around, top_rpm, names, end_s, crank) for around in whole)
    if crank is not None and leads.first_s is not None:
        rows.extend(_before_first(crank, leads.first_s, names))
    missing = _Covered(gaps, {channel.column: index for index, channel in setup.leads("command", "feedback")}, end_s)
    rows = sorted((row for row in rows if not missing.mostly(row)), key=lambda row: (row["start_s"], row["leads"]))
    told = [{"silence_id": number, **row} for number, row in enumerate(rows, 1)]
    return SILENCES.validate(pa.Table.from_pylist(told, schema=SILENCES.schema))


def _floats(column: pa.ChunkedArray) -> Floats:
    return np.asarray(column.to_numpy(), dtype=np.float64)


def _watched(
    pieces: Iterable[pa.Table], end_s: float, cycle_deg: float
) -> Iterator[tuple[list[_Around], pa.Table | None]]:
    """Yield every piece, and what lies around the changes of segment that can be judged by then."""
    time_s, rpm, segment = np.zeros(0), np.zeros(0), np.zeros(0, dtype=np.int64)
    first = 1
    for piece in pieces:
        time_s = np.append(time_s, _floats(piece["time_s"]))
        rpm = np.append(rpm, _floats(piece["engine_rpm"]))
        # an event that was due may lie, by its time, among those after the pause: the pause is where the new one began
        segment = np.maximum.accumulate(np.append(segment, piece["segment"].to_numpy()))
        stop = max(first, len(time_s) - N_AROUND)
        yield _changes(time_s, rpm, segment, first, stop), piece
        kept = max(stop - N_AROUND, 0)
        time_s, rpm, segment, first = time_s[kept:], rpm[kept:], segment[kept:], stop - kept
    yield [*_changes(time_s, rpm, segment, first, len(time_s)), *_ending(time_s, rpm, segment, end_s, cycle_deg)], None


def _changes(time_s: Floats, rpm: Floats, segment: Ints, first: int, stop: int) -> list[_Around]:
    """Return what lies around the changes of segment between two rows."""
    changes = np.flatnonzero(np.diff(segment) != 0) + 1
    out = []
    for at in changes[(changes >= first) & (changes < stop)].tolist():
        low, high = np.searchsorted(segment, [segment[at - 1], segment[at] + 1])
        before, after = slice(max(low, at - N_AROUND), at), slice(at, min(high, at + N_AROUND))
        near = _Around(before_s=time_s[before], before_rpm=rpm[before], after_s=time_s[after], after_rpm=rpm[after])
        out.append(near)
    return out


def _ending(time_s: Floats, rpm: Floats, segment: Ints, end_s: float, cycle_deg: float) -> list[_Around]:
    """Return what lies before a silence that lasts to the end of the recording, if there is one."""
    if len(time_s) < 2:
        return []
    low = max(int(np.searchsorted(segment, segment[-1])), len(time_s) - N_AROUND)
    before_s, before_rpm, none = time_s[low:], rpm[low:], np.zeros(0)
    known = before_rpm[np.isfinite(before_rpm)]
    cycle_s = cycle_deg / (6.0 * float(known[-1])) if len(known) else 0.0
    apart_s = float(np.median(np.diff(before_s[-8:]))) if len(before_s) > 1 else 0.0
    lasting = end_s - float(time_s[-1]) > max(END_CYCLES * cycle_s, END_EVENTS * apart_s, 1e-9)
    return [_Around(before_s=before_s, before_rpm=before_rpm, after_s=none, after_rpm=none)] if lasting else []


def _row_of(
    around: _Around, top_rpm: float, names: list[str], end_s: float, crank: MarksBetween | None
) -> dict[str, object]:
    """Return the row of a silence of all leads."""
    start_s, stop_s = float(around.before_s[-1]), float(around.after_s[0]) if len(around.after_s) else None
    lasted_s = (end_s if stop_s is None else stop_s) - start_s
    recent = (around.before_s >= start_s - LOOK_BACK_S) & np.isfinite(around.before_rpm)
    speeds, times = around.before_rpm[recent], around.before_s[recent]
    before = float(np.median(speeds[: max(1, len(speeds) // 4)])) if len(speeds) else None
    after_rpm = around.after_rpm[np.isfinite(around.after_rpm)]
    after = float(after_rpm[0]) if len(after_rpm) else None
    last = float(speeds[-1]) if len(speeds) else None
    turns = None if before is None or last is None else _turns(times, speeds, before)
    back = "not told" if after is None else "by the starter" if after < STARTER_RPM else "still turning"
    back = "none" if stop_s is None else back
    slowing = before is not None and last is not None and last < (1.0 - SLOWING) * before
    limited = last is not None and last >= LIMIT_SHARE * top_rpm and lasted_s <= LIMIT_S
    turning = (
        None if crank is None else turning_between(crank(start_s, start_s + lasted_s), start_s, start_s + lasted_s)
    )
    turned_on = back == "still turning" if turning is None else _turned_on(turning)
    kind = _kind(before, turned_on=turned_on, slowing=slowing, limited=limited and (turned_on or back == "none"))
    return {
        "start_s": start_s, "stop_s": stop_s, "leads": names, "rpm_before": before, "rpm_after": after,
        "turns_to_silence": turns, "came_back": back, "looks_like": kind,
        "sentence": _sentence(kind, before, turns, lasted_s, back, after) + _said(turning),
        **_crank_columns(turning),
    }  # fmt: skip


def _turned_on(turning: Turning) -> bool:
    return not turning.stood or turning.seconds > COAST_S


def _crank_columns(turning: Turning | None) -> dict[str, object]:
    if turning is None:
        return {}
    return {"crank_turned": _turned_on(turning), "crank_turns": turning.turns}


def _said(turning: Turning | None) -> str:
    if turning is None:
        return ""
    turned = f"the crank turned for {turning.seconds:.2f} s, {turning.turns:.1f} turns"
    return f"; {turned}{', and stood' if turning.stood else ' all the while'}"


def _before_first(crank: MarksBetween, first_s: float, names: list[str]) -> list[dict[str, object]]:
    """Return the silence before the first event, where the crank turned for longer than it takes to find its place."""
    turning = turning_between(crank(-np.inf, first_s), -np.inf, first_s)
    if turning.turns < SYNC_TURNS:
        return []
    return [{
        "start_s": turning.first_s, "stop_s": first_s, "leads": names, "rpm_before": None, "rpm_after": None,
        "turns_to_silence": None, "came_back": "not told", "looks_like": "no_ignition", "crank_turned": True,
        "crank_turns": turning.turns,
        "sentence": f"no ignition before the first event{_said(turning)}",
    }]  # fmt: skip


def _turns(times: Floats, speeds: Floats, before_rpm: float) -> float:
    """Return the turns of the crank from where the speed began to fall to the last event: 0 for a sudden end."""
    fallen = np.flatnonzero(speeds < FALLEN * before_rpm)
    if not len(fallen):
        return 0.0
    seconds = np.diff(times[fallen[0] :])
    return float(np.sum(seconds * speeds[fallen[0] + 1 :]) / 60.0)


def _kind(before_rpm: float | None, *, turned_on: bool, slowing: bool, limited: bool) -> str:
    """Return what the silence looks like."""
    if before_rpm is None or before_rpm < AT_SPEED_RPM:
        return "pause" if turned_on else "stop"
    if turned_on and slowing:
        return "overrun"
    if limited:
        return "limiter"
    return "stop" if slowing else "cut_out"


WORDS = {
    "stop": "the engine was stopped or stalled",
    "pause": "the ignition paused at low speed while the engine turned on",
    "overrun": "as in overrun with the ignition dropped",
    "limiter": "as a speed limiter does",
    "cut_out": "a cut-out at speed: nothing in the speed before it announced a stop",
}


def _sentence(
    kind: str, before: float | None, turns: float | None, lasted_s: float, back: str, after: float | None
) -> str:
    speed = "" if before is None else f" from {before:,.0f} rpm"
    within = "" if not turns else f" within {turns:.1f} turns"
    came = {
        "by the starter": ", came back by the starter",
        "still turning": ", came back while the engine turned",
        "none": ", to the end of the recording",
    }
    at = "" if after is None else f" at {after:,.0f} rpm"
    return f"all leads silent{speed}{within} for {lasted_s:.2f} s{came.get(back, '')}{at}: {WORDS[kind]}"


class _LeadWatch:
    """Follows when each lead could last be told seen or absent; many cycles without are a clip that fell off."""

    def __init__(self, setup: Setup) -> None:
        self._leads = [(c.column, c.role, set(c.served(setup.engine))) for _, c in setup.leads("command", "feedback")]
        self._last: dict[str, tuple[float, int]] = {}
        self._now: tuple[float, int] | None = None
        self.first_s: float | None = None

    def take(self, piece: pa.Table) -> list[dict[str, object]]:
        """Return the silences of single leads that end in this piece."""
        if not piece.num_rows:
            return []
        time_s, cycle = _floats(piece["time_s"]), piece["cycle"].to_numpy()
        cylinder = piece["cylinder"].fill_null(-1).to_numpy()
        self.first_s = float(time_s[0]) if self.first_s is None else self.first_s
        began = self._now or (float(time_s[0]), int(cycle[0]))
        rows = []
        for column, role, served in self._leads:
            told = piece[f"{role}_seen"].is_valid().to_numpy() & np.isin(cylinder, [*served, -1])
            before_s, before = self._last.get(column, began)
            at_s, at = np.append(before_s, time_s[told]), np.append(before, cycle[told])
            rows += [
                _lone_row(column, float(at_s[k]), float(at_s[k + 1]), int(at[k + 1] - at[k]))
                for k in np.flatnonzero(np.diff(at) > CLIP_OFF).tolist()
            ]
            self._last[column] = (float(at_s[-1]), int(at[-1]))
        self._now = (float(time_s[-1]), int(cycle[-1]))
        return rows

    def end(self) -> list[dict[str, object]]:
        """Return the silences of single leads that last to the end."""
        rows = []
        for column, (at_s, cycle) in self._last.items():
            if self._now is not None and self._now[1] - cycle > CLIP_OFF:
                rows.append(_lone_row(column, at_s, None, self._now[1] - cycle))
        return rows


def _lone_row(column: str, start_s: float, stop_s: float | None, cycles: int) -> dict[str, object]:
    lasting = "to the end of the recording" if stop_s is None else f"for {stop_s - start_s:.2f} s"
    return {
        "start_s": start_s, "stop_s": stop_s, "leads": [column], "rpm_before": None, "rpm_after": None,
        "turns_to_silence": None, "came_back": "none" if stop_s is None else "still turning",
        "looks_like": "clip_off",
        "sentence": f"'{column}' silent {lasting} while the engine turned {cycles:,} cycles on: its clip was off, or "
        "its wire open",
    }  # fmt: skip


class _Covered:
    """Tells which silences lie mostly in gaps of their leads."""

    def __init__(self, gaps: pa.Table, index: dict[str, int], end_s: float) -> None:
        self._end_s = end_s
        lead, spans_s = gaps["lead"].fill_null(-1).to_numpy(), spans_of(gaps)
        self._gaps_s = {name: spans_s[np.isin(lead, [-1, number])] for name, number in index.items()}

    def mostly(self, row: dict[str, object]) -> bool:
        """Return whether gaps of every lead of the row cover most of it."""
        start, leads = float(str(row["start_s"])), row["leads"]
        stop = self._end_s if row["stop_s"] is None else float(str(row["stop_s"]))
        if stop <= start or not isinstance(leads, list):
            return False
        return min(covered(self._gaps_s[name], start, stop) for name in leads) > MOSTLY * (stop - start)
