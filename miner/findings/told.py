"""What the workbook's summary sheet tells: the summary for a person, on two or three pages of paper.

``summary.json`` keeps all of it: digests, what was planted where, and inner figures of the ranking are left out here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from miner.words import cylinder_name, kind_name, size_text

__all__ = ["flatten", "told_pairs"]

_LEFT_OUT = ("setup", "files", "seal", "settings", "setup_fit", "check", "explained", "ranking", "recording")
"""Parts of the summary that are on a sheet of their own, mean nothing to a person, or are told in another way."""

_DIGITS = 6
"""Significant digits of what is told: levels and shares are known to three or four, lengths of time to the second."""


def told_pairs(summary: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """Yield (key, plain value) for each line of the summary sheet.

    Parameters
    ----------
    summary : mapping
        Content of ``summary.json``; of an earlier version too, which may lack any part.
    """
    recording = {key: value for key, value in summary.get("recording", {}).items() if key != "channels"}
    yield from _worded({"recording": recording})
    yield from _explained(summary.get("explained", {}))
    for i, row in enumerate(summary.get("check", []), start=1):
        leads = ", ".join(row.get("columns", []))
        told = "; ".join(str(row[part]) for part in ("problem", "consequence", "remedy") if row.get(part))
        yield f"check.{i}", f"{leads}: {told}" if leads else told
    yield from _worded({key: value for key, value in summary.items() if key not in _LEFT_OUT})


def _worded(content: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Yield what says something, measured numbers with the digits that mean anything."""
    for key, value in flatten(content, prefix):
        if value not in (None, "", []):
            yield key, float(f"{value:.{_DIGITS}g}") if isinstance(value, float) else value


def _explained(explained: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """Yield what was found about the whole recording: sentences, and one line a kind of what would have been found."""
    sensitivity = explained.get("sensitivity", {})
    for key in ("conditions", "standing"):
        for i, sentence in enumerate(explained.get(key, []), start=1):
            yield f"explained.{key}.{i}", sentence
    yield from _worded({"fault_rate_limits": sensitivity.get("fault_rate_limits", {})}, "explained")
    yield from _smallest(sensitivity.get("smallest_found", []))
    sample = sensitivity.get("waveform_sample", {}).get("sentence")
    if sample:
        yield "explained.waveform_sample", sample
    note = explained.get("misfire_windows", {}).get("note")
    if note:
        yield "explained.misfire_windows.note", note


def _smallest(rows: Sequence[Mapping[str, Any]]) -> Iterator[tuple[str, str]]:
    kinds: dict[str, list[str]] = {}
    for row in rows:
        place = f"place {row['slot'] + 1}" if row["cylinder"] is None else cylinder_name(row["cylinder"])
        kinds.setdefault(row["kind"], []).append(f"{place}: {size_text(row['size'], row['unit'])}")
    for kind, cells in kinds.items():
        yield f"smallest fault found, {kind_name(kind)}", "; ".join(cells)


def flatten(content: Any, prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Yield (dotted key, plain value); a list of plain values is one value."""
    if isinstance(content, Mapping):
        for key in content:
            yield from flatten(content[key], f"{prefix}.{key}" if prefix else str(key))
    elif isinstance(content, list) and any(isinstance(item, Mapping) for item in content):
        for i, item in enumerate(content, start=1):
            yield from flatten(item, f"{prefix}.{i}")
    else:
        yield prefix, content
