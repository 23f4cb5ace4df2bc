"""Everything that is said about a list once it is made, in one go."""

from __future__ import annotations

from typing import Any

import pyarrow as pa

from miner.engine.setup import Setup
from miner.events.rows import Rows
from miner.memory import give_back
from miner.questions.conditions import find_conditions
from miner.questions.cylinder_differences import find_standing
from miner.questions.misfire_windows import count_misfire_windows, summarise_misfire_windows
from miner.questions.sensitivity import QUICK, SensitivitySettings, fault_rate_limits, measure_sensitivity
from miner.rarity.judge import Judge
from miner.schema import CONDITIONS, MISFIRE_WINDOWS, SENSITIVITY, STANDING

__all__ = ["explain_findings"]


def explain_findings(
    events: Rows,
    suspects: pa.Table,
    incidents: pa.Table,
    setup: Setup,
    *,
    judge: Judge | None = None,
    sensitivity: SensitivitySettings | None = QUICK,
    seed: int = 1,
) -> dict[str, Any]:
    """Return standing differences, conditions, misfire windows and sensitivity of a ranked recording.

    Parameters
    ----------
    events, suspects, incidents : EVENTS, SUSPECTS and INCIDENTS tables
        As ranked.
    setup : Setup
        Engine and leads.
    judge : Judge, optional
        What the recording taught.
    sensitivity : SensitivitySettings, optional
        How much is planted; None leaves that out.
    seed : int, default=1
        Of the draws in the tests of conditions.

    Returns
    -------
    dict
        Tables under the names they are written as: ``standing``, ``conditions``, ``misfire_windows``,
        ``sensitivity`` (empty where left out). Under ``summary``, ready for JSON: ``standing`` and ``conditions``
        (sentences), ``misfire_windows``, ``sensitivity`` (with ``fault_rate_limits``), ``n_incidents``.
    """
    standing = find_standing(events, setup)
    give_back()  # each looks at other columns of all events
    conditions, sentences = find_conditions(events, suspects, setup, seed=seed)
    windows = count_misfire_windows(events, setup)
    give_back()
    planted = None if sensitivity is None else measure_sensitivity(events, setup, judge=judge, settings=sensitivity)
    return {
        STANDING.name: standing,
        CONDITIONS.name: conditions,
        MISFIRE_WINDOWS.name: windows,
        SENSITIVITY.name: SENSITIVITY.empty() if planted is None else planted.table,
        "summary": {
            "n_incidents": incidents.num_rows,
            "standing": [row["sentence"] for row in standing.to_pylist() if row["notable"]],
            "conditions": sentences,
            "misfire_windows": summarise_misfire_windows(windows),
            "sensitivity": {
                "fault_rate_limits": fault_rate_limits(suspects, events),
                **({} if planted is None else planted.summary),
            },
        },
    }
