"""The progress view: one line for the whole run, from the first sample read to the last file written."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import Any, Self

from rich.console import Console
from rich.live import Live
from rich.text import Text

from miner.recording import progress
from miner.words import clock
from pipelines.show.pace import Pace

__all__ = ["COMPILING", "ProgressView", "describe"]

LINE_EVERY_S = 10.0
"""Seconds between two lines where there is no terminal to redraw."""

BAR = 20
REDRAWN_HZ = 4

COMPILING = "compiling, once after installing"
"""Stage that is shown while numba compiles; what is compiled is kept for the next run."""


def describe(done: progress.Progress, elapsed_s: float) -> str:
    """Return how far the reading is, in words.

    Examples
    --------
    >>> describe(progress.Progress(samples_done=2_000_000, samples_total=4_000_000, recorded_s=2.0, n_events=55), 0.1)
    '2.0 of 4.0 million samples, 20 x real time'
    """
    million = 1e6
    parts = [f"{done.samples_done / million:,.1f} of {done.samples_total / million:,.1f} million samples"]
    times = done.recorded_s / elapsed_s if elapsed_s > 0 else 0.0
    parts += [f"{times:,.0f} x real time"] if times >= 1.0 else []
    return ", ".join(parts)


class ProgressView:
    """Context manager whose `update` is an ``on_progress`` and whose `stage` is an ``on_stage``.

    A terminal gets a line that is redrawn, with a bar for the whole run and the time left; a pipe or a file gets a
    line every ten seconds.

    Parameters
    ----------
    console : rich.console.Console
        Where to draw.
    title : str
        What is being done.
    staged : bool, default=True
        Whether stages follow the reading.
    clock : callable, optional
        Seconds that only grow; replaced in tests.
    cpu : callable, optional
        Seconds of processors that this process used; replaced in tests.
    """

    def __init__(
        self,
        console: Console,
        title: str,
        *,
        staged: bool = True,
        clock: Callable[[], float] = time.monotonic,
        cpu: Callable[[], float] = time.process_time,
    ) -> None:
        self._console, self._title, self._staged = console, title, staged
        self._clock, self._cpu = clock, cpu
        self._started_s = self._said_s = clock()
        self._cpu_started_s = cpu()
        self._compiled_s, self._compiling_since_s = 0.0, -1.0
        self._doing = self._before = "opening"
        self._words = ""
        self._pace = Pace(began_s=self._started_s)
        self._share = 0.0
        self._live = Live(console=console, get_renderable=self.line, refresh_per_second=REDRAWN_HZ, transient=True)
        self._watch = _watching_compiler(self._compiling)

    def __enter__(self) -> Self:
        self._watch.__enter__()
        if self._console.is_terminal:
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._watch.__exit__(None, None, None)
        if self._console.is_terminal:
            self._live.stop()

    def stage(self, name: str) -> None:
        """Show what is being done now that reading is over."""
        self._doing, self._words = name, ""
        self._pace.stage(self._now_s(), name)
        self._say()

    def update(self, done: progress.Progress) -> None:
        """Show how far the reading is."""
        now_s = self._now_s()
        elapsed_s = now_s - self._started_s
        self._doing, self._words = ("reading" if self._staged else ""), describe(done, elapsed_s)
        share = done.samples_done / max(done.samples_total, 1)
        cpu_share = (self._cpu() - self._cpu_started_s) / max(self._clock() - self._started_s, 1e-3)
        self._pace.read(now_s, share, done.n_events, cpu_share=cpu_share)
        self._say()

    def line(self) -> Text:
        """Return the line as it stands, no wider than the terminal."""
        left = self._left_s()
        self._share = max(self._share, 0.0 if left is None else self._done_share(left))
        size = max(min(BAR, self._console.width // 4), 4)
        full = int(self._share * size)
        bar = f"[{'#' * full}{'.' * (size - full)}] {100 * self._share:3.0f} %"
        parts = [self._what(), self._words, bar, "" if left is None else f"{_short(left)} left"]
        text, room = "  ".join(part for part in parts if part), self._console.width - 1
        if len(text) > room:  # what is being done, and how long, before how much
            text = "  ".join(part for i, part in enumerate(parts) if part and i != 1)
        if len(text) > room:
            tail = "  ".join(part for part in parts[2:] if part)
            text = f"{parts[0][: max(room - len(tail) - 2, 0)]}  {tail}"
        return Text(text[:room])

    def _what(self) -> str:
        return f"{self._title}: {self._doing}" if self._doing else self._title

    def _left_s(self) -> float | None:
        now_s = self._now_s()
        if self._compiling_since_s >= 0:  # nobody knows how long that takes
            return None
        if self._staged:
            return self._pace.left_s(now_s)
        share = self._pace.read_share
        return (now_s - self._started_s) * (1.0 - share) / share if share > 0 else None

    def _done_share(self, left_s: float) -> float:
        spent_s = self._now_s() - self._started_s
        return spent_s / max(spent_s + left_s, 1e-9)

    def _now_s(self) -> float:
        """Return the clock without what was spent on compiling: it says nothing about the pace."""
        now_s = self._clock()
        ongoing_s = now_s - self._compiling_since_s if self._compiling_since_s >= 0 else 0.0
        return now_s - self._compiled_s - ongoing_s

    def _compiling(self, *, begins: bool) -> None:
        if begins:
            self._before, self._doing, self._words = self._doing, COMPILING, ""
            self._compiling_since_s = self._clock()
            self._say()
        elif self._compiling_since_s >= 0:
            self._doing = self._before
            self._compiled_s += self._clock() - self._compiling_since_s
            self._compiling_since_s = -1.0

    def _say(self) -> None:
        if self._console.is_terminal or self._clock() - self._said_s < LINE_EVERY_S:
            return
        self._said_s = self._clock()
        left = self._left_s()
        parts = [self._what(), self._words, "" if left is None else f"about {_short(left)} left"]
        self._console.print(", ".join(part for part in parts if part), markup=False, soft_wrap=True)


def _short(seconds: float) -> str:
    return clock(seconds, 0).removeprefix("0:")


@contextmanager
def _watching_compiler(tell: Callable[..., None]) -> Iterator[None]:
    """Tell when numba begins and ends to compile; what it finds compiled already is no news."""
    from numba.core import event

    class Watch(event.Listener):  # type: ignore[misc]
        depth = 0

        def on_start(self, event: Any) -> None:  # noqa: ARG002
            self.depth += 1
            if self.depth == 1:
                tell(begins=True)

        def on_end(self, event: Any) -> None:  # noqa: ARG002
            self.depth -= 1
            if self.depth == 0:
                tell(begins=False)

    watch = Watch()
    event.register("numba:compile", watch)
    try:
        yield
    finally:
        event.unregister("numba:compile", watch)
