"""The review server: a page on the loopback address, and the numbers it asks for."""

from __future__ import annotations

import html
import math
import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from miner.errors import FindingsError, MinerError
from miner.events.rows import rows_between
from miner.review.content import events_between, open_page, plain, usual_for, verdicts_since
from miner.review.figures import figure_data
from miner.review.guard import Guard
from miner.review.packing import pack
from miner.review.page import PAGE_PARTS, page_part
from miner.review.source import ReviewSource
from miner.review.verdicts import VERDICTS, StaleVerdictError
from miner.review.views import ViewReader

__all__ = ["make_app", "serve_review"]

MAX_PIXELS = 4000
MAX_NOTE = 4000
"""Characters of a note."""

MAX_BODY = 64_000


class BadQueryError(ValueError):
    """A request whose parameters make no sense."""


class _Api:
    """The answers, one method each; starlette runs them in threads."""

    def __init__(self, source: ReviewSource, token: str) -> None:
        self.source = source
        self.reader = ViewReader(source)
        self.token = token
        self.parts = {name: page_part(name) for name in PAGE_PARTS}
        self._making = threading.Lock()

    @cached_property
    def opening(self) -> tuple[dict[str, Any], dict[str, Any]]:
        """What every opening of the page is told, but for the decisions; made once."""
        return open_page(self.source)

    def page(self, _request: Request) -> Response:
        text = self.parts["page.html"].replace("{{token}}", html.escape(self.token, quote=True))
        return HTMLResponse(text)

    def part(self, request: Request) -> Response:
        name = request.url.path.removeprefix("/")
        return Response(self.parts[name], media_type=PAGE_PARTS[name])

    def open(self, _request: Request | None) -> Response:
        with self._making:
            header, arrays = self.opening
        return _packed({**header, **verdicts_since(self.source, 0)}, arrays)

    def view(self, request: Request) -> Response:
        start_s, stop_s = _number(request, "start"), _number(request, "stop")
        n_pixels = int(min(max(_number(request, "pixels"), 16), MAX_PIXELS))
        view = self.reader.view(start_s, stop_s, n_pixels, quick="quick" in request.query_params)
        header = {
            "start_s": start_s, "stop_s": stop_s, "step": view.step, "exact": view.exact, "partial": view.partial,
            "events": events_between(self.source, start_s, stop_s),
        }  # fmt: skip
        return _packed(header, {"time_s": view.times_s, **{f"lead_{k}": v for k, v in view.values.items()}})

    def usual(self, request: Request) -> Response:
        cylinder = int(_number(request, "cylinder")) if "cylinder" in request.query_params else None
        rpm = _number(request, "rpm") if "rpm" in request.query_params else None
        header, arrays = usual_for(self.source, cylinder, rpm)
        return _packed(plain(header), arrays)

    def figures(self, _request: Request) -> Response:
        header, arrays = figure_data(self.source)
        return _packed(plain(header), arrays)

    def verdicts(self, request: Request) -> Response:
        return JSONResponse(verdicts_since(self.source, int(_number(request, "since"))))

    async def decide(self, request: Request) -> Response:
        body = await request.body()
        if len(body) > MAX_BODY:
            raise BadQueryError("the note is too long")
        wanted = _decision(await request.json())
        event = self._event(wanted.pop("event_id"))
        try:
            decision = await run_in_threadpool(self.source.verdicts.decide, **event, **wanted)
        except StaleVerdictError as error:
            return JSONResponse({"newest": error.newest.as_json()}, status_code=409)
        return JSONResponse(decision.as_json())

    def _event(self, event_id: int) -> dict[str, Any]:
        """Return cylinder, time and listed kind of an event."""
        place = event_id - self.source.first_id
        if not 0 <= place < self.source.events.num_rows:
            raise BadQueryError("there is no such event")
        listed = self.source.kinds.get(event_id, "")
        (event,) = rows_between(self.source.events, place, place + 1, ["cylinder", "time_s"]).to_pylist()
        return {**event, "kind": listed}


