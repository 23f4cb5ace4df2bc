"""Value change dumps (IEEE 1364-2005, clause 18): 1-bit, vector and real signals.

The declarations are read by pyvcd. The changes are read by the few lines below, in blocks: pyvcd's tokens, with their
line and column each, cost several times as much (``tests/performance/bench_import.py``); the tests hold both against
each other.
"""

from __future__ import annotations

import copy
import io
import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from miner.recording.formats.base import ImportOptions, Notes, Stream, chosen, distinct, refuse
from miner.recording.formats.edges.changes import Change, sampled_changes

__all__ = ["open_vcd"]

_BLOCK_BYTES = 1 << 22
_MOST_HEADER_BYTES = 1 << 26
_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}

_STATES = {
    **dict.fromkeys(b"0lL", 0.0),
    **dict.fromkeys(b"1hH", 1.0),
    **dict.fromkeys(b"xXzZuUwW-", math.nan),
}
"""Scalar states; the nine-state ones of VHDL writers are taken in too. Unknown and high impedance are gaps."""

_SKIPPED = {b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff", b"$end"}


class _BadTokenError(ValueError):
    """A token that is no change."""


@dataclass(kw_only=True)
class _State:
    """What has been read so far of the changes."""

    time: int | None = None
    pending: bytes | None = None
    """A vector or real value whose signal comes with the next token."""
    in_comment: bool = False
    ticks: dict[bytes, list[int]] = field(default_factory=dict)
    values: dict[bytes, list[float]] = field(default_factory=dict)


def open_vcd(file: Path, options: ImportOptions, notes: Notes) -> Stream:
    """Open a value change dump; its changes become samples, see `miner.recording.formats.edges.changes`.

    Raises
    ------
    RecordingError
        If declarations or changes are not as the standard has them, with the line.
    """
    header, n_header = _header(file)
    signals, tick_s = _declared(header, file)
    leads = chosen(list(signals.values()), options, file)
    wanted = {code: name for code, name in signals.items() if name in leads}
    known = set(_declared_codes(header))

    def changes(noted: Notes) -> Iterator[Change]:
        return _changes(file, n_header, wanted, known, options, noted)

    return sampled_changes(file, leads, changes, options, notes, tick_s=tick_s)


def _header(file: Path) -> tuple[bytes, int]:
    """Return the declarations, and how many bytes they are."""
    with file.open("rb") as source:
        data = source.read(_MOST_HEADER_BYTES)
    at = data.find(b"$enddefinitions")
    stop = data.find(b"$end", at + len(b"$enddefinitions")) if at >= 0 else -1
    if stop < 0:
        raise refuse("has no $enddefinitions, so it is cut off or no value change dump", "record it again", file)
    stop += len(b"$end")
    return data[:stop], stop


def _tokens(header: bytes, file: Path) -> Iterator[tuple[str, Any]]:
    from vcd.reader import VCDParseError, tokenize

    try:
        for token in tokenize(io.BytesIO(header)):
            yield token.kind.name, token.data
    except VCDParseError as error:
        line = getattr(getattr(error, "loc", None), "line", None)
        raise refuse(f"the declarations cannot be read ({error})", "record it again", file, line=line) from error
    except (ValueError, AssertionError, UnicodeDecodeError) as error:
        raise refuse("the declarations cannot be read", "record it again", file) from error


def _declared_codes(header: bytes) -> Iterator[bytes]:
    words = header.split()
    for i, word in enumerate(words):
        if word == b"$var" and i + 3 < len(words):
            yield words[i + 3]


def _declared(header: bytes, file: Path) -> tuple[dict[bytes, str], float]:
    """Return the name of every signal by its code, and the seconds in a tick."""
    scopes: list[str] = []
    names: dict[bytes, tuple[str, str]] = {}
    tick_s = None
    for kind, data in _tokens(header, file):
        if kind == "TIMESCALE":
            tick_s = float(data.magnitude) * _SECONDS[data.unit.value]
        elif kind == "SCOPE":
            scopes.append(data.ident)
        elif kind == "UPSCOPE" and scopes:
            scopes.pop()
        elif kind == "VAR" and data.type_.value not in ("string", "event"):
            names.setdefault(data.id_code.encode(), (data.ref_str, ".".join((*scopes, data.ref_str))))
    if tick_s is None:
        raise refuse("has no $timescale", "add one to its head, for example '$timescale 1 ns $end'", file)
    if not names:
        raise refuse("declares no signals", "check how it was recorded", file)
    often = Counter(short for short, _ in names.values())
    plain = distinct([short if often[short] == 1 else full for short, full in names.values()])
    return dict(zip(names, plain, strict=True)), tick_s


def _changes(
    file: Path, n_header: int, wanted: dict[bytes, str], known: set[bytes], options: ImportOptions, notes: Notes
) -> Iterator[Change]:
    state = _State(ticks={code: [] for code in wanted}, values={code: [] for code in wanted})
    size = max(file.stat().st_size, 1)
    with file.open("rb") as source:
        line = 1 + source.read(n_header).count(b"\n")
        rest = b""
        while True:
            data = source.read(_BLOCK_BYTES)
            text, rest = _cut(rest + data, last=not data)
            before = copy.deepcopy(state)
            try:
                _read(text.split(), state, known)
            except _BadTokenError:
                state = _read_by_line(text, before, known, line, file, options, notes)
            line += text.count(b"\n")
            if state.time is not None:
                yield _taken(state, wanted, source.tell() / size)
            if not data:
                return


def _cut(data: bytes, *, last: bool) -> tuple[bytes, bytes]:
    """Cut in front of the last instant, so that all changes of an instant come together."""
    at = len(data) if last else data.rfind(b"\n#") + 1
    if not last and at == 0:
        at = max(data.rfind(b"\n") + 1, 0)
    return data[:at], data[at:]


def _read(tokens: list[bytes], state: _State, known: set[bytes]) -> None:  # noqa: C901 - one branch a kind of token
    """Take in changes; raises ``_BadTokenError`` for what is none."""
    ticks, values, now = state.ticks, state.values, state.time
    pending, states = state.pending, _STATES
    for token in tokens:
        first = token[0]
        if state.in_comment:
            state.in_comment = token != b"$end"
        elif pending is not None:
            if token not in known:
                raise _BadTokenError(token)
            if token in ticks:
                ticks[token].append(now or 0)
                values[token].append(_number(pending))
            pending = None
        elif first == 35:  # '#'
            now = _later(token, now)
        elif first in states:
            code = token[1:]
            if code in ticks:
                ticks[code].append(now or 0)
                values[code].append(states[first])
            elif code not in known:
                raise _BadTokenError(token)
        elif first in b"bBrRsS" and len(token) > 1:
            pending = token
        elif token == b"$comment":
            state.in_comment = True
        elif token not in _SKIPPED:
            raise _BadTokenError(token)
    state.time, state.pending = now, pending


def _later(token: bytes, now: int | None) -> int:
    if not token[1:].isdigit() or len(token) > 19:
        raise _BadTokenError(token)
    time = int(token[1:])
    if now is not None and time < now:
        raise _BadTokenError(token)
    return time


def _number(token: bytes) -> float:
    """Return the value of a vector or real token; NaN for unknown states and strings."""
    kind, digits = token[:1].lower(), token[1:]
    try:
        if kind == b"b":
            if digits.strip(b"01"):
                return _unknown(token)
            return float(int(digits, 2))
        value = float(digits) if kind == b"r" else math.nan
    except (ValueError, OverflowError) as error:
        raise _BadTokenError(token) from error
    return value


def _unknown(token: bytes) -> float:
    if any(state not in _STATES for state in token[1:]):
        raise _BadTokenError(token)
    return math.nan


def _read_by_line(
    text: bytes, state: _State, known: set[bytes], line: int, file: Path, options: ImportOptions, notes: Notes
) -> _State:
    """Read a block again line by line; refuse the line that is no change, or make all leads gaps from there on."""
    for number, one in enumerate(text.split(b"\n"), line):
        try:
            _read(one.split(), state, known)
        except _BadTokenError as bad:
            shown = bad.args[0][:40].decode("latin-1")
            if not options.keep_going:
                raise refuse(
                    f"'{shown}' is no change of a declared signal, or its time runs backwards",
                    "correct the file, or import with --keep-going, which makes a gap until the next change",
                    file,
                    line=number,
                ) from bad
            notes.count_unreadable(1, f"{file}, line {number}")
            state.pending = None
            for code, ticks in state.ticks.items():
                ticks.append(state.time or 0)
                state.values[code].append(math.nan)
    return state


def _taken(state: _State, wanted: dict[bytes, str], done: float) -> Change:
    """Return what has been read since the last time."""
    leads = {
        name: (np.array(state.ticks[code], np.int64), np.array(state.values[code], np.float64))
        for code, name in wanted.items()
    }
    for code in wanted:
        state.ticks[code].clear()
        state.values[code].clear()
    assert state.time is not None
    return Change(leads=leads, until=state.time, done=min(done, 1.0))
