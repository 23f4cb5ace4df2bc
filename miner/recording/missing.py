"""Missing samples by the statistics that Parquet files carry, without reading the samples."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from miner.recording.parts import Part, open_file
from miner.recording.reader import TIME_COLUMN, Recording
from miner.recording.timing import GAP_STEPS

__all__ = ["Missing", "missing_seconds"]


@dataclass(frozen=True, kw_only=True)
class Missing:
    """Seconds of samples that are missing somewhere between two instants, on one column or (None) on all."""

    column: str | None
    start_s: float
    stop_s: float
    seconds: float


def missing_seconds(recording: Recording, columns: Sequence[str]) -> list[Missing]:
    """Return where samples are missing, to the row groups of the files; NaN are not counted there.

    Raises
    ------
    RecordingError
        If a file cannot be opened any more.
    """
    found: list[Missing] = []
    for part in recording.parts:
        with open_file(part.path) as file:
            footer = file.metadata
            for group in range(footer.num_row_groups):
                rows = footer.row_group(group)
                stats = {rows.column(i).path_in_schema: rows.column(i).statistics for i in range(rows.num_columns)}
                found += _nulls(recording, part, group, columns, stats)
                found += _time_gap(recording, stats.get(TIME_COLUMN), rows.num_rows)
    return _joined(found)


def _span(recording: Recording, part: Part, group: int) -> tuple[float, float]:
    return part.group_starts[group] / recording.rate_hz, part.group_stop(group) / recording.rate_hz


def _nulls(
    recording: Recording, part: Part, group: int, columns: Sequence[str], stats: dict[str, Any]
) -> Iterator[Missing]:
    start_s, stop_s = _span(recording, part, group)
    for column in columns:
        known = stats.get(column)
        if known is not None and known.has_null_count and known.null_count:
            yield Missing(column=column, start_s=start_s, stop_s=stop_s, seconds=known.null_count / recording.rate_hz)


def _time_gap(recording: Recording, known: Any, n_rows: int) -> Iterator[Missing]:
    if known is None or not known.has_min_max:
        return
    start_s, stop_s = (float(t) - recording.first_time_s for t in (known.min, known.max))
    lost = (stop_s - start_s) - (n_rows - 1) / recording.rate_hz
    if lost > max(GAP_STEPS / recording.rate_hz, 1e-4 * (stop_s - start_s)):
        yield Missing(column=None, start_s=start_s, stop_s=stop_s, seconds=lost)


def _joined(found: list[Missing]) -> list[Missing]:
    """Return neighbouring stretches of one column as one."""
    joined: list[Missing] = []
    for one in sorted(found, key=lambda m: (m.column or "", m.start_s)):
        last = joined[-1] if joined else None
        if last is not None and last.column == one.column and one.start_s <= last.stop_s + 1e-6:
            joined[-1] = Missing(
                column=one.column, start_s=last.start_s, stop_s=one.stop_s, seconds=last.seconds + one.seconds
            )
        else:
            joined.append(one)
    return joined
