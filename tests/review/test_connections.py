"""What is begun and not ended is ended by the server; only so many connections are taken at once."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from miner.review.connections import Connection
from tests.review.serving import TOKEN, Client, serving

PATIENCE_S, MOST = 0.6, 4


@pytest.fixture
def client(findings: Path, built_page: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> Iterator[Client]:
    built_page["page.js"] = "x" * (1 << 25)  # more than the buffers between two programs take
    monkeypatch.setattr(Connection, "patience_s", PATIENCE_S)
    monkeypatch.setattr(Connection, "most", MOST)
    with serving(findings) as client:
        yield client


def opened(client: Client) -> socket.socket:
    return socket.create_connection(("127.0.0.1", client.port), timeout=10)


HEAD = "POST /api/verdicts HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
BEGUN = {
    "nothing": "",
    "half a line": "GET /api/op",
    "half a head": HEAD,
    "half a body": f"{HEAD}X-Review-Token: {TOKEN}\r\nContent-Length: 50\r\n\r\n[",
}


@pytest.mark.parametrize("kind", BEGUN)
def test_half_open_connections_end(client: Client, kind: str) -> None:
    with opened(client) as connection:
        connection.sendall(BEGUN[kind].format(port=client.port).encode())
        began = time.monotonic()
        with suppress(ConnectionError):
            assert b" 200 " not in connection.recv(1000)
        assert time.monotonic() - began < 5 * PATIENCE_S
    assert client.get("/api/open").status == 200


def test_an_answer_that_nobody_takes_is_given_up(client: Client) -> None:
    with opened(client) as connection:
        connection.sendall(f"GET /page.js HTTP/1.1\r\nHost: 127.0.0.1:{client.port}\r\n\r\n".encode())
        time.sleep(4 * PATIENCE_S)
        taken = 0
        with suppress(ConnectionError):
            while piece := connection.recv(1 << 20):
                taken += len(piece)
        assert taken < 1 << 25


def test_a_slow_reader_that_reads_is_served(client: Client) -> None:
    with opened(client) as connection:
        request = f"GET /page.js HTTP/1.1\r\nHost: 127.0.0.1:{client.port}\r\nConnection: close\r\n\r\n"
        connection.sendall(request.encode())
        taken = 0
        while piece := connection.recv(1 << 20):
            taken += len(piece)
            time.sleep(0.02)
        assert taken > 1 << 25


def test_only_so_many_at_once(client: Client) -> None:
    with ExitStack() as held:
        for _ in range(MOST):
            held.enter_context(opened(client))
        answer = client.get("/api/open")
        assert answer.status == 503
        assert "too many windows" in answer.text
        for _ in range(8 * MOST):  # far too many are not even told, and do no harm
            held.enter_context(opened(client))
    deadline = time.monotonic() + 20 * PATIENCE_S
    while True:
        with suppress(ConnectionError):  # while the last of them are being hung up on
            if client.get("/api/open").status == 200:
                break
        assert time.monotonic() < deadline
        time.sleep(0.1)
