"""The real server in a thread, and a client that sends paths and headers exactly as given."""

from __future__ import annotations

import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn

from miner.review.app import make_app
from miner.review.connections import server_config
from miner.review.source import ReviewSource

TOKEN = "secret-of-this-start"


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Mapping[str, str]
    content: bytes

    @property
    def text(self) -> str:
        return self.content.decode()

    def json(self) -> Any:
        return json.loads(self.content)


@dataclass(frozen=True)
class Client:
    port: int

    @property
    def home(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def address(self) -> str:
        """What the start of the review prints and opens."""
        return f"{self.home}/?token={TOKEN}"

    def ask(self, method: str, path: str, body: Any = None, headers: Mapping[str, str] | None = None) -> Answer:
        """Ask with exactly these headers."""
        return self.send(method, path, b"" if body is None else json.dumps(body).encode(), headers)

    def send(self, method: str, path: str, content: bytes, headers: Mapping[str, str] | None = None) -> Answer:
        """Send a body as it is."""
        given = {name.lower(): value for name, value in (headers or {}).items()}
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        connection.putrequest(method, path, skip_host="host" in given, skip_accept_encoding=True)
        for name, value in {**given, "content-length": str(len(content))}.items():
            connection.putheader(name, value)
        connection.endheaders(content)
        answer = connection.getresponse()
        out = Answer(answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read())
        connection.close()
        return out

    def get(self, path: str, headers: Mapping[str, str] | None = None) -> Answer:
        """Ask as the page does, with the token."""
        return self.ask("GET", path, headers={"x-review-token": TOKEN, **(headers or {})})


@contextmanager
def serving(folder: Path) -> Iterator[Client]:
    """Serve a findings folder until the block ends."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port = listener.getsockname()[1]
        app = make_app(ReviewSource(folder), token=TOKEN, port=port)
        server = uvicorn.Server(server_config(app))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
        thread.start()
        deadline = time.monotonic() + 20
        while not server.started and time.monotonic() < deadline:
            time.sleep(0.01)
        yield Client(port)
        server.should_exit = True
        thread.join(20)
