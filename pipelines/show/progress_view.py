"""The progress view: samples read, events so far, multiple of real time and time left, then the stages that follow."""

from __future__ import annotations

import time
from collections.abc import Callable
from types import TracebackType
from typing import Self

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn
from rich.text import Text

from miner.recording import progress

__all__ = ["ProgressView", "describe"]

LINE_EVERY_S = 10.0
"""Seconds between two lines where there is no terminal to redraw."""


def describe(done: progress.Progress, elapsed_s: float) -> str:
    """Return how far a step is, in words.

    Examples
    --------
    >>> describe(progress.Progress(samples_done=2_000_000, samples_total=4_000_000, recorded_s=2.0, n_events=55), 0.1)
    '2.0 of 4.0 million samples, 55 events, 20 x real time'
    """
    million = 1e6
    parts = [f"{done.samples_done / million:,.1f} of {done.samples_total / million:,.1f} million samples"]
    parts += [f"{done.n_events:,} events"] if done.n_events else []
    parts += [f"{done.recorded_s / elapsed_s:,.0f} x real time"] if elapsed_s > 0 and done.recorded_s else []
    return ", ".join(parts)


class ProgressView:
    """Context manager whose `update` is an ``on_progress`` and whose `stage` is an ``on_stage``.

    A terminal gets a bar that is redrawn, then the name of the stage beside a turning line; a pipe or a file gets a
    line every ten seconds, whichever of the two it comes from.

    Parameters
    ----------
    console : rich.console.Console
        Where to draw.
    title : str
        What is being done.
    clock : callable, optional
        Seconds that only grow; replaced in tests.
    """

    def __init__(self, console: Console, title: str, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._console, self._title, self._clock = console, title, clock
        self._started_s = self._said_s = clock()
        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=24),
            TaskProgressColumn(),
            TextColumn("{task.fields[words]}"),
            TextColumn("left"),
            TimeRemainingColumn(),
            console=console,
            transient=True,
        )
        self._task = self._bar.add_task(title, total=None, words="")
        self._spinner = console.status(title, spinner="line")  # plain characters: every code page has them

    def __enter__(self) -> Self:
        if self._console.is_terminal:
            self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._console.is_terminal:
            self._bar.stop()
            self._spinner.stop()

    def stage(self, name: str) -> None:
        """Show what is being done now that reading is over."""
        words = f"{self._title}: {name}"
        if self._console.is_terminal:
            self._bar.stop()
            self._spinner.update(Text(words))
            self._spinner.start()
        else:
            self._say(words)

    def update(self, done: progress.Progress) -> None:
        """Show how far it is."""
        words = describe(done, self._clock() - self._started_s)
        if self._console.is_terminal:
            self._bar.update(self._task, completed=done.samples_done, total=done.samples_total, words=words)
        else:
            self._say(f"{self._title}: {words}")

    def _say(self, words: str) -> None:
        if self._clock() - self._said_s >= LINE_EVERY_S:
            self._said_s = self._clock()
            self._console.print(words, markup=False)
