"""Three sets of recordings with truth, each from a simulator written apart from the others; one layout of files."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from miner.synthetic.faults.events import MEASURE_OF
from miner.synthetic.plan import Plan
from miner.synthetic.presets import healthy_hour, varied
from miner.synthetic.scenario import Scenario
from miner.synthetic.writer import write_recording
from tests.physical import fleet
from tests.physical.sizes import GROSS_SIGMA, MUST_SIGMA, STRETCH_SIGMA, Measure, sigmas_out

REPO = Path(__file__).parents[2]
OWN_SAMPLES = 5e8
"""Samples of all leads of one of the project's own recordings, at most."""
OWN_SEED = 7000
"""First seed of the project's own recordings here: none of those it was developed with."""
LOGARITHMIC = ("on_time_us", "delay_us", "feedback_width_us", "amplitude_v", "feedback_amplitude_v", "ripple_v")
WHERE = "IGNITION_SHARED"
"""Environment variable that names the folder beside the repository that holds ``trial``."""


@dataclass(frozen=True, kw_only=True)
class Made:
    """A recording that was made."""

    recording: Path
    layout: str
    leads: str


def trial_folder() -> Path | None:
    """Return where the outside simulator lies, None where it is not there."""
    shared = Path(os.environ[WHERE]) if WHERE in os.environ else REPO.parent / "shared"
    folder = shared / "trial"
    return folder if (folder / "fleet.py").exists() else None


def make_trial(number: int, folder: Path) -> Made:
    """Let the outside simulator make a recording, as it stands in its own folder."""
    where = trial_folder()
    if where is None:
        raise FileNotFoundError("the outside simulator is not there")
    if str(where) not in sys.path:
        sys.path.insert(0, str(where))
    sys.dont_write_bytecode = True
    outside = import_module("fleet")
    layout, options, _, _ = outside.make(number, folder)
    told = json.loads((folder / "scenario.json").read_text(encoding="utf-8"))
    told["cylinders"] = len(outside.ENGINES[options["engine"]]["order"])
    (folder / "scenario.json").write_text(json.dumps(told), encoding="utf-8")
    whole = folder / "recording.parquet"
    return Made(recording=whole if whole.exists() else folder / "recording", layout=options["engine"], leads=layout)


def make_third(number: int, folder: Path) -> Made:
    """Let the physical simulator make a recording."""
    options = fleet.make(number, folder)
    leads = ", ".join(lead.name for lead in options.leads)
    return Made(recording=folder / "recording.parquet", layout=options.layout, leads=leads)


def own_scenario(number: int) -> Scenario:
    """Return one of the project's own: of five two of the healthy drive, one varied healthy, two varied faulty."""
    if number % 5 < 2:
        return healthy_hour(OWN_SEED + number, duration_s=1800.0)
    faulty = number % 5 > 2
    drawn = varied(OWN_SEED + number, duration_s=900.0, faulty=faulty)
    rate_hz = drawn.rate_hz
    while rate_hz > max(OWN_SAMPLES / drawn.duration_s / len(drawn.leads), 5e4):
        rate_hz /= 2.0
    drawn = varied(OWN_SEED + number, duration_s=900.0, faulty=faulty, rate_hz=rate_hz)
    rng = np.random.default_rng([number, 77])  # its faults are gross; here small ones come as often
    faults = tuple(f.model_copy(update={"size": smaller(f.kind, f.size, rng)}) for f in drawn.faults)
    return drawn.model_copy(update={"faults": faults})


def smaller(kind: str, size: float, rng: np.random.Generator) -> float:
    """Return a size down to a twentieth, log-uniform, for kinds that have one."""
    return float(size * np.exp(rng.uniform(np.log(0.05), 0.0))) if kind in MEASURE_OF else size


