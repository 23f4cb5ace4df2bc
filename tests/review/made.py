"""A small findings folder with its recording, made directly from tables: what mining leaves, without mining."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from miner.engine.setup import Setup, parse_setup
from miner.findings.store import Findings
from miner.recording.reader import open_recording
from miner.review.envelope import BLOCK_SAMPLES, extremes_of_blocks
from miner.review.kept.windows import build_windows
from miner.schema import EVENTS, GAPS, INCIDENTS, PULSES, SILENCES, SUSPECTS, Table
from miner.signal.extraction import Envelope, Extraction, Track
from miner.suspects.cut_outs import with_cut_outs

ORDER = (1, 3, 4, 2)
NASTY = "<img src=x onerror=alert(1)>"
EXPLAINED = {
    "standing": ["Cylinder 4: later than the others."],
    "conditions": [],
    "sensitivity": {
        "fault_rate_limits": {"n_suspects": 3, "n_events": 600, "per_1000_events": 12.9, "per_hour": 2300.0},
        "smallest_found": [
            {"kind": "absent_feedback", "cylinder": 1, "size": 1.0, "unit": "share", "sentence": "A single one."},
            {"kind": "late_feedback", "cylinder": 1, "size": 0.12, "unit": "share", "sentence": "From 12 % on."},
        ],
    },
    "misfire_windows": {
        "note": "An absent event is not yet a misfire.",
        "per_200_revolutions": {"n_windows": 2, "n_above": 1, "worst_pct": 6.0, "threshold_pct": 5.0},
    },
}
ON_US, DELAY_US, WIDTH_US = 3170.0, 692.0, 2400.0


def make_setup(nasty_column: bool = False) -> Setup:
    return parse_setup(
        {
            "engine": {"cylinders": 4, "firing_order": list(ORDER)},
            "vehicle": NASTY if nasty_column else "test bench",
            "channel": [
                {"column": NASTY if nasty_column else "lead_1", "role": "command", "cylinder": 1},
                {"column": "lead_2", "role": "feedback"},
                {"column": "lead_3", "role": "command", "cylinder": 3},
                {"column": "lead_4", "role": "supply"},
            ],
        }
    )


def fill(table: Table, rows: list[dict[str, object]]) -> pa.Table:
    """Rows with every column that is not given as null (or empty)."""
    blank = {c.name: None if c.nullable else "" if c.type == pa.string() else 0 for c in table.columns}
    return pa.Table.from_pylist([{**blank, **row} for row in rows], schema=table.schema)


def make_events(duration_s: float, absent_every: int = 61, long_every: int = 97) -> pa.Table:
    """A steady drive from 1500 to 2500 rpm; every 61st answer is absent, every 97th answer late by half."""
    rows: list[dict[str, object]] = []
    time_s, number = 0.02, 0
    while time_s < duration_s - 0.02:
        rpm = 1500 + 1000 * time_s / duration_s
        cylinder = ORDER[number % 4]
        own = cylinder in (1, 3)
        absent, late = number % absent_every == absent_every - 1, number % long_every == long_every - 1
        rows.append(
            {
                "event_id": number, "cycle": number // 4, "cylinder": cylinder, "time_s": time_s,
                "command_seen": True if own else None, "feedback_seen": not absent,
                "on_time_us": ON_US if own else None,
                "delay_us": None if absent or not own else DELAY_US * (1.5 if late else 1.0),
                "feedback_width_us": None if absent else WIDTH_US, "amplitude_v": 5.0 if own else None,
                "engine_rpm": rpm, "operating_state": "steady" if time_s < duration_s / 2 else "accelerating",
                "slot": number % 4, "supply_v": 13.8, "extra_pulses": 0, "segment": 0,
            }
        )  # fmt: skip
        time_s += 30.0 / rpm
        number += 1
    return fill(EVENTS, rows)


def make_suspects(events: pa.Table) -> tuple[pa.Table, pa.Table]:
    chosen = []
    for event in events.to_pylist():
        if event["feedback_seen"] is False:
            chosen.append((event, "absent_feedback", 40.0))
        elif (event["delay_us"] or 0) > 1.2 * DELAY_US:
            chosen.append((event, "late_feedback", 25.0))
    chosen.sort(key=lambda item: (-item[2], item[0]["time_s"]))
    rows = []
    for rank, (event, kind, score) in enumerate(chosen, 1):
        rows.append(
            {
                "rank": rank, "event_id": event["event_id"], "time_s": event["time_s"], "cylinder": event["cylinder"],
                "kind": kind, "score": score - rank * 0.01, "false_alarms_per_hour": 0.02 * rank,
                "reason": f"cylinder {event['cylinder']}: {kind.replace('_', ' ')} where 692 us is usual; <b>bold</b>",
                "incident_id": 1 if kind == "absent_feedback" else 2, "window_start_s": event["time_s"] - 0.05,
                "window_end_s": event["time_s"] + 0.06, "measured": event["delay_us"], "usual": DELAY_US,
                "distance_sigma": 25.0, "measure": "delay_us",
            }
        )  # fmt: skip
    suspects = fill(SUSPECTS, rows)
    incidents = []
    for number, kind in ((1, "absent_feedback"), (2, "late_feedback")):
        own = [row for row in rows if row["incident_id"] == number]
        if own:
            incidents.append(
                {
                    "incident_id": number, "start_s": min(r["time_s"] for r in own),
                    "end_s": max(r["time_s"] for r in own), "n_events": len(own),
                    "cylinders": sorted({r["cylinder"] for r in own}), "kinds": [kind],
                    "false_alarms_per_hour": own[0]["false_alarms_per_hour"], "best_rank": own[0]["rank"],
                    "sentence": f"{len(own)} events with {kind.replace('_', ' ')} over the whole drive.",
                    "circuit": "coil, its supply or ground, or the feedback wire",
                    "evidence_for": "the command is good", "evidence_against": "nothing recorded speaks against it",
                    "next_test": "swap the coil with its neighbour", "codes": ["P0351"],
                }
            )  # fmt: skip
    return suspects, fill(INCIDENTS, incidents)


def make_silences(duration_s: float) -> pa.Table:
    """A stop, a cut-out that came back while the engine turned, and a clip that stayed off."""
    common = {"leads": ["lead_1", "lead_2"], "rpm_before": 2100.0, "turns_to_silence": 0.0, "rpm_after": 1900.0}
    told = [
        ("stop", 0.1, 0.1998, "by the starter", "all leads silent from 2,100 rpm: the engine was stopped or stalled"),
        ("cut_out", 0.6, 0.62, "still turning", "all leads silent from 2,100 rpm: a cut-out at speed"),
        ("clip_off", 0.8, None, "none", "'lead_3' silent to the end of the recording: its clip was off"),
    ]
    rows = [
        {**common, "silence_id": number, "start_s": start * duration_s,
         "stop_s": None if stop is None else stop * duration_s, "came_back": back, "looks_like": kind, "sentence": text}
        for number, (kind, start, stop, back, text) in enumerate(told, 1)
    ]  # fmt: skip
    return fill(SILENCES, rows)


def make_scores(events: pa.Table) -> pa.Table:
    """The part of the ranking's scores that the review keeps."""
    n = len(events)
    return pa.table({"event_id": events["event_id"], "usual_on_time_us": [ON_US] * n, "distance_on_time_us": [0.5] * n})


