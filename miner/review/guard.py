"""Who may ask, and what a browser may do with the answer.

The server listens on the loopback address only. Three things are still checked on every request: the Host header
(a foreign name that resolves to 127.0.0.1 is refused), the Origin header (another page in the same browser is
refused), and for everything that writes a token that only the served page knows.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
from collections.abc import Mapping

from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["PAGE_POLICY", "TOKEN_HEADER", "Guard", "frozen_policy"]

TOKEN_HEADER = "x-review-token"

_COMMON = "default-src 'none'; base-uri 'none'; form-action 'none'"

PAGE_POLICY = f"{_COMMON}; frame-ancestors 'none'; script-src 'self'; style-src 'self'; connect-src 'self'"
"""Content security policy of the served page: its own script and style, nothing inline, nothing from elsewhere."""

_HEADERS = {
    "content-security-policy": PAGE_POLICY,
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "cache-control": "no-store",
}


def frozen_policy(script: str, style: str) -> str:
    """Return the policy of the frozen page: exactly this script and this style, and no connection at all."""
    return f"{_COMMON}; script-src {_hash(script)}; style-src {_hash(style)}"


def _hash(text: str) -> str:
    return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"


class Guard:
    """Refuses what does not come from the served page, and sets the headers of every answer.

    Parameters
    ----------
    app : ASGI application
    token : str
        What a write must carry in `TOKEN_HEADER`.
    port : int
        The port that the server listens on; the Host header must name it.
    """

    def __init__(self, app: ASGIApp, *, token: str, port: int) -> None:
        self.app = app
        self.token = token
        self.hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        if port == 80:
            self.hosts |= {"127.0.0.1", "localhost"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        refusal = self.refusal(scope["method"], headers)
        app = PlainTextResponse(refusal, status_code=403) if refusal else self.app

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [
                    *message.get("headers", []),
                    *((name.encode(), value.encode()) for name, value in _HEADERS.items()),
                ]
            await send(message)

        await app(scope, receive, with_headers)

    def refusal(self, method: str, headers: Mapping[str, str]) -> str | None:
        """Return why a request is refused, or None."""
        host, origin = headers.get("host", ""), headers.get("origin")
        if host not in self.hosts:
            return "This server answers only to its own address."
        if origin is not None and origin != f"http://{host}":
            return "This server answers only to its own page."
        if method in ("GET", "HEAD"):
            return None
        if origin is None:
            return "A decision must come from the review page."
        if not secrets.compare_digest(headers.get(TOKEN_HEADER, "").encode(), self.token.encode()):
            return "The page is from an earlier start of the review: load it again."
        return None
