"""The review server: a page on the loopback address, and the numbers it asks for."""

from __future__ import annotations

import html
import json
import re
import secrets
import socket
import threading
import webbrowser
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import cached_property
from pathlib import Path
from typing import Any

import uvicorn
from anyio.to_thread import current_default_thread_limiter
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from miner.errors import FindingsError, MinerError
from miner.events.rows import rows_between
from miner.findings.whole import understood
from miner.memory import give_back, hold_little
from miner.review.connections import server_config
from miner.review.content import events_between, open_page, plain, usual_for, verdicts_since
from miner.review.figures import figure_data
from miner.review.guard import TOKEN_QUERY, Guard
from miner.review.packing import pack
from miner.review.page import PAGE_PARTS, page_part
from miner.review.source import ReviewSource
from miner.review.verdicts import VERDICTS, StaleVerdictError
from miner.review.views import ViewReader

__all__ = ["make_app", "serve_review"]

MOST_THREADS = 4
"""Answers that are made at once: each thread keeps memory that it freed, and more of them are no quicker."""

MAX_PIXELS = 4000
MAX_NOTE = 4000
"""Characters of a note."""

MAX_BODY = 64_000

MOST = 1e15
"""Largest number that a request may hold: far above any time, sample or revision, and exact as a whole number."""


GENERATION_HEADER = "x-findings-generation"


class BadQueryError(Exception):
    """A request whose parameters make no sense."""


class OutdatedError(Exception):
    """The page, or the server, shows findings that the folder no longer holds."""


class _Shown:
    """The findings that are shown, and what is made of them once."""

    def __init__(self, source: ReviewSource) -> None:
        self.source = source
        self.reader = ViewReader(source)

    @cached_property
    def opening(self) -> tuple[dict[str, Any], dict[str, Any]]:
        """What every opening of the page is told, but for the decisions; made once."""
        opening = open_page(self.source)
        give_back()
        return opening


class _Api:
    """The answers, one method each; starlette runs them in threads."""

    def __init__(self, source: ReviewSource, token: str) -> None:
        self.shown = _Shown(source)
        self.token = token
        self.parts = {name: page_part(name) for name in PAGE_PARTS}
        self._making = threading.Lock()

    @property
    def source(self) -> ReviewSource:
        return self.shown.source

    def of_this_generation(self, answer: Callable[[Request], Response]) -> Callable[[Request], Response]:
        """Let a method answer only while page, server and folder speak of the same findings."""

        def answered(request: Request) -> Response:
            self._require_same(self.source, request.headers.get(GENERATION_HEADER))
            with understood(self.source.folder):
                return answer(request)

        return answered

    @staticmethod
    def _require_same(source: ReviewSource, generation: object) -> None:
        if generation not in (None, source.generation) or not source.is_current():
            raise OutdatedError("The recording was mined again since this page was opened: load the page anew.")

    def page(self, _request: Request) -> Response:
        with self._making:
            if not self.source.is_current():
                self.shown = _Shown(ReviewSource(self.source.folder))
        text = self.parts["page.html"].replace("{{token}}", html.escape(self.token, quote=True))
        return HTMLResponse(text)

    def part(self, request: Request) -> Response:
        name = request.url.path.removeprefix("/")
        return Response(self.parts[name], media_type=PAGE_PARTS[name])

    def open(self, _request: Request | None) -> Response:
        shown = self.shown
        with self._making:
            header, arrays = shown.opening
        known = {"generation": shown.source.generation, **verdicts_since(shown.source, 0)}
        return _packed({**header, **known}, arrays)

    def view(self, request: Request) -> Response:
        start_s, stop_s = _number(request, "start"), _number(request, "stop")
        n_pixels = int(min(max(_number(request, "pixels"), 16), MAX_PIXELS))
        view = self.shown.reader.view(start_s, stop_s, n_pixels, quick="quick" in request.query_params)
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
        content, source = _json(body), self.source
        wanted = _decision(content)
        event = self._event(source, wanted.pop("event_id"))
        # after the event was looked up: its place counts only if the folder still holds what it was looked up in
        self._require_same(source, content.get("generation"))
        try:
            decision = await run_in_threadpool(source.verdicts.decide, **event, **wanted)
        except StaleVerdictError as error:
            return JSONResponse({"newest": error.newest.as_json()}, status_code=409)
        return JSONResponse(decision.as_json())

    @staticmethod
    def _event(source: ReviewSource, event_id: int) -> dict[str, Any]:
        """Return cylinder, time and listed kind of an event."""
        place = event_id - source.first_id
        if not 0 <= place < source.events.num_rows:
            raise BadQueryError("there is no such event")
        listed = source.kinds.get(event_id, "")
        (event,) = rows_between(source.events, place, place + 1, ["cylinder", "time_s"]).to_pylist()
        return {**event, "kind": listed}


