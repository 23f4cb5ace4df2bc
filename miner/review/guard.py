"""Who may ask, and what a browser may do with the answer.

The server listens on the loopback address only. Three things are still checked on every request: the Host header
(a foreign name that resolves to 127.0.0.1 is refused), the Origin header (another page in the same browser is
refused), and a token that is new with every start: it is part of the address that the start prints and opens, the
page served there sends it with everything it asks, and without it nothing is answered but the page's own script and
style, which hold nothing of anybody.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
from collections.abc import Mapping
from urllib.parse import parse_qs

from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["OPEN_PARTS", "PAGE_POLICY", "TOKEN_HEADER", "TOKEN_QUERY", "Guard", "frozen_policy"]

TOKEN_HEADER, TOKEN_QUERY = "x-review-token", "token"
"""Where the token stands: in a header of what the page asks, in the query of the page's own address."""

OPEN_PARTS = frozenset({"/page.js", "/page.css"})
"""What a browser fetches by itself for the page, without the header; the same for everybody."""

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
        What a request must carry in `TOKEN_HEADER`, or in its query under `TOKEN_QUERY` where it asks for the page.
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
        said = headers.get(TOKEN_HEADER, "")
        if scope["path"] == "/" and not said:
            said = parse_qs(scope["query_string"].decode("latin-1")).get(TOKEN_QUERY, [""])[0]
        knows = scope["path"] in OPEN_PARTS or secrets.compare_digest(said.encode(), self.token.encode())
        refusal = self.refusal(scope["method"], headers, knows_token=knows)
        app = PlainTextResponse(refusal, status_code=403) if refusal else self.app

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [
                    *message.get("headers", []),
                    *((name.encode(), value.encode()) for name, value in _HEADERS.items()),
                ]
            await send(message)

        await app(scope, receive, with_headers)

    def refusal(self, method: str, headers: Mapping[str, str], *, knows_token: bool) -> str | None:
        """Return why a request is refused, or None."""
        host, origin = headers.get("host", ""), headers.get("origin")
        if host not in self.hosts:
            return "This server answers only to its own address."
        if origin is not None and origin != f"http://{host}":
            return "This server answers only to its own page."
        if not knows_token:
            return "This is not the address of this start of the review: open the one that it printed, token included."
        if method not in ("GET", "HEAD") and origin is None:
            return "A decision must come from the review page."
        return None
