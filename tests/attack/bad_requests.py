"""Requests to the review server that make no sense, or hardly any, drawn from a seed; as bytes on the wire."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from urllib.parse import quote

import numpy as np

from tests.review.serving import TOKEN

NUMBERS = (
    "0", "1", "0.5", "-1", "1e308", "-1e308", "1e19", "9223372036854775808", "5e-324", "nan", "inf", "-inf", "", "x",
    "1" * 5000, "0x10", "٣", "1_0", " 1 ", "\x00", "true", "null", "[]", "1,5", "1e", "%", "+1",
)  # fmt: skip
JSON_VALUES = (
    "0", "1", "-1", "3", "true", "false", "null", "1.0", "1.5", "1e2", "1e400", "NaN", "9223372036854775808",
    "-9223372036854775809", "1" * 5000, '""', '"fault"', '"normal"', '"unsure"', '"FAULT"', '"fault "', '"1"',
    '"\\ud800"', '"\\u0000"', '"=1+1"', '"' + "n" * 4000 + '"', '"' + "n" * 4001 + '"', "[]", "{}", '["fault"]',
    "[" * 20_000 + "]" * 20_000, '{"a":' * 20_000 + "1" + "}" * 20_000,
)  # fmt: skip
PATHS = (
    "/", "/api/open", "/api/view", "/api/usual", "/api/figures", "/api/verdicts", "/page.js", "/page.css", "/api",
    "/api/", "/api/view/", "/API/VIEW", "/verdicts.sqlite", "/../summary.json", "/%2e%2e/summary.json", "//", "/%00",
    "/api/open%00", "/" + "a" * 5000, "*", "/api/view%3Fstart=0", "/%ff",
)  # fmt: skip
METHODS = ("GET", "POST", "HEAD", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "get", "X" * 300, "")
QUERIES = {"/api/view": ("start", "stop", "pixels"), "/api/usual": ("cylinder", "rpm"), "/api/verdicts": ("since",)}
DECISION = {"event_id": "20", "verdict": '"fault"', "note": '"a note"', "seen_revision": "1000000"}


@dataclass
class Wanted:
    """A request before it is written down; what is drawn changes one thing or another of a good one."""

    method: str = "GET"
    target: str = "/api/open"
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    cut: float = 1.0

    def wire(self) -> bytes:
        """Return the bytes to send."""
        lines = [f"{self.method} {self.target} HTTP/1.1", *(f"{name}: {text}" for name, text in self.headers.items())]
        whole = "\r\n".join(lines).encode("utf-8", "surrogatepass") + b"\r\n\r\n" + self.body
        return whole[: int(len(whole) * self.cut)]


def _query(draw: np.random.Generator, path: str) -> str:
    names = list(QUERIES[path])
    given = {name: "0.5" if name != "pixels" else "200" for name in names}
    for _ in range(int(draw.integers(0, 3))):
        given[str(draw.choice([*names, "quick", "other", ""]))] = str(draw.choice(NUMBERS))
    if draw.random() < 0.2:
        given.pop(str(draw.choice(list(given))))
    text = "&".join(f"{name}={quote(value)}" for name, value in given.items())
    return text + str(draw.choice(("", "&", "&start=1", "&=%", "#x")))


def _decision(draw: np.random.Generator) -> str:
    given = dict(DECISION)
    for _ in range(int(draw.integers(0, 3))):
        given[str(draw.choice([*given, "generation", "more"]))] = str(draw.choice(JSON_VALUES))
    if draw.random() < 0.2:
        given.pop(str(draw.choice(list(given))))
    text = "{" + ", ".join(f'"{name}": {value}' for name, value in given.items()) + "}"
    if draw.random() < 0.1:
        text = str(draw.choice((*JSON_VALUES, "", "{", "\x00", text * 2, text[:-1])))
    return text


def draw_request(seed: int, port: int) -> Wanted:
    """Return a request of this seed to the server at a port."""
    draw, home = np.random.default_rng(seed), f"127.0.0.1:{port}"
    wanted = Wanted(headers={"Host": home, "Origin": f"http://{home}", "X-Review-Token": TOKEN, "Connection": "close"})
    if draw.random() < 0.5:
        wanted.method, wanted.target = "POST", "/api/verdicts"
        wanted.body = _decision(draw).encode("utf-8", "surrogatepass")
        if draw.random() < 0.1:
            wanted.body = draw.bytes(int(draw.choice((1, 100, 70_000))))
        wanted.headers |= {"Content-Type": "application/json", "Content-Length": str(len(wanted.body))}
    else:
        wanted.target = path = str(draw.choice([*QUERIES, *PATHS]))
        if path in QUERIES:
            wanted.target += "?" + _query(draw, path)
    _spoil(draw, wanted)
    return wanted


def _spoil(draw: np.random.Generator, wanted: Wanted) -> None:
    """Change what is around the question, too, now and then."""
    match int(draw.integers(16)):
        case 0:
            wanted.method = str(draw.choice(METHODS))
        case 1:
            wanted.headers.pop(str(draw.choice(list(wanted.headers))))
        case 2:
            wanted.headers[str(draw.choice(list(wanted.headers)))] = str(
                draw.choice(("", "x", "0", "-1", "99", "ü", "evil.example", "\x00", TOKEN[:-1], TOKEN + "x"))
            )
        case 3:
            wanted.headers |= {"X-Findings-Generation": str(draw.choice(("", "x", "0" * 32, "é")))}
        case 4:
            wanted.headers |= {"Connection": "close, Upgrade", "Upgrade": "websocket"}
        case 5:
            wanted.cut = float(draw.random())
        case 6:
            wanted.headers |= {"Transfer-Encoding": str(draw.choice(("chunked", "gzip", "x")))}
        case 7:
            wanted.headers |= {f"X-{i}": "y" * 100 for i in range(int(draw.choice((1, 100, 1000))))}
        case _:
            pass


def is_good_decision(text: bytes, n_events: int) -> bool:
    """Say whether a body is a decision about one of the events, numbered from 0, as the page sends it."""
    try:
        said = json.loads(text)
        exact = {name: type(said[name]) for name in DECISION}
    except (ValueError, TypeError, KeyError, RecursionError):
        return False
    if exact != {"event_id": int, "verdict": str, "note": str, "seen_revision": int}:
        return False
    if any("\ud800" <= letter <= "\udfff" for letter in said["note"]):
        return False
    return (
        0 <= said["event_id"] < n_events
        and said["verdict"] in ("", "fault", "normal", "unsure")
        and len(said["note"]) <= 4000
    )
