"""The frozen page: the review in one file that opens offline, with the top suspects' windows inside.

Script, style and data are all in the file. Its content security policy names the script and the style by their
hashes and allows no connection, so that the file can do nothing but show itself.
"""

from __future__ import annotations

import base64
import html
import json
import zlib
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from miner.findings.store import replacing
from miner.findings.whole import REPORT_FILE, reseal
from miner.recording.reader import ChannelInfo
from miner.review.content import events_between, open_page, plain, usual_for
from miner.review.figures import figure_data
from miner.review.guard import frozen_policy
from miner.review.packing import pack
from miner.review.page import page_part
from miner.review.source import ReviewSource
from miner.review.views import View, stored_view

__all__ = ["MAX_REPORT_BYTES", "REPORT_FILE", "write_report"]

MAX_REPORT_BYTES = 2_900_000
"""A file that passes as an attachment; windows are left out from the least suspicious on until it fits."""

OVERVIEW_BLOCKS = 1500
HELD_BLOCKS = 1 << 20
"""Blocks of the envelope, of all leads together, that the overview is made from: 8 MB."""

LISTED_AT_LEAST = 300
"""Suspects in the frozen list, at most; the tables hold the rest."""

MISSING = -32768
_MOST = 32_000


def write_report(
    folder: str | Path, *, summary: Mapping[str, Any] | None = None, max_bytes: int = MAX_REPORT_BYTES
) -> Path:
    """Write ``report.html`` into a finished findings folder and return its path.

    Parameters
    ----------
    folder : path
    summary : mapping, optional
        As for `ReviewSource`.
    max_bytes : int
        Size that the file must not exceed.

    Raises
    ------
    FindingsError
        If the folder holds no finished findings, the page was not built, or the file cannot be written.
    """
    source = ReviewSource(folder, summary=summary, most_blocks=HELD_BLOCKS)
    script, style = page_part("page.js"), page_part("page.css")
    shell = _shell(script, style, _title(source.info))
    content = _content(source, max_bytes - len(shell.encode()))
    path = source.folder / REPORT_FILE
    with replacing(path) as temporary:
        temporary.write_text(shell.replace(_DATA_PLACE, content, 1), encoding="utf-8", newline="\n")
    if summary is None:  # of findings that are finished: their summary says how long each file is, and its digest
        reseal(source.findings, REPORT_FILE)
    return path


_DATA_PLACE = "{{data}}"


def _title(info: Mapping[str, Any]) -> str:
    """Return what the page is about: the vehicle and the recording."""
    name = str(info["path"]).replace("\\", "/").rsplit("/", 1)[-1]
    return html.escape(" · ".join(part for part in (str(info.get("vehicle") or ""), name) if part))


def _shell(script: str, style: str, title: str) -> str:
    """Return the page around the data; neither script nor style may end its element early."""
    if "</script" in script.lower() or "</style" in style.lower():
        raise ValueError("the built page cannot be put into one file")
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{frozen_policy(script, style)}">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n<title>{title}</title>\n'
        f"<style>{style}</style></head>\n"
        '<body><div id="page"><p class="state" role="status">Loading the findings …</p></div>\n'
        f'<script type="application/json" id="frozen">{_DATA_PLACE}</script>\n<script>{script}</script></body></html>\n'
    )