def _packed(header: dict[str, Any], arrays: dict[str, Any]) -> Response:
    return Response(pack(header, arrays), media_type="application/octet-stream")


def _number(request: Request, name: str) -> float:
    try:
        value = float(request.query_params[name])
    except (KeyError, ValueError) as error:
        raise BadQueryError(f"'{name}' must be a number") from error
    if not math.isfinite(value):
        raise BadQueryError(f"'{name}' must be a finite number")
    return value


def _decision(content: Any) -> dict[str, Any]:
    """Check what a page sent: event_id, verdict, note, seen_revision."""
    match content:
        case {"event_id": int(), "verdict": str() as verdict, "note": str() as note, "seen_revision": int()}:
            if verdict in ("", *VERDICTS) and len(note) <= MAX_NOTE:
                return {key: content[key] for key in ("event_id", "verdict", "note", "seen_revision")}
    raise BadQueryError(f"a decision is one of {', '.join(VERDICTS)}, with a note of up to {MAX_NOTE} characters")


def _bad_query(_request: Request, error: Exception) -> Response:
    return JSONResponse({"error": str(error)}, status_code=400)


def _user_error(_request: Request, error: Exception) -> Response:
    return JSONResponse({"error": str(error)}, status_code=500)


def make_app(source: ReviewSource, *, token: str, port: int) -> Starlette:
    """Return the application that serves one findings folder.

    Parameters
    ----------
    source : ReviewSource
    token : str
        What writes must carry.
    port : int
        Port that requests must be addressed to.
    """
    api = _Api(source, token)
    threading.Thread(target=api.open, args=(None,), daemon=True).start()  # the first picture need not wait for it
    reads: dict[str, Callable[[Request], Response]] = {
        "/": api.page, "/page.js": api.part, "/page.css": api.part, "/api/open": api.open, "/api/view": api.view,
        "/api/usual": api.usual, "/api/figures": api.figures, "/api/verdicts": api.verdicts,
    }  # fmt: skip
    routes = [Route(path, answer, methods=["GET"]) for path, answer in reads.items()]
    return Starlette(
        routes=[*routes, Route("/api/verdicts", api.decide, methods=["POST"])],
        middleware=[Middleware(Guard, token=token, port=port)],
        exception_handlers={BadQueryError: _bad_query, ValueError: _bad_query, MinerError: _user_error},
    )


def serve_review(
    folder: str | Path,
    *,
    port: int = 0,
    open_browser: bool = True,
    on_ready: Callable[[str], None] = lambda _url: None,
) -> None:
    """Serve the review of a findings folder on 127.0.0.1 until interrupted.

    Parameters
    ----------
    folder : path
        A finished findings folder.
    port : int, default=0
        0 takes a free one.
    open_browser : bool, default=True
    on_ready : callable, optional
        Called with the page's address once it can be opened.

    Raises
    ------
    FindingsError
        If the folder holds no finished findings, the page was not built, or the port is taken.
    """
    source = ReviewSource(folder)
    listener = _listen(port)
    address = f"http://127.0.0.1:{listener.getsockname()[1]}/"
    app = make_app(source, token=secrets.token_urlsafe(24), port=listener.getsockname()[1])
    on_ready(address)
    if open_browser:
        webbrowser.open(address)
    config = uvicorn.Config(app, log_level="warning", access_log=False, server_header=False)
    with listener:
        uvicorn.Server(config).run(sockets=[listener])


def _listen(port: int) -> socket.socket:
    listener = socket.socket()
    try:
        listener.bind(("127.0.0.1", port))
    except OSError as error:
        listener.close()
        raise FindingsError(
            f"port {port} cannot be used ({error.strerror})", remedy="choose another with --port, or 0 for a free one"
        ) from error
    return listener
