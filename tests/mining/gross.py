"""Gross faults planted in the samples of short drives, mined up to the ranked list: which of them are listed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.mining.finish import resolution_of
from miner.mining.steps import open_source
from miner.signal.extract import extract_pulses
from miner.signal.looks.profile import profile_leads
from miner.suspects.ranking import rank_events
from miner.synthetic.plan import plan_drive
from miner.synthetic.scenario import Scenario
from miner.synthetic.writer import write_recording
from tests.mined import find_events

SECONDS = 120.0
RATE_HZ = 50_000.0
LISTED_PER_HOUR = 1.0

ENGINES: dict[str, dict[str, Any]] = {
    "one": {"cylinders": 1, "firing_order": [1]},
    "one, two-stroke": {"cylinders": 1, "firing_order": [1], "strokes": 2},
    "two": {"cylinders": 2, "firing_order": [1, 2]},
    "two, uneven": {"cylinders": 2, "firing_order": [1, 2], "firing_angles_deg": [0, 270]},
    "three": {"cylinders": 3, "firing_order": [1, 2, 3]},
    "three, two-stroke": {"cylinders": 3, "firing_order": [1, 2, 3], "strokes": 2},
    "four": {"cylinders": 4, "firing_order": [1, 3, 4, 2]},
    "four, uneven": {"cylinders": 4, "firing_order": [1, 3, 2, 4], "firing_angles_deg": [0, 270, 450, 540]},
    "four, paired": {"cylinders": 4, "firing_order": [1, 3, 4, 2], "layout": "paired"},
    "six": {"cylinders": 6, "firing_order": [1, 5, 3, 6, 2, 4]},
    "six, uneven": {"cylinders": 6, "firing_order": [1, 6, 5, 4, 3, 2],
                    "firing_angles_deg": [0, 90, 240, 330, 480, 570]},
    "six, paired": {"cylinders": 6, "firing_order": [1, 5, 3, 6, 2, 4], "layout": "paired"},
    "eight": {"cylinders": 8, "firing_order": [1, 8, 4, 3, 6, 5, 7, 2]},
    "twelve": {"cylinders": 12, "firing_order": [1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10]},
}  # fmt: skip

LEADS = ("one command and answers", "one command", "answers", "commands", "all", "all, supply and current")

SIZES = {
    "short_on_time": 0.25, "long_on_time": 0.25, "late_feedback": 0.5, "early_feedback": 0.5, "weak_command": 0.4,
    "weak_feedback": 0.4, "absent_command": 0.0, "absent_feedback": 0.0, "extra_pulse": 1.0,
}  # fmt: skip
PLACES = ("idle", "top", "ramp", "first second", "last second")


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One planted event and whether the list has it."""

    kind: str
    place: str
    burst: int
    time_s: float
    cylinder: int | None
    rpm: float
    rate_per_hour: float

    @property
    def is_listed(self) -> bool:
        return self.rate_per_hour <= LISTED_PER_HOUR

    def __str__(self) -> str:
        burst = "" if self.burst == 1 else f", one of {self.burst}"
        return (
            f"{self.kind} at {self.place}{burst}: {self.time_s:.3f} s, cylinder {self.cylinder}, {self.rpm:.0f} rpm, "
            f"{self.rate_per_hour:.3g} an hour"
        )