def make_own(number: int, folder: Path) -> Made:
    """Let the project's own simulator make a recording; its truth is told in the others' files."""
    scenario = own_scenario(number)
    written = write_recording(scenario, folder)
    events, faults = own_truth(written.plan)
    pq.write_table(events, folder / "truth_events.parquet")
    pq.write_table(faults, folder / "truth.parquet")
    holes = [(g.start_s - 0.4, g.start_s + g.duration_s + 0.4) for g in scenario.gaps]
    told = {
        "seconds": scenario.duration_s,
        "ignore": holes,
        "cylinder_known": any(lead.role == "command" for lead in scenario.leads),
        "cylinders": scenario.engine.cylinders,
        "healthy": faults.num_rows == 0,
    }
    (folder / "scenario.json").write_text(json.dumps(told), encoding="utf-8")
    layout = f"{scenario.engine.cylinders} cylinders"
    return Made(recording=written.recording, layout=layout, leads=", ".join(x.role for x in scenario.leads))


def own_truth(plan: Plan) -> tuple[pa.Table, pa.Table]:
    """Return events and faults of a plan with the columns that scoring reads."""
    events, engine = plan.events, plan.scenario.engine
    column = {name: events[name].to_numpy(zero_copy_only=False) for name in events.column_names}
    order = list(engine.firing_order)
    cylinder = column["cylinder"].astype(float)
    alt = cylinder.copy()
    if engine.layout == "paired":
        partner = {c: order[(k + len(order) // 2) % len(order)] for k, c in enumerate(order)}
        alt = np.array([float(partner[int(c)]) for c in cylinder])
    rpm = np.maximum(column["engine_rpm"].astype(float), 60.0)
    angles = np.array(engine.firing_angles_deg or np.arange(len(order)) * (180.0 * engine.strokes / len(order)))
    gaps = np.diff(np.append(angles, angles[0] + 180.0 * engine.strokes))
    firing = gaps.min() / (6.0 * rpm)
    found = plan.faults.to_pylist()
    planted = np.zeros(len(rpm), dtype=bool)
    planted[[f["event_id"] for f in found]] = True
    shown = [f for f in found if f["shows_as"] is not None]
    time_s = column["time_s"].astype(float)
    silent = np.isnan(column["on_time_us"].astype(float)) & np.isnan(column["feedback_width_us"].astype(float))
    table = pa.table({
        "time_s": time_s, "cylinder": cylinder, "cylinder_alt": alt, "firing_interval_s": firing, "planted": planted,
        "ignore": (silent & ~planted).astype(np.int8),
    })  # fmt: skip
    rows = [own_fault(f, column, planted, time_s, cylinder, alt, firing) for f in shown]
    number = ("time_s", "alt_time_s", "cylinder", "cylinder_alt", "size_sigma", "firing_interval_s")
    schema = pa.schema([*((n, pa.float64()) for n in number), ("kind", pa.string()), ("label", pa.string())])
    return table, pa.Table.from_pylist(rows, schema=schema)


def own_fault(
    fault: dict[str, Any], column: dict[str, Any], planted: Any, time_s: Any, cylinder: Any, alt: Any, firing: Any
) -> dict[str, object]:
    """Return one planted fault with its size in healthy spreads."""
    i, kind = int(fault["event_id"]), str(fault["shows_as"])
    sigma = GROSS_SIGMA
    if kind in MEASURE_OF:
        name = MEASURE_OF[kind]
        values = column[name].astype(float)
        with np.errstate(divide="ignore", invalid="ignore"):
            values = np.log(np.abs(values)) if name in LOGARITHMIC else values
        error = np.full(len(values), 0.05 if name == "supply_v" else 0.002)
        sigma = sigmas_out(Measure(values=values, error=error), (cylinder == cylinder[i]) & ~planted, i)
    label = "must_find" if sigma >= MUST_SIGMA else "stretch" if sigma >= STRETCH_SIGMA else "beyond"
    return {
        "time_s": float(time_s[i]), "alt_time_s": float(time_s[i]), "cylinder": float(cylinder[i]),
        "cylinder_alt": float(alt[i]),
        "kind": kind, "size_sigma": sigma, "label": label, "firing_interval_s": float(firing[i]),
    }  # fmt: skip


SETS: dict[str, Callable[[int, Path], Made]] = {"trial": make_trial, "third": make_third, "own": make_own}
