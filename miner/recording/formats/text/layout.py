"""How a text file is laid out: delimiter, decimal sign, preamble, names, units, and which column is the time.

RFC 4180 describes the plain case; recorders differ from it in all of these. The head of the file is tried with every
delimiter and decimal sign, and the one that turns most lines into numbers is taken.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from miner.recording.formats.base import ImportOptions, distinct, refuse
from miner.recording.formats.instants import estimate_rate
from miner.recording.formats.text.stamps import Stamp, stamp_of

__all__ = ["LONG_WAYS", "MISSING", "TextLayout", "fields_of", "lay_out", "lay_out_long", "number_of"]

MISSING = ("", "nan", "NaN", "NAN", "NA", "N/A", "n/a", "null", "NULL", "None")
"""What stands for a value that was not recorded; it becomes a gap."""

_WAYS = (("\t", "."), (";", "."), (",", "."), ("|", "."), ("\t", ","), (";", ","), (",", ","), (" ", "."), (" ", ","))
"""Delimiter and decimal sign, the plainer first: of equally good ways the first is taken."""

LONG_WAYS = tuple(way for way in _WAYS if way[0] != " ")
"""Those for rows with a name in them, which may hold blanks."""

_HEAD_LINES = 2000

_SECONDS = {"s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6,
            "ns": 1e-9, "samples": None, "sample": None}  # fmt: skip
_UNITS = {"v": ("V", 1.0), "volt": ("V", 1.0), "volts": ("V", 1.0), "mv": ("V", 1e-3), "kv": ("V", 1e3), "uv": ("V",
1e-6),
          "a": ("A", 1.0), "amp": ("A", 1.0), "amps": ("A", 1.0), "ma": ("A", 1e-3)}  # fmt: skip

_TIME_NAMES = re.compile(r"(time|times|timestamp|elapsed|zeit|t|seconds?|sec)", re.IGNORECASE)
_COUNT_NAMES = re.compile(r"(sample|samples|index|number|nr|no|n|i|#|point)", re.IGNORECASE)
_RATE_LINE = re.compile(
    r"\b(?:sample|sampling)[ _]?(?:rate|frequency)\b[^0-9]*([0-9.]+(?:e[+-]?\d+)?)\s*([kMG]?)", re.IGNORECASE
)


@dataclass(frozen=True, kw_only=True)
class TextLayout:
    """How the rows of a text file are to be read.

    Attributes
    ----------
    delimiter, decimal : str
    first_line : int
        Line of the first row of numbers, from 0.
    names : tuple of str
        Of all columns, in order.
    units : tuple of (str, float)
        Unit and factor to it of every column.
    time_index : int or None
        Column of the time.
    time_factor_s : float or None
        Seconds in one of its units; None where it counts samples.
    rate_hz : float or None
        As said above the rows.
    changes : bool
        Whether the rows are changes that hold until the next one.
    zero : Stamp or None
        First instant, where the time is written as date and time of day; the time counts seconds from it.
    label : str or None
        Column that names the lead of each row, where a row holds one value of one lead.
    """

    delimiter: str
    decimal: str
    first_line: int
    names: tuple[str, ...]
    units: tuple[tuple[str, float], ...]
    time_index: int | None
    time_factor_s: float | None
    rate_hz: float | None
    changes: bool
    zero: Stamp | None = None
    label: str | None = None


def number_of(text: str, decimal: str) -> float | None:
    """Return the number a field holds, NaN where it stands for a missing value, or None where it is no number."""
    text = text.strip()
    if text in MISSING:
        return np.nan
    if decimal == "," and "." in text:
        return None
    text = text.replace(decimal, ".")
    try:
        value = float(text) if "_" not in text else None
    except ValueError:
        return None
    return value if value is not None and np.isfinite(value) else None


def fields_of(line: str, delimiter: str) -> list[str]:
    """Split one line, quotes as RFC 4180 has them; blanks as delimiter count once, however many."""
    if delimiter == " ":
        return line.split()
    return next(csv.reader([line], delimiter=delimiter), [])


def lay_out(lines: Sequence[str], options: ImportOptions, file: Path) -> TextLayout:
    """Return the layout that the first lines of a file show.

    Raises
    ------
    RecordingError
        If there are no rows of numbers, or the time column that was named is not there.
    """
    lines = lines[:_HEAD_LINES]
    delimiter, decimal, n_columns = _way(lines, file)
    rows = [fields_of(line, delimiter) for line in lines]
    first = next(i for i, row in enumerate(rows) if _is_row(row, decimal, n_columns))
    header, units_row = _header(rows, first, n_columns)
    names, units = _names(header, units_row, n_columns)
    samples = [row for row in rows[first:] if _is_row(row, decimal, n_columns)]
    stamped, zero = _first_stamp(samples)
    values = np.array([[_value(f, decimal, zero) for f in row] for row in samples])
    named = stamped if options.time_column is None else None
    time_index = named if named is not None else _time_index(names, bool(header), values, options, file)
    zero = zero if time_index == stamped else None
    factor = 1.0 if zero else _time_factor(time_index, names, units, values, options)
    return TextLayout(
        delimiter=delimiter,
        decimal=decimal,
        first_line=first,
        names=_column_names(names, time_index),
        units=tuple(
            _UNITS.get(unit.lower(), (unit if unit and unit.lower() not in _SECONDS else "V", 1.0)) for unit in units
        ),
        time_index=time_index,
        time_factor_s=factor,
        rate_hz=_stated_rate(lines[:first]),
        changes=_are_changes(values, time_index, factor) if options.changes is None else options.changes,
        zero=zero,
    )


def lay_out_long(
    rows: Sequence[list[str]], first: int, label: int, way: tuple[str, str], options: ImportOptions
) -> TextLayout:
    """Return the layout of rows (time, name of the lead, value); blank lines are not among ``rows``."""
    samples = [row for row in rows[first:] if len(row) == 3]
    stamped, zero = _first_stamp([[f if i != label else "" for i, f in enumerate(row)] for row in samples])
    header = list(rows[first - 1]) if first and len(rows[first - 1]) == 3 else []
    names, units = _names(header, [], 3)
    numeric = [i for i in range(3) if i != label]
    told = [i for i in numeric if options.time_column in (names[i], _plain(names[i]))]
    told += [i for i in numeric if _TIME_NAMES.fullmatch(_base(names[i]))] + numeric
    time_index = stamped if stamped is not None else told[0]
    numbers = np.array([[_value(row[time_index], way[1], zero)] for row in samples])
    plain = _column_names(names, time_index)
    return TextLayout(
        delimiter=way[0],
        decimal=way[1],
        first_line=first,
        names=plain,
        units=tuple(_UNITS.get(unit.lower(), ("V", 1.0)) for unit in units),
        time_index=time_index,
        time_factor_s=1.0 if zero else _time_factor(0, [names[time_index]], [units[time_index]], numbers, options),
        rate_hz=None,
        changes=False,
        zero=zero,
        label=plain[label],
    )


def _first_stamp(rows: Sequence[Sequence[str]]) -> tuple[int | None, Stamp | None]:
    """Return the column that holds instants of a clock, and the first of them."""
    for row in rows:
        for index, field in enumerate(row):
            stamp = stamp_of(field)
            if stamp is not None:
                return index, stamp
    return None, None


def _value(field: str, decimal: str, zero: Stamp | None) -> float:
    """Return the number of a field that is known to hold one, or the seconds of an instant after the first."""
    stamp = stamp_of(field) if zero else None
    value = zero.seconds_to(stamp) if zero and stamp else number_of(field, decimal)
    return np.nan if value is None else value


def _column_names(names: Sequence[str], time_index: int | None) -> tuple[str, ...]:
    """Return a name for every column, all different; that of the time stays as it is."""
    plain = [_plain(name) for name in names]
    found = distinct(plain)
    if time_index is not None and plain[time_index] not in found:
        found[time_index] = plain[time_index]
    return tuple(found)


def _is_row(fields: Sequence[str], decimal: str, n_columns: int) -> bool:
    if len(fields) != n_columns:
        return False
    numbers = [number_of(field, decimal) if stamp_of(field) is None else 0.0 for field in fields]
    return None not in numbers and any(n == n for n in numbers if n is not None)


def _way(lines: Sequence[str], file: Path) -> tuple[str, str, int]:
    """Return delimiter, decimal sign and number of columns that turn most lines into numbers."""
    best, found = 0.0, None
    for delimiter, decimal in _WAYS:
        rows = [fields_of(line, delimiter) for line in lines if line.strip()]
        widths = Counter(len(row) for row in rows if _is_row(row, decimal, len(row)))
        if not widths:
            continue
        width, n = widths.most_common(1)[0]
        # a line of names above the rows that has as many fields speaks for the way: '1,5' under one name is one number
        n_named = any(len(row) == width and not _is_row(row, decimal, width) for row in rows[:50])
        score = n + 0.5 * n_named
        if score > best:
            best, found = score, (delimiter, decimal, width)
    if found is None:
        raise refuse("no line holds numbers that could be samples", "export the samples as numbers in columns", file)
    return found


def _header(rows: list[list[str]], first: int, n_columns: int) -> tuple[list[str], list[str]]:
    """Return the row of names and the row of units above the first row of numbers; empty where there is none."""
    above = [row for row in rows[max(first - 3, 0) : first] if any(field.strip() for field in row)]
    named = [row for row in above if len(row) in (n_columns, n_columns - 1)]
    if named and named[-1] is not above[-1]:
        return [], []
    if len(named) >= 2 and _are_units(named[-1]):
        return named[-2], named[-1]
    return (named[-1], []) if named else ([], [])


def _bare(unit: str) -> str:
    return unit.strip().strip("()[]").strip()


def _are_units(row: Sequence[str]) -> bool:
    bare = [_bare(field).lower() for field in row]
    return any(bare) and all(u == "" or u in _SECONDS or u in _UNITS for u in bare)


def _names(header: list[str], units_row: list[str], n_columns: int) -> tuple[list[str], list[str]]:
    names = [field.strip().lstrip("#%").strip() for field in header]
    names += [""] * (n_columns - len(names))
    units = [_bare(field) for field in units_row] or [_unit_in(name) for name in names]
    return names, units + [""] * (n_columns - len(units))


def _unit_in(name: str) -> str:
    """Return the unit that a name carries: 'time (ms)', 'lead [V]', 'time_us', 'time in ms'."""
    found = re.search(r"[(\[]\s*([^)\]]+?)\s*[)\]]\s*$", name) or re.search(r"(?:[_ /]|\bin )([A-Za-zµμ]+)$", name)
    unit = found.group(1) if found else ""
    return unit if unit.lower() in _SECONDS or unit.lower() in _UNITS else ""


def _plain(name: str) -> str:
    """Return a name without a unit in brackets."""
    return re.sub(r"\s*[(\[][^)\]]*[)\]]\s*$", "", name)


def _base(name: str) -> str:
    """Return a name without any unit, to compare it with the names for time."""
    plain = _plain(name)
    unit = _unit_in(plain)
    return re.sub(r"[_ /]*(?:in )?$", "", plain[: -len(unit)]) if unit and plain.lower() not in _SECONDS else plain


def _time_index(
    names: Sequence[str], named: bool, values: np.ndarray, options: ImportOptions, file: Path
) -> int | None:
    if options.time_column is not None:
        plain = [_plain(name) for name in names]
        for known in (names, plain):
            if options.time_column in known:
                return list(known).index(options.time_column)
        raise refuse("the time column is not there", "known are " + ", ".join(plain), file, column=options.time_column)
    if len(names) < 2:
        return None
    for index, name in enumerate(names):
        if _TIME_NAMES.fullmatch(_base(name)) or (index == 0 and _COUNT_NAMES.fullmatch(_base(name))):
            return index
    steps = np.diff(values[:, 0].astype(float))
    # without a name: only the time rises from row to row, over many rows
    return 0 if (not named or not names[0]) and steps.size >= 2 and bool((steps > 0).all()) else None


def _time_factor(
    index: int | None, names: Sequence[str], units: Sequence[str], values: np.ndarray, options: ImportOptions
) -> float | None:
    """Return the seconds in one unit of the time column; None where it counts samples."""
    if index is None:
        return None
    if options.time_unit is not None:
        return _SECONDS[options.time_unit]
    if units[index].lower() in _SECONDS:
        return _SECONDS[units[index].lower()]
    counts = _COUNT_NAMES.fullmatch(_base(names[index])) is not None
    steps_by_one = values.shape[0] > 2 and bool((np.diff(values[:, index].astype(float)) == 1.0).all())
    return None if counts or (steps_by_one and options.rate_hz is not None) else 1.0


def _are_changes(values: np.ndarray, time_index: int | None, factor: float | None) -> bool:
    """Whether rows are written only when something changes: few values, each row unlike the last, irregular steps.

    A regular recording repeats its values from row to row, or has many values.
    """
    if time_index is None or factor is None or values.shape[0] < 8:
        return False
    table = values.astype(float)
    rate = estimate_rate(table[:, time_index])
    steps = np.diff(table[:, time_index])
    if rate is None or np.mean(np.abs(steps * rate - 1.0) < 0.01) > 0.95:
        return False
    rest = np.delete(table, time_index, axis=1)
    few = all(np.unique(column[np.isfinite(column)]).size <= 4 for column in rest.T)
    changed = (np.diff(rest, axis=0) != 0).any(axis=1)
    return few and bool(changed.mean() > 0.9)


def _stated_rate(preamble: Sequence[str]) -> float | None:
    for line in preamble:
        found = _RATE_LINE.search(line)
        if found:
            return float(found.group(1)) * {"": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}[found.group(2)]
    return None
