"""Small finished findings for tests, made from rows and not from a recording."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa

from miner.findings.store import SUMMARY, Findings
from miner.schema import EVENTS, INCIDENTS, SUSPECTS

SETUP = {
    "engine": {"cylinders": 4, "firing_order": [1, 3, 4, 2]},
    "channel": [{"column": "=cmd|' /C calc'!A0", "role": "command", "cylinder": 1}],
}


def events(n: int = 8, **columns: Any) -> pa.Table:
    """Return ``n`` events; a column given as a list replaces the made one."""
    made: dict[str, Any] = {c.name: [None] * n for c in EVENTS.columns}
    made |= {
        "event_id": list(range(n)),
        "cycle": [i // 4 for i in range(n)],
        "cylinder": [(1, 3, 4, 2)[i % 4] for i in range(n)],
        "time_s": [0.03 * i for i in range(n)],
        "command_seen": [i % 4 == 0 or None for i in range(n)],
        "on_time_us": [3170.25 + i if i % 4 == 0 else None for i in range(n)],
        "feedback_seen": [i != 5 for i in range(n)],
        "extra_pulses": [0] * n,
        "operating_state": ["idle"] * n,
        "quality": [""] * n,
        "slot": [i % 4 for i in range(n)],
        "segment": [0] * n,
    }
    return EVENTS.validate(pa.table(made | columns, schema=EVENTS.schema))


def suspects(reasons: list[str]) -> pa.Table:
    """Return one suspect per reason."""
    rows = [
        {
            "rank": i + 1, "event_id": 5 - i, "time_s": 0.03 * (5 - i), "cylinder": 3 if i == 0 else None,
            "kind": "absent_feedback", "score": 9.5 - i, "false_alarms_per_hour": 0.01 * 100**i, "reason": reason,
            "incident_id": 1, "window_start_s": 0.1, "window_end_s": 0.2, "measured": None, "usual": 692.0,
            "distance_sigma": -12.5, "measure": "delay_us",
        }
        for i, reason in enumerate(reasons)
    ]  # fmt: skip
    return pa.Table.from_pylist(rows, schema=SUSPECTS.schema)


def incidents(sentence: str) -> pa.Table:
    row = {
        "incident_id": 1, "start_s": 0.1, "end_s": 0.2, "n_events": 1, "cylinders": [3], "kinds": ["absent_feedback"],
        "false_alarms_per_hour": 0.01, "best_rank": 1, "sentence": sentence, "circuit": "coil 3",
        "evidence_for": "command good", "evidence_against": "", "next_test": "measure the supply", "codes": ["P0353"],
    }  # fmt: skip
    return pa.Table.from_pylist([row], schema=INCIDENTS.schema)


def finished(folder: Path, *, reasons: list[str] | None = None) -> Findings:
    """Write a finished folder."""
    findings = Findings(folder)
    findings.write_table(EVENTS, events())
    findings.write_table(SUSPECTS, suspects(["no answer, 692 us is usual"] if reasons is None else reasons))
    findings.write_table(INCIDENTS, incidents("cylinder 3 did not answer"))
    summary = {
        "setup": SETUP,
        "recording": {"duration_s": 3600.0, "path": "http://x/y.parquet"},
        "counts": {"events": {"events": 8}, "suspects": {"under_one_false_alarm_per_hour": 1, "incidents": 1}},
    }
    findings.write_json(SUMMARY, summary)
    return findings