def make_volts(events: pa.Table, n: int, rate_hz: float, seed: int = 5) -> dict[str, np.ndarray]:
    """Counts of the four leads: command of 1, feedback (active low), command of 3, supply."""
    random = np.random.default_rng(seed)
    levels = [
        np.zeros(n, np.float32),
        np.full(n, 5.0, np.float32),
        np.zeros(n, np.float32),
        np.full(n, 13.8, np.float32),
    ]
    for event in events.to_pylist():
        at = event["time_s"]
        if event["on_time_us"] is not None:
            lead = 0 if event["cylinder"] == 1 else 2
            levels[lead][round(at * rate_hz) : round((at + event["on_time_us"] * 1e-6) * rate_hz)] = 5.0
        if event["feedback_seen"]:
            start = at + (event["delay_us"] or 0.0) * 1e-6  # without a command lead the time is the answer's
            levels[1][round(start * rate_hz) : round((start + WIDTH_US * 1e-6) * rate_hz)] = 0.4
    return [np.rint((v + random.normal(0, 0.02, n)) / 0.005).astype(np.int16) for v in levels]


def make_recording(path: Path, setup: Setup, events: pa.Table, duration_s: float, rate_hz: float) -> Path:
    counts = make_volts(events, round(duration_s * rate_hz), rate_hz)
    meta = {"scale": "0.005", "offset": "0", "unit": "V"}
    fields = [pa.field(c.column, pa.int16(), metadata=meta) for c in setup.channel]
    schema = pa.schema(fields, metadata={"sample_rate_hz": repr(rate_hz)})
    pq.write_table(pa.table(counts, schema=schema), path, row_group_size=1 << 20)
    return path


