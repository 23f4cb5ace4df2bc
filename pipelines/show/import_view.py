"""The progress of an import: share of the input and samples so far."""

from __future__ import annotations

import time
from types import TracebackType
from typing import Self

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

__all__ = ["ImportView"]

LINE_EVERY_S = 10.0
"""Seconds between two lines where there is no terminal to redraw."""


class ImportView:
    """Context manager whose `update` is an ``on_import``; draws nothing before it is told something.

    Parameters
    ----------
    console : rich.console.Console
        Where to draw.
    """

    def __init__(self, console: Console) -> None:
        self._console, self._said_s = console, time.monotonic()
        self._bar = Progress(
            TextColumn("importing"), BarColumn(bar_width=24), TaskProgressColumn(), TextColumn("{task.fields[words]}"),
            TimeRemainingColumn(), console=console, transient=True,
        )  # fmt: skip
        self._task = self._bar.add_task("", total=1.0, words="", visible=False)

    def __enter__(self) -> Self:
        if self._console.is_terminal:
            self._bar.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._console.is_terminal:
            self._bar.stop()

    def update(self, done: float, n_samples: int) -> None:
        """Show how far the import is."""
        words = f"{n_samples / 1e6:,.1f} million samples"
        if self._console.is_terminal:
            self._bar.update(self._task, completed=done, words=words, visible=True)
        elif time.monotonic() - self._said_s > LINE_EVERY_S:
            self._said_s = time.monotonic()
            self._console.print(f"importing: {100 * done:.0f} %, {words}", markup=False)