def leads_of(engine: dict[str, Any], leads: str) -> list[dict[str, Any]]:
    """Return the leads of a set; a paired coil has one command wire."""
    order = engine["firing_order"]
    coils = order[: len(order) // 2] if engine.get("layout") == "paired" else order
    quiet = {"noise_v": 0.02, "dtype": "int16", "scale": 0.01}
    commands = [{"column": f"command_{c}", "role": "command", "cylinder": c, "crosstalk_v": 0.8,
                 "crosstalk_chance": 0.1, **quiet} for c in coils]  # fmt: skip
    answers = {
        "column": "answers",
        "role": "feedback",
        "off_v": 5.0,
        "on_v": 0.3,
        "edge": "rc",
        "fall_us": 5.0,
        **quiet,
    }
    supply = {"column": "supply", "role": "supply", "off_v": 12.0, "on_v": 12.0, "noise_v": 0.03, "scale": 0.02}
    clamp = {"column": "clamp", "role": "coil_current", "cylinder": coils[0], "off_v": 0.0, "on_v": 1.0,
             "noise_v": 0.05, "scale": 0.02}  # fmt: skip
    return {
        "one command and answers": [commands[0], answers], "one command": commands[:1], "answers": [answers],
        "commands": commands, "all": [*commands, answers],
        "all, supply and current": [*commands, answers, supply, clamp],
    }[leads]  # fmt: skip


def drive_of(engine: str, leads: str, seed: int) -> Scenario:
    """Return a drive that idles, revs to the top, and stops and starts again."""
    drive = {"roads": ["revs", "stall", "motorway", "revs"], "road_s": 20.0, "max_rpm": 6500.0}
    return Scenario.model_validate(
        {
            "engine": ENGINES[engine], "leads": leads_of(ENGINES[engine], leads), "rate_hz": RATE_HZ,
            "duration_s": SECONDS, "seed": seed, "drive": drive,
            "dwell": {"target_a": 6.0, "longest_ms": 4.0, "largest_duty": 0.5},
            "coil": {"inductance_mh": 2.5},
            "feedback": {"width": "fixed", "fixed_us": 600.0} if ENGINES[engine]["cylinders"] > 6 else {},
        }
    )  # fmt: skip


def windows_of(scenario: Scenario) -> dict[str, list[dict[str, Any]]]:
    """Return where faults of each place may lie, as parts of a fault's specification."""
    truth = plan_drive(scenario).truth
    time_s, rpm = truth["time_s"], truth["engine_rpm"]
    top = float(np.quantile(rpm[np.isfinite(rpm)], 0.985))
    stopped = np.flatnonzero(np.diff(time_s) > 1.0)
    begins = [float(time_s[0]), *time_s[stopped + 1].tolist()]
    ends = [*time_s[stopped].tolist(), float(time_s[-1])]
    state = truth["operating_state"].astype(str)
    fast = float(np.quantile(rpm[state == "accelerating"], 0.3)) if (state == "accelerating").any() else 1500.0
    return {
        "idle": [{"states": ["idle"]}],
        "top": [{"rpm_low": top}],
        "ramp": [{"states": ["accelerating"], "rpm_low": fast}],
        "first second": [{"from_s": begin + 0.3, "to_s": begin + 1.5} for begin in begins],
        "last second": [{"from_s": end - 1.5, "to_s": end} for end in ends],
    }


def with_faults(scenario: Scenario, turn: int) -> Scenario:
    """Return the drive with two single faults of each kind, or one and a burst of three, at places that go round."""
    windows = windows_of(scenario)
    faults = []
    for number, (kind, size) in enumerate(SIZES.items()):
        for step, burst in enumerate((1, 1 if (turn + number) % 2 else 3)):
            place = PLACES[(turn + number + 2 * step) % len(PLACES)]
            where = windows[place][(turn + number + step) % len(windows[place])]
            faults.append({"kind": kind, "size": size, "burst": burst, **where})
    return Scenario.model_validate({**scenario.model_dump(), "faults": faults})


def mine_gross(folder: Path, engine: str, leads: str, turn: int) -> tuple[list[Fault], int]:
    """Plant, write, extract, track and rank; return every fault that the leads can show, and healthy ones listed."""
    scenario = with_faults(drive_of(engine, leads, 1 + turn), turn)
    written = write_recording(scenario, folder)
    source = open_source(written.recording, written.setup)
    extraction = extract_pulses(source.recording, source.leads, profile_leads(source.recording, source.leads))
    events = find_events(source.setup, extraction, end_s=SECONDS, rate_hz=RATE_HZ)
    listed = rank_events(events, source.setup, resolution=resolution_of(source)).suspects
    return match(scenario, written.plan.faults, written.plan.truth, listed)


def match(
    scenario: Scenario, planted: pa.Table, truth: dict[str, NDArray[Any]], listed: pa.Table
) -> tuple[list[Fault], int]:
    """Return the faults with the rate of the suspect of each: of its coil, within half its firing interval."""
    slots = scenario.engine.pattern.n_slots
    at_s, rates = listed["time_s"].to_numpy(), listed["false_alarms_per_hour"].to_numpy()
    cylinder = listed["cylinder"].fill_null(-1).to_numpy()
    size = {row["burst_id"]: 0 for row in planted.to_pylist()}
    for row in planted.to_pylist():
        size[row["burst_id"]] += 1
    faults, explained = [], np.zeros(len(at_s), dtype=np.bool_)
    for row in planted.to_pylist():
        k = row["event_id"]
        rpm = max(float(truth["engine_rpm"][k]), 100.0)
        half_s = 0.5 * scenario.engine.pattern.cycle_deg / slots / (6.0 * rpm)
        near = np.abs(at_s - row["time_s"]) < min(half_s, 0.05)
        beside = np.abs(at_s - row["time_s"]) < 2.5 * slots * 2.0 * half_s
        explained |= beside
        if row["shows_as"] not in (row["kind"], "absent_feedback"):
            continue  # an on-time or a delay of which the answer's width alone tells is no gross one there
        told = near & ((cylinder == row["cylinder"]) | (cylinder < 0))
        faults.append(
            Fault(
                kind=row["kind"], place=place_of(scenario, row["kind"], truth, k), burst=size[row["burst_id"]],
                time_s=row["time_s"], cylinder=row["cylinder"], rpm=rpm,
                rate_per_hour=float(rates[told].min(initial=np.inf)),
            )
        )  # fmt: skip
    return faults, int(np.sum((rates <= LISTED_PER_HOUR) & ~explained))


def place_of(scenario: Scenario, kind: str, truth: dict[str, NDArray[Any]], row: int) -> str:
    """Return the place that was asked for where an event lies."""
    time_s, rpm, state = truth["time_s"][row], truth["engine_rpm"][row], str(truth["operating_state"][row])
    for spec in scenario.faults:
        inside = spec.from_s <= time_s < spec.to_s + 1.0 and spec.rpm_low * 0.8 <= rpm
        if spec.kind == kind and inside and (spec.states is None or state in spec.states):
            beside_stop = spec.to_s < 1e9
            return (
                "beside a stop"
                if beside_stop
                else "idle"
                if spec.states == ("idle",)
                else "ramp"
                if spec.states
                else "top"
            )
    return "elsewhere"
