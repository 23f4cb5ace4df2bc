"""Learn from the events of one recording what is usual, and judge those of another by it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa

from miner.engine.setup import Setup
from miner.errors import FindingsError, SetupError, near_names
from miner.expected.least import Resolution, least_wished
from miner.library.inputs import as_table
from miner.library.mined import Mined
from miner.library.mining import SetupLike, as_setup
from miner.mining.finish import resolution_of
from miner.mining.steps import open_source
from miner.rarity.judge import Judge
from miner.rarity.judge import fit_judge as fit
from miner.recording.reader import Recording
from miner.schema import EVENTS
from miner.suspects.listing import kinds_of

__all__ = ["FittedJudge", "fit_judge"]


@dataclass(frozen=True, kw_only=True)
class FittedJudge:
    """What is usual for one engine, learned by `fit_judge`."""

    judge: Judge

    def score(self, events: Mined | Any) -> pl.DataFrame:
        """Say how rare each event is.

        Parameters
        ----------
        events : Mined, data frame or Arrow table
            Events of a recording of the same engine and leads, with the columns of ``events`` in ``docs/tables.md``.

        Returns
        -------
        polars.DataFrame
            ``event_id``, ``time_s``, ``cylinder``; ``false_alarms_per_hour``: how many events at least this suspicious
            a healthy recording like the one that taught would show in an hour, never more than events; and ``kind``:
            what the event would be called in the list, null where nothing about it differs by what matters.

        Raises
        ------
        FindingsError
            If columns are missing or of another type, or there are no events.
        """
        table = _event_table(events)
        judged = self.judge.score(table)
        told = table.select(["event_id", "time_s", "cylinder"])
        told = told.append_column("false_alarms_per_hour", pa.array(np.exp(judged.bounded_log_rate)))
        odd = np.flatnonzero(np.isfinite(judged.log_rate))
        kinds = np.full(table.num_rows, None, dtype=object)
        kinds[odd] = kinds_of(odd, judged)
        return pl.DataFrame(told.append_column("kind", pa.array(kinds, pa.string())))


def fit_judge(
    events: Mined | Any, setup: SetupLike | None = None, *, recording: str | Recording | None = None
) -> FittedJudge:
    """Learn from the events of one recording what is usual there, and how rare what is not.

    Parameters
    ----------
    events : Mined, data frame or Arrow table
        Events in time order, with the columns of ``events`` in ``docs/tables.md``; some hundreds at least.
    setup : path, Setup or mapping, optional
        Engine and leads; not needed with `Mined`, which has its own.
    recording : path or Recording, optional
        Where the events are from: tells what the recorder could tell apart. Without it no step of the recorder is
        allowed for, as with a recorder of any number of digits.

    Returns
    -------
    FittedJudge

    Raises
    ------
    FindingsError
        If columns are missing or of another type, or there are no events.
    SetupError
        If there is no setup, or it does not describe an engine.

    Examples
    --------
    >>> import miner
    >>> place = "demo_recordings/uneven_twin_feedback_alone"
    >>> mined = miner.mine(f"{place}/recording.parquet", f"{place}/setup.toml")
    >>> judge = miner.fit_judge(mined.events, mined.setup)
    >>> judge.score(mined.events).columns
    ['event_id', 'time_s', 'cylinder', 'false_alarms_per_hour', 'kind']
    """
    if setup is None and not isinstance(events, Mined):
        raise SetupError("the events come without a setup", remedy="hand it over as the second argument")
    described = events.setup if setup is None else as_setup(setup)
    judge, _ = fit(_event_table(events), described, _resolution(described, recording))
    return FittedJudge(judge=judge)


def _resolution(setup: Setup, recording: str | Recording | None) -> Resolution:
    if recording is None:
        return Resolution(wished=least_wished(setup))
    path = recording.path if isinstance(recording, Recording) else recording
    return resolution_of(open_source(path, setup))


def _event_table(events: Mined | Any) -> pa.Table:
    """Return events of any origin as a table of EVENTS; other columns are left out."""
    table = as_table(events.events if isinstance(events, Mined) else events)
    names = EVENTS.schema.names
    for name in names:
        if name not in table.column_names:
            raise FindingsError(
                f"the events have no column '{name}'",
                remedy=f"hand over a whole event table; {near_names(name, table.column_names).rstrip('?')}",
            )
    if not table.num_rows:
        raise FindingsError("there are no events", remedy="hand over the event table of a recording")
    try:
        return EVENTS.validate(table.select(names))
    except (pa.ArrowException, ValueError) as error:
        first = str(error).splitlines()[0].rstrip(".")
        raise FindingsError(
            f"the events are not of the declared types ({first})", remedy="see docs/tables.md, table events"
        ) from error