def _packed(header: dict[str, Any], arrays: dict[str, Any]) -> Response:
    return Response(pack(header, arrays), media_type="application/octet-stream")


def _number(request: Request, name: str) -> float:
    try:
        value = float(request.query_params[name])
    except (KeyError, ValueError) as error:
        raise BadQueryError(f"'{name}' must be a number") from error
    if not abs(value) <= MOST:
        raise BadQueryError(f"'{name}' must be a number up to {MOST:.0e}")
    return value


def _json(body: bytes) -> Any:
    try:
        return json.loads(body)
    except (ValueError, RecursionError) as error:  # no text, no JSON, numbers or brackets without end
        raise BadQueryError("what was sent is no decision that can be read") from error


def _decision(content: Any) -> dict[str, Any]:
    """Check what a page sent: event_id, verdict, note, seen_revision."""
    match content:
        case {"event_id": int(), "verdict": str() as verdict, "note": str() as note, "seen_revision": int()}:
            wanted = {key: content[key] for key in ("event_id", "verdict", "note", "seen_revision")}
            no_number = bool in map(type, wanted.values())  # true and false count as 1 and 0 elsewhere in Python
            no_text = _HALF_LETTER.search(note)
            if verdict in ("", *VERDICTS) and len(note) <= MAX_NOTE and not no_number and not no_text:
                return wanted
    raise BadQueryError(f"a decision is one of {', '.join(VERDICTS)}, with a note of up to {MAX_NOTE} characters")


_HALF_LETTER = re.compile("[\ud800-\udfff]")
"""Halves of surrogate pairs are no text, and no file keeps them."""


def _bad_query(_request: Request, error: Exception) -> Response:
    return JSONResponse({"error": str(error)}, status_code=400)


def _no_such_page(_request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 404
    said = "This page cannot be asked so." if status == 405 else "There is nothing at this address."
    return JSONResponse({"error": said}, status_code=status)


def _hung_up(_request: Request, _error: Exception) -> Response:
    return Response(status_code=400)  # nobody is there to read it


def _outdated(_request: Request, error: Exception) -> Response:
    return JSONResponse({"error": str(error)}, status_code=410)


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
        "/": api.page, "/page.js": api.part, "/page.css": api.part,
    }  # fmt: skip
    for name in ("open", "view", "usual", "figures", "verdicts"):
        reads[f"/api/{name}"] = api.of_this_generation(getattr(api, name))
    routes = [Route(path, answer, methods=["GET"]) for path, answer in reads.items()]
    app = Starlette(
        lifespan=_few_threads,
        routes=[*routes, Route("/api/verdicts", api.decide, methods=["POST"])],
        middleware=[Middleware(Guard, token=token, port=port)],
        exception_handlers={
            BadQueryError: _bad_query,
            OutdatedError: _outdated,
            MinerError: _user_error,
            HTTPException: _no_such_page,
            ClientDisconnect: _hung_up,
        },
    )
    app.router.redirect_slashes = False
    return app


@asynccontextmanager
async def _few_threads(_app: Starlette) -> AsyncIterator[None]:
    current_default_thread_limiter().total_tokens = MOST_THREADS
    yield


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
    hold_little()
    with understood(folder):
        source = ReviewSource(folder)
    listener = _listen(port)
    token = secrets.token_urlsafe(24)
    address = f"http://127.0.0.1:{listener.getsockname()[1]}/?{TOKEN_QUERY}={token}"
    app = make_app(source, token=token, port=listener.getsockname()[1])
    on_ready(address)
    if open_browser:
        webbrowser.open(address)
    with listener:
        uvicorn.Server(server_config(app)).run(sockets=[listener])


def _listen(port: int) -> socket.socket:
    listener = socket.socket()
    try:
        listener.bind(("127.0.0.1", port))
        listener.listen()  # whoever is told the address may come at once
    except OSError as error:
        listener.close()
        raise FindingsError(
            f"port {port} cannot be used ({error.strerror})", remedy="choose another with --port, or 0 for a free one"
        ) from error
    return listener