def make_extraction(recording_path: Path, setup: Setup, gaps: pa.Table, rate_hz: float) -> Extraction:
    """What the signal stage would hand on, as far as the review looks at it."""
    table = pq.read_table(recording_path)
    window = max(1, round(0.1 * rate_hz / BLOCK_SAMPLES)) * BLOCK_SAMPLES
    envelope, tracks = {}, {}
    for lead, channel in enumerate(setup.channel):
        counts = table[channel.column].to_numpy()
        low, high = extremes_of_blocks(counts, BLOCK_SAMPLES)
        envelope[lead] = Envelope(samples_per_point=BLOCK_SAMPLES, scale=0.005, offset=0.0, low=low, high=high)
        if channel.role == "supply":
            means = np.add.reduceat(counts * 0.005, np.arange(0, len(counts), window))
            means /= np.diff([*range(0, len(counts), window), len(counts)])
            tracks[lead] = Track(least=means, mean=means, most=means)
    return Extraction(
        pulses=PULSES.empty(), gaps=gaps, window_start_s=np.arange(0, len(table), window) / rate_hz,
        window_samples=window, envelope=envelope, tracks=tracks, leads={},
        columns={i: c.column for i, c in enumerate(setup.channel)},
    )  # fmt: skip


def make_findings(
    folder: Path,
    *,
    duration_s: float = 12.0,
    rate_hz: float = 200_000.0,
    nasty_column: bool = False,
    healthy: bool = False,
    silences: bool = False,
) -> Path:
    """Make ``folder/drive.parquet`` and ``folder/findings`` and return the latter."""
    setup = make_setup(nasty_column)
    events = make_events(duration_s, *((10**9, 10**9) if healthy else ()))
    path = make_recording(folder / "drive.parquet", setup, events, duration_s, rate_hz)
    suspects, incidents = make_suspects(events)
    findings = Findings(folder / "findings")
    if silences:
        told = make_silences(duration_s)
        findings.write_table(SILENCES, told)
        suspects, incidents = with_cut_outs(suspects, incidents, told, setup)
    for declared, table in ((EVENTS, events), (SUSPECTS, suspects), (INCIDENTS, incidents)):
        findings.write_table(declared, table)
    gaps = fill(GAPS, [{"lead": 1, "start_s": 0.4 * duration_s, "stop_s": 0.42 * duration_s}])
    extraction = make_extraction(path, setup, gaps, rate_hz)
    build_windows(
        findings.folder, open_recording(path), setup, [extraction], gaps, events, suspects, scores=make_scores(events)
    )
    findings.write_json("summary.json", {"explained": EXPLAINED})
    return findings.folder
