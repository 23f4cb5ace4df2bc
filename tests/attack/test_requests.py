"""Bad requests by the hundred: an answer, or a refusal in a sentence; what was decided before stays to the byte.

The long run is ``python -m tests.performance.bench_attack requests``.
"""

from __future__ import annotations

import json
import logging
import select
import shutil
import socket
import sqlite3
from collections import Counter
from contextlib import suppress
from pathlib import Path

import pytest

from miner.errors import MAX_SENTENCE
from miner.findings.store import Findings
from miner.review.verdicts import VERDICTS_FILE
from miner.schema import EVENTS
from tests.attack.bad_requests import draw_request, is_good_decision
from tests.review.serving import Client, serving

SEEDS = range(300)
ANSWERED_WITHIN_S = 0.5


def stored(folder: Path) -> list[tuple[object, ...]]:
    """Return every decision as it lies in the file; a server keeps more in the file beside it."""
    if not (folder / VERDICTS_FILE).exists():
        return []
    with sqlite3.connect(f"file:{folder / VERDICTS_FILE}?mode=ro", uri=True) as base:
        rows = base.execute("SELECT * FROM decision ORDER BY revision").fetchall()
    base.close()
    return rows


def kept(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if not p.name.startswith(VERDICTS_FILE)}


def sent(port: int, wire: bytes) -> bytes:
    """Return what is answered to some bytes; a server that waits for more is told that no more will come."""
    with socket.create_connection(("127.0.0.1", port), timeout=20) as connection:
        answered = b""
        with suppress(ConnectionError):
            connection.sendall(wire)
            while True:
                if not select.select([connection], [], [], ANSWERED_WITHIN_S)[0]:
                    connection.shutdown(socket.SHUT_WR)
                if not (piece := connection.recv(1 << 16)):
                    break
                answered += piece
        return answered


def said_of(answered: bytes) -> tuple[int, str]:
    """Return status and content of the first answer; 0 where there is none."""
    head, _, content = answered.partition(b"\r\n\r\n")
    if b"transfer-encoding: chunked" in head.lower():
        content = content.split(b"\r\n")[1]
    status = int(head.split()[1]) if head.startswith(b"HTTP/1.1 ") else 0
    try:
        return status, str(json.loads(content)["error"])
    except (ValueError, KeyError, TypeError):
        return status, content.decode("utf-8", "replace")


def attack(client: Client, folder: Path, seed: int) -> str:
    """Ask one bad question; return ``right``, ``refused`` or ``unheard`` (cut off before its end).

    Raises
    ------
    AssertionError
        If it was none of these, or changed what it must not.
    """
    wanted, before = draw_request(seed, client.port), stored(folder)
    wire = wanted.wire()
    status, said = said_of(sent(client.port, wire))
    after, what = stored(folder), f"seed {seed}: {wire[:300]!r} was answered {status} {said[:300]}"
    assert after[: len(before)] == before, what
    slow = status == 0 and wanted.cut == 1.0 and after != before  # stored, and nobody waited for the answer any more
    if wanted.method == "POST" and (status == 200 or slow):
        n_events = Findings(folder).read_table(EVENTS).num_rows
        assert len(after) == len(before) + 1, what
        assert is_good_decision(wanted.body[: int(wanted.headers["Content-Length"])], n_events), what
        return "right"
    assert after == before, what
    if status == 200:
        return "right"
    if status == 0:
        assert wanted.cut < 1.0 or "Content-Length" in wanted.headers or "Transfer-Encoding" in wanted.headers, what
        return "unheard"
    newest = status == 409 and "newest" in said
    assert 400 <= status < 500, what
    assert newest or wanted.method == "HEAD" or (4 < len(said) <= MAX_SENTENCE and said.isprintable()), what
    return "refused"


def copy_of(findings: Path, folder: Path) -> Path:
    return Path(shutil.copytree(findings, folder / "findings"))


def test_bad_requests(
    findings: Path,
    tmp_path: Path,
    built_page: object,
    capfd: pytest.CaptureFixture[str],
    caplog: pytest.LogCaptureFixture,
) -> None:
    folder = copy_of(findings, tmp_path)
    before = kept(folder)
    ended: Counter[str] = Counter()
    with serving(folder) as client, caplog.at_level(logging.WARNING):
        for seed in SEEDS:
            ended[attack(client, folder, seed)] += 1
        assert client.get("/api/open").status == 200
    assert kept(folder) == before
    assert capfd.readouterr() == ("", "")
    assert [record.getMessage() for record in caplog.records] == []
    assert min(ended["right"], ended["refused"]) > len(SEEDS) // 20, ended
