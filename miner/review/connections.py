"""Connections of the review server: so many at once, and none that is kept open without asking or taking anything.

The server's own protocol waits for ever for a request that was begun and not ended, and for a client that does not take
its answer.
"""

from __future__ import annotations

import asyncio

import h11
import uvicorn
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["MOST_CONNECTIONS", "PATIENCE_S", "Connection", "server_config"]

MOST_CONNECTIONS = 48
"""Connections at once: eight windows of a browser, which keeps up to six to one address."""

_FAR_TOO_MANY = 4
"""Times so many, and a connection is not even told: a process may hold only some hundred files open."""

PATIENCE_S = 10.0
"""How long a request may be on its way, and an answer be left untaken; on one machine both take milliseconds."""

_BUSY = "The review is open in too many windows: close some of them, then load this page again."


class Connection(H11Protocol):
    """One connection, ended where nothing comes of it within `PATIENCE_S`."""

    patience_s = PATIENCE_S
    most = MOST_CONNECTIONS

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection, or only tell it that there are too many."""
        super().connection_made(transport)
        self._stuck_since: float | None = self.loop.time()
        self._look: asyncio.TimerHandle | None = None
        self._left = 0
        if len(self.connections) > _FAR_TOO_MANY * self.most:
            transport.abort()
            return
        if len(self.connections) > self.most:
            self.app = PlainTextResponse(_BUSY, status_code=503, headers={"connection": "close"})
        self._look_again()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        if self._look is not None:
            self._look.cancel()
        super().connection_lost(exc)

    def handle_events(self) -> None:
        """Answer what has arrived; where even the refusal of nonsense cannot be said any more, hang up."""
        try:
            super().handle_events()
        except h11.LocalProtocolError:
            self.transport.abort()
        self._note(waits=self.conn.their_state in (h11.IDLE, h11.SEND_BODY))

    def on_response_complete(self) -> None:
        """Begin to wait for the next request."""
        super().on_response_complete()
        self._stuck_since = self.loop.time()

    def pause_writing(self) -> None:
        """Note that the client has to take some of its answer first."""
        super().pause_writing()
        self._note(waits=True)

    def resume_writing(self) -> None:
        """Note that it does."""
        super().resume_writing()
        self._note(waits=False)

    def _note(self, *, waits: bool) -> None:
        """Keep since when the client has been waited for; of a request, a little now and then is no progress."""
        if not waits:
            self._stuck_since = None
        elif self._stuck_since is None:
            self._stuck_since = self.loop.time()

    def _look_again(self) -> None:
        left, self._left = self._left, self.transport.get_write_buffer_size()
        if self._left < left:  # slowly, but it takes its answer
            self._stuck_since = self.loop.time()
        since = self._stuck_since
        if since is not None and self.loop.time() - since > self.patience_s:
            self.transport.abort()
            return
        self._look = self.loop.call_later(self.patience_s / 4, self._look_again)


def server_config(app: ASGIApp) -> uvicorn.Config:
    """Return how the review is served."""
    return uvicorn.Config(
        app, http=Connection, ws="none", lifespan="on", log_level="error", access_log=False, server_header=False
    )
