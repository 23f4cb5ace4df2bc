"""One progress view of a night: a bar for all recordings together and one for each that is being mined."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Self

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TaskProgressColumn, TextColumn, TimeRemainingColumn

from pipelines.overnight.run import Result

__all__ = ["OvernightView"]

LINE_EVERY_S = 30.0
"""Seconds between two lines where there is no terminal to redraw."""

MOST_BARS = 12
"""Recordings shown at once; on a cluster there may be hundreds."""


class OvernightView:
    """Context manager that is told how far a run is (see `pipelines.overnight.View`).

    Parameters
    ----------
    console : rich.console.Console
        Where to draw.
    clock : callable, optional
        Seconds that only grow; replaced in tests.
    """

    def __init__(self, console: Console, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._console, self._clock = console, clock
        self._began_s = self._said_s = clock()
        self._samples: dict[str, int] = {}
        self._done: dict[str, int] = {}
        self._at_begin = 0
        self._n_ended = 0
        self._bars: dict[str, TaskID] = {}
        self._progress = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=24),
            TaskProgressColumn(),
            TextColumn("left"),
            TimeRemainingColumn(),
            console=console,
            transient=True,
        )
        self._all = self._progress.add_task("all recordings", total=None)

    def __enter__(self) -> Self:
        if self._console.is_terminal:
            self._progress.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._console.is_terminal:
            self._progress.stop()

    def begin(self, samples: Mapping[str, int], done: Mapping[str, int]) -> None:
        """Take the length of each recording that is still to be mined, and what an earlier run did of it."""
        self._samples, self._done = dict(samples), dict(done)
        self._at_begin = sum(done.values())
        self._began_s = self._clock()
        self._progress.update(self._all, total=sum(samples.values()), completed=self._at_begin)

    def advance(self, name: str, samples_done: int) -> None:
        """Show how many samples of a recording have been mined."""
        self._done[name] = samples_done
        if name not in self._bars and len(self._bars) < MOST_BARS:
            self._bars[name] = self._progress.add_task(name, total=self._samples[name])
        if name in self._bars:
            self._progress.update(self._bars[name], completed=samples_done)
        self._progress.update(self._all, completed=sum(self._done.values()))
        self._say_line()

    def end(self, result: Result) -> None:
        """Take a recording's bar away and say how it ended."""
        self._n_ended += 1
        self._done[result.name] = self._samples[result.name]
        bar = self._bars.pop(result.name, None)
        if bar is not None:
            self._progress.remove_task(bar)
        ended = f"failed: {result.name}: {result.failure.problem}" if result.failure else f"mined: {result.name}"
        self._console.print(ended, markup=False, soft_wrap=True)

    def words(self) -> str:
        """Return how far the run is, in words, with the time left at the speed so far."""
        total, done = sum(self._samples.values()), sum(self._done.values())
        elapsed_s, fresh = self._clock() - self._began_s, done - self._at_begin
        share = f"{self._n_ended} of {len(self._samples)} recordings, {100 * done / max(total, 1):.0f} %"
        if fresh <= 0 or elapsed_s <= 0:
            return share
        return f"{share}, {elapsed_s * (total - done) / fresh / 60:.0f} min left"

    def _say_line(self) -> None:
        if not self._console.is_terminal and self._clock() - self._said_s >= LINE_EVERY_S:
            self._said_s = self._clock()
            self._console.print(self.words(), markup=False, soft_wrap=True)
