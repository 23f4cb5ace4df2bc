"""The overview as one page: no script, no outside resource, every word from a file escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path
from urllib.parse import quote

from miner.findings.store import replacing
from miner.words import CAUTION, RATE_ASSUMED, clock, kind_name, of_many, rate_number, time_of_day
from pipelines.show.overview import Mined, Overview, Worst

__all__ = ["write_page"]

_STYLE = """
body{font:15px/1.45 system-ui,sans-serif;color:#1b1f24;background:#fbfaf7;margin:2rem auto;max-width:80rem;
padding:0 1rem}
h1{font-size:1.5rem;margin:0}h2{font-size:1.1rem;margin:2rem 0 .5rem}
table{border-collapse:collapse;width:100%;background:#fff}
th,td{text-align:left;vertical-align:top;padding:.35rem .6rem;border-bottom:1px solid #ddd8cd}
th{background:#efece4;position:sticky;top:0}td.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
.failed{border-left:.4rem solid #8c2f5d;background:#fff;padding:.5rem .8rem;margin:.4rem 0}
td a{overflow-wrap:anywhere}td:has(a){min-width:9rem}@media screen and (max-width:720px){.wrap table{min-width:56rem}}
.wrap{overflow-x:auto}.counts{display:flex;gap:2rem;flex-wrap:wrap}.counts table{width:auto}
a{color:#1f4e79}ul{margin:.2rem 0;padding-left:1.1rem}small{color:#5b6067}
@media (prefers-color-scheme:dark){body{background:#231f1b;color:#ece5d6}table,.failed{background:#2b2722}
th{background:#37322b}th,td{border-color:#423c33}a{color:#9cc3e6}small{color:#b3aa99}}
@media print{@page{size:landscape;margin:10mm}body{margin:0;max-width:none;font-size:11px;color:#000;background:#fff}
th{position:static}table,.failed{background:#fff}tr{break-inside:avoid}a{color:#000}}
"""


def write_page(path: Path, overview: Overview) -> None:
    """Write the page; links lead to the report of each recording, relative to the page.

    Raises
    ------
    FindingsError
        If it cannot be written.
    """
    parts = [
        f"<h1>Overnight: {escape(overview.folder.name)}</h1>",
        f"<p>{escape(overview.headline())}</p>",
        *_failures(overview),
        *_recordings(overview.mined, path.parent),
        *_worst(overview, path.parent),
        *_counts(overview),
        f"<p><small>{escape(CAUTION)}</small></p>",
    ]
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    head = (
        f'<meta charset="utf-8"><meta http-equiv="Content-Security-Policy" content="{policy}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Overnight: {escape(overview.folder.name)}</title><style>{_STYLE}</style>"
    )
    body = "\n".join(parts)
    text = f'<!doctype html>\n<html lang="en"><head>{head}</head>\n<body>\n{body}\n</body></html>\n'
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def _failures(overview: Overview) -> Iterable[str]:
    if overview.failed:
        yield "<h2>Failed</h2>"
    for one in overview.failed:
        yield (
            f'<div class="failed"><b>{escape(one.name)}</b><br>{escape(one.problem)}<br>'
            f"What to do: {escape(one.remedy)}</div>"
        )


def _recordings(mined: Sequence[Mined], base: Path) -> Iterable[str]:
    if not mined:
        return
    yield "<h2>Recordings, most rare suspects first</h2>"
    headers = ("recording", "vehicle", "in short", "rare suspects", "worst incidents", "quality", "speed")
    yield from _table(headers, (_mined_cells(one, base) for one in mined))


def _mined_cells(one: Mined, base: Path) -> list[str]:
    copies = f"<br><small>same content: {escape(', '.join(one.also))}</small>" if one.also else ""
    worst = "".join(f"<li>{escape(sentence)}</li>" for sentence in one.worst)
    return [
        f"<td>{_link(one.name, one.findings, base)}{copies}</td>",
        *(f"<td>{escape(text)}</td>" for text in (one.vehicle, one.in_short)),
        f'<td class="n">{one.n_suspects}</td>',
        f"<td>{f'<ul>{worst}</ul>' if worst else ''}</td>",
        *(f"<td>{escape(text)}</td>" for text in (one.quality, one.speed)),
    ]


def _worst(overview: Overview, base: Path) -> Iterable[str]:
    if not overview.worst:
        return
    yield f"<h2>Worst of all recordings{of_many(len(overview.worst), overview.n_listed)}</h2>"
    left_out = "What a healthy engine would show ten times in such a recording, or in an hour, is left out."
    yield f"<p><small>{left_out}</small></p>"
    headers = ("rank", "recording", "time", "cylinder", "kind", "false alarms an hour", "reason")
    yield from _table(headers, (_worst_cells(one, base) for one in overview.worst))
    if any(one.kind in RATE_ASSUMED for one in overview.worst):
        yield f"<p><small>* {escape(RATE_ASSUMED['extra_pulse'])}</small></p>"


def _worst_cells(one: Worst, base: Path) -> list[str]:
    day = time_of_day(one.started_at, one.time_s)
    assumed = "*" if one.kind in RATE_ASSUMED else ""
    return [
        f'<td class="n">{one.rank}</td>',
        f"<td>{_link(one.name, one.findings, base, event_id=one.event_id)}</td>",
        f'<td class="n">{clock(one.time_s)}{f"<br><small>{day}</small>" if day else ""}</td>',
        f'<td class="n">{"?" if one.cylinder is None else one.cylinder}</td>',
        f"<td>{escape(kind_name(one.kind))}</td>",
        f'<td class="n">{escape(rate_number(one.false_alarms_per_hour))}{assumed}</td>',
        f"<td>{escape(one.reason)}</td>",
    ]


def _counts(overview: Overview) -> Iterable[str]:
    if not any(overview.counts.values()):
        return
    yield '<h2>Rare suspects by vehicle, cylinder and kind</h2><div class="counts">'
    for what, counted in overview.counts.items():
        before = "cylinder " if what == "cylinder" else ""
        rows = ([f"<td>{before}{escape(name)}</td>", f'<td class="n">{n:,}</td>'] for name, n in counted)
        yield from _table((what, "rare suspects"), rows)
    yield "</div>"


def _table(headers: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterable[str]:
    yield '<div class="wrap"><table><thead><tr>'
    yield "".join(f"<th>{escape(name)}</th>" for name in headers)
    yield "</tr></thead><tbody>"
    for cells in rows:
        yield f"<tr>{''.join(cells)}</tr>"
    yield "</tbody></table></div>"


def _link(name: str, findings: Path, base: Path, *, event_id: int | None = None) -> str:
    """Return a link to the recording's report (at one event of it), or its name alone where there is none."""
    if not (findings / "report.html").is_file():
        return escape(name)
    place = quote((findings / "report.html").relative_to(base).as_posix())
    at = "" if event_id is None else f"#event-{event_id}"
    return f'<a href="{escape(place)}{at}">{escape(name)}</a>'
