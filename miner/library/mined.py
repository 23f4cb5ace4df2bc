"""The findings of one recording as polars data frames, and its suspects as windows to look at."""

from __future__ import annotations

import os
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from miner.engine.setup import Setup, parse_setup
from miner.errors import FindingsError
from miner.findings.export import export_findings
from miner.findings.whole import require_whole
from miner.library.window import Window, open_window
from miner.review.app import serve_review
from miner.review.report import write_report
from miner.review.source import ReviewSource
from miner.review.verdicts import damaged_verdicts, read_verdicts
from miner.schema import (
    CONDITIONS,
    EVENTS,
    GAPS,
    INCIDENTS,
    MISFIRE_WINDOWS,
    SENSITIVITY,
    SILENCES,
    STANDING,
    SUSPECTS,
    Table,
)  # fmt: skip

__all__ = ["Mined"]


class Mined:
    """What was found in one recording; columns and units as in ``docs/tables.md``.

    Parameters
    ----------
    folder : path
        Findings of a finished run.

    Raises
    ------
    FindingsError
        If it holds no finished findings, or damaged ones; so does every table if it was mined again meanwhile.
    """

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self._source = ReviewSource(Path(folder))
        require_whole(self._source.findings)

    def __repr__(self) -> str:
        listed = self._source.suspects.num_rows
        return f"<Mined: {self._source.events.num_rows} events, {listed} suspects, in '{self.folder}'>"

    @property
    def folder(self) -> Path:
        """Where the findings lie."""
        return self._source.folder

    @property
    def summary(self) -> Mapping[str, Any]:
        """What was mined, how, and how good it was."""
        return self._source.summary

    @property
    def warnings(self) -> list[str]:
        """What to know before the findings are trusted, a sentence each."""
        return [*self.summary["warnings"], *damaged_verdicts(self.folder)]

    @cached_property
    def setup(self) -> Setup:
        """Engine and leads as they were described."""
        return parse_setup(self.summary["setup"])

    @cached_property
    def events(self) -> pl.DataFrame:
        """One row per ignition event that happened or was due."""
        return self._frame(EVENTS)

    @cached_property
    def suspects(self) -> pl.DataFrame:
        """Suspicious events, worst first."""
        return self._frame(SUSPECTS)

    @cached_property
    def incidents(self) -> pl.DataFrame:
        """Suspects that belong together, and which circuit they point to."""
        return self._frame(INCIDENTS)

    @cached_property
    def standing(self) -> pl.DataFrame:
        """Each measure of each cylinder against the other cylinders."""
        return self._frame(STANDING)

    @cached_property
    def conditions(self) -> pl.DataFrame:
        """Where suspects crowd: speed, supply, time, state, cylinder."""
        return self._frame(CONDITIONS)

    @cached_property
    def misfire_windows(self) -> pl.DataFrame:
        """Absent events in windows of 200 and 1,000 revolutions."""
        return self._frame(MISFIRE_WINDOWS)

    @cached_property
    def sensitivity(self) -> pl.DataFrame:
        """What the list would have found of faults that were planted to see."""
        return self._frame(SENSITIVITY)

    @cached_property
    def gaps(self) -> pl.DataFrame:
        """Stretches in which a lead, or every lead, was not recorded."""
        return self._frame(GAPS)

    @cached_property
    def silences(self) -> pl.DataFrame:
        """Times at which the ignition fell silent: all of it, or one lead while the engine turned on."""
        return self._frame(SILENCES)

    def window(self, rank: int = 1) -> Window:
        """Return the leads around one suspect.

        Parameters
        ----------
        rank : int, default=1
            Of the suspect; 1 is the worst.

        Raises
        ------
        FindingsError
            If there is no such suspect, or neither the recording nor a stored window of it is left.
        """
        self._require_current()
        if not 1 <= rank <= self._source.suspects.num_rows:
            raise FindingsError(
                f"there is no suspect of rank {rank}",
                remedy=f"the list has {self._source.suspects.num_rows}, the worst is rank 1",
                file=self.folder,
            )
        return open_window(self._source, self.setup, rank)

    def export(
        self, to: str | os.PathLike[str], *, table: str = "events", overwrite: bool = False, all_events: bool = False
    ) -> Path:
        """Write the findings, with the verdicts of today, to a workbook (.xlsx) or one table of them to a file.

        Parameters
        ----------
        to : path
            File to write; its ending says what.
        table : {"events", "suspects", "incidents"}, default="events"
            For .csv and .parquet.
        overwrite : bool, default=False
            Replace an earlier export of that name.
        all_events : bool, default=False
            For .xlsx: every event, not only those around the suspects.

        Returns
        -------
        Path
            What was written.

        Raises
        ------
        FindingsError
            If it cannot be written, or something of that name is there.
        """
        self._require_current()
        verdicts = read_verdicts(self.folder)
        return export_findings(
            self.folder, Path(to), table=table, verdicts=verdicts, overwrite=overwrite, all_events=all_events
        )

    def review(self, *, port: int = 0, open_browser: bool = True) -> None:
        """Serve the zoomed review in the browser until interrupted; verdicts are saved at once.

        Parameters
        ----------
        port : int, default=0
            0 takes a free one.
        open_browser : bool, default=True
            Otherwise only the address is printed in the log of the server.

        Raises
        ------
        MinerError
            If the folder cannot be shown or the port is taken.
        """
        serve_review(self.folder, port=port, open_browser=open_browser)

    def freeze(self) -> Path:
        """Write the review as one page (``report.html``) that needs no server, with the verdicts of today.

        Raises
        ------
        MinerError
            If the page cannot be written.
        """
        return write_report(self.folder)

    def _frame(self, declared: Table) -> pl.DataFrame:
        self._require_current()
        return pl.DataFrame(self._source.findings.read_table(declared))

    def _require_current(self) -> None:
        if not self._source.is_current():
            raise FindingsError(
                "the recording was mined again into this folder", remedy="open the findings anew", file=self.folder
            )