def _content(source: ReviewSource, max_bytes: int) -> str:
    """Return the embedded JSON: the page's opening, the figures, then as many windows as there is room for."""
    header, arrays = open_page(source)
    header["suspects"] = header["suspects"][:LISTED_AT_LEAST]
    header["made_at"] = datetime.now(UTC).strftime("%Y-%m-%d")
    header["missing"] = source.told_damage  # the recording is not needed here
    figures_header, figures = figure_data(source)
    content: dict[str, Any] = {
        "open": _frozen(header, arrays),
        "figures": _frozen(plain(figures_header), figures),
        "usual": [],
        "windows": [_overview(source)],
        "events": [],
    }
    room = max_bytes - len(_as_json(content).encode())
    stored = source.all_stored_windows()
    events: dict[int, dict[str, Any]] = {}
    cells: set[int] = set()
    for suspect in header["suspects"]:
        windows = list(_windows(source, stored.filter(pc.equal(stored["event_id"], suspect["event_id"]))))
        usual = _usual_cell(source, suspect, cells)
        near = events_between(source, suspect["window_start_s"], suspect["window_end_s"]) or []
        fresh = [event for event in near if event["event_id"] not in events]
        room -= len(_as_json([windows, usual, fresh]).encode())
        if room < 0:
            break
        content["windows"] += windows
        content["usual"] += usual
        events |= {event["event_id"]: event for event in fresh}
    content["events"] = [events[key] for key in sorted(events)]
    return _as_json(content)


def _as_json(content: Any) -> str:
    """Return JSON in which no text can end the script element that holds it."""
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _frozen(header: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> str:
    return base64.b64encode(zlib.compress(pack(header, arrays), 9)).decode()


def _windows(source: ReviewSource, table: pa.Table) -> Iterator[str]:
    for true_samples in (False, True):
        view = stored_view(table, source.clock, true_samples=true_samples)
        if len(view.times_s):
            yield _frozen_view(source, view)


def _overview(source: ReviewSource) -> str:
    """Return the whole recording in a picture's worth of blocks."""
    step, level = source.envelope.pick(source.n_samples / OVERVIEW_BLOCKS)
    n = max((len(low) for low, _ in level.values()), default=0)
    values = {lead: np.stack(ends, axis=1).ravel() for lead, ends in level.items()}
    times = source.clock.to_seconds(np.arange(n) * step)
    return _frozen_view(source, View(step=step, times_s=times, values=values))


def _frozen_view(source: ReviewSource, view: View) -> str:
    scales, arrays = {}, {}
    for lead, values in view.values.items():
        counts, scale = _counts(values, _channel(source, lead))
        arrays[f"lead_{lead}"], scales[f"lead_{lead}"] = counts, scale
    return _frozen({"step": view.step, "scales": scales}, {"time_s": _thin(view.times_s), **arrays})


def _thin(times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return first time, and the steps after it to a picosecond: nearly all alike, so they cost next to nothing."""
    return np.round(np.diff(times_s, prepend=0.0), 12)


def _channel(source: ReviewSource, lead: int) -> ChannelInfo | None:
    if source.recording is None:
        return None
    return source.recording.channels[source.leads[lead].column]


def _counts(values: NDArray[np.float32], channel: ChannelInfo | None) -> tuple[NDArray[np.int16], tuple[float, float]]:
    """Return 16-bit counts and (scale, offset): the recording's own where they fit, so that nothing is rounded."""
    finite = values[np.isfinite(values)]
    low, high = (float(finite.min()), float(finite.max())) if len(finite) else (0.0, 0.0)
    scale, offset = (high - low) / (2 * _MOST) or 1.0, (high + low) / 2
    if channel is not None and channel.dtype.startswith(("int", "uint")):
        own = (channel.scale, channel.offset)
        if max(abs(low - own[1]), abs(high - own[1])) / abs(own[0]) <= _MOST:
            scale, offset = own
    counts = np.full(len(values), MISSING, np.int16)
    known = np.isfinite(values)
    counts[known] = np.rint((values[known].astype(np.float64) - offset) / scale)
    return counts, (scale, offset)


def _usual_cell(source: ReviewSource, suspect: Mapping[str, Any], known: set[int]) -> list[str]:
    """Return the usual pulse that the page shows with a suspect, unless it is in the file already."""
    header, arrays = usual_for(source, suspect["cylinder"], suspect["event"]["engine_rpm"])
    if not header["found"] or header["cell"] in known:
        return []
    known.add(header["cell"])
    counts, scales = {}, {}
    for name, values in arrays.items():
        counts[name], scales[name] = _counts(values, None)
    return [_frozen(plain({**header, "scales": scales}), counts)]
