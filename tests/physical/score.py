"""How a findings folder compares with the truth of its recording, whichever simulator wrote it.

A suspect *hits* a planted fault when it lies within half a firing interval of it and names its cylinder (either one of
a pair, any where no lead tells them apart); each fault is hit once. A further row at a fault is a *repeat*, and a row
beside one its *echo*: the neighbours of a fault in time, and for faults that shift intervals the same cylinder's events
before and after. Rows in stretches without signal are counted apart; everything else is a *false* alarm.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray

RATES = (0.01, 0.1, 1.0, 10.0)
"""False alarms an hour at which lists are counted."""
FALSE, ECHO, APART = -1, -2, -3
SHIFTS = ("uneven_interval", "absent_command", "absent_feedback", "extra_pulse", "short_on_time", "long_on_time")
ECHO_FIRINGS = 1.5
"""Firing intervals within which a fault's neighbours show its echo."""
HOLE_MARGIN_S = 0.5
ENDS_S = 0.4
GRADED = ("must_find", "stretch")

Floats = NDArray[np.float64]
Columns = dict[str, NDArray[Any]]


@dataclass(frozen=True, kw_only=True)
class Scene:
    """Truth of one recording."""

    faults: Columns
    events: Columns
    seconds: float
    holes: tuple[tuple[float, float], ...]
    cylinder_known: bool
    cylinders: int

    @property
    def hours(self) -> float:
        return self.seconds / 3600.0

    @property
    def n_faults(self) -> int:
        return len(self.faults["time_s"])


def columns_of(path: Path) -> Columns:
    table = pq.read_table(path)
    out: Columns = {}
    for name in table.column_names:
        column = table[name]
        if str(column.type) in ("string", "large_string"):
            out[name] = np.array(column.to_pylist(), dtype=object)
        else:
            out[name] = column.to_numpy(zero_copy_only=False)
    return out


def read_scene(folder: Path) -> Scene:
    """Read the truth that lies beside a recording."""
    told = json.loads((folder / "scenario.json").read_text(encoding="utf-8"))
    events = columns_of(folder / "truth_events.parquet")
    cylinders = int(told.get("cylinders") or len(np.unique(events["cylinder"])))
    return Scene(
        faults=columns_of(folder / "truth.parquet"),
        events=events,
        seconds=float(told["seconds"]),
        holes=tuple((float(a), float(b)) for a, b in told["ignore"]),
        cylinder_known=bool(told["cylinder_known"]),
        cylinders=cylinders,
    )


def in_holes(time_s: Floats, scene: Scene) -> NDArray[np.bool_]:
    out = np.zeros(len(time_s), dtype=bool)
    for a, b in scene.holes:
        out |= (time_s > a - HOLE_MARGIN_S) & (time_s < b + HOLE_MARGIN_S)
    return out


def verdicts(scene: Scene, suspects: Columns) -> NDArray[np.int64]:
    """Return for each suspect, worst first, the row of the fault it hits, or `FALSE`, `ECHO` or `APART`."""
    time_s, faults = suspects["time_s"].astype(float), scene.faults
    out = np.full(len(time_s), FALSE, dtype=np.int64)
    out[in_holes(time_s, scene)] = APART
    if not scene.n_faults:
        return out
    at, alt, firing = (np.asarray(faults[k], dtype=float) for k in ("time_s", "alt_time_s", "firing_interval_s"))
    shifts = np.isin(faults["kind"].astype(str), SHIFTS)
    free = np.ones(len(at), dtype=bool)
    for i in np.flatnonzero(out == FALSE):
        away = np.abs(at - time_s[i]) / firing
        own = same_cylinder(scene, suspects["cylinder"][i])
        near = np.where(own, np.minimum(away, np.abs(alt - time_s[i]) / firing), np.inf)
        if near.min() < 0.5:
            left = np.where(free, near, np.inf)
            best = int(left.argmin())
            out[i] = best if left[best] < 0.5 else ECHO
            free[best] &= out[i] != best
        elif ((away < ECHO_FIRINGS) | (own & shifts & (away < ECHO_FIRINGS * scene.cylinders))).any():
            out[i] = ECHO
    return out


def same_cylinder(scene: Scene, cylinder: object) -> NDArray[np.bool_]:
    """Say for each fault whether a suspect names its cylinder."""
    if not scene.cylinder_known:
        return np.ones(scene.n_faults, dtype=bool)
    named = np.nan if cylinder is None else float(cylinder)  # type: ignore[arg-type]
    return np.asarray((scene.faults["cylinder"] == named) | (scene.faults["cylinder_alt"] == named))


def average_precision(said: NDArray[np.int64], labels: NDArray[Any]) -> float | None:
    """Return the mean, over graded faults, of the precision at the rank where each was hit; not hit counts as 0.

    Echoes, rows apart and hits of faults below 4 sigma stand aside.
    """
    graded = np.isin(labels, GRADED)
    if not graded.any():
        return None
    counted = [v for v in said if v == FALSE or (v >= 0 and graded[v])]
    hits = np.cumsum([v >= 0 for v in counted])
    gained = sum(hits[i] / (i + 1) for i, v in enumerate(counted) if v >= 0)
    return float(gained / graded.sum())


def flag(columns: Columns, name: str) -> Floats:
    return np.asarray(columns[name], dtype=float)


def match_events(scene: Scene, found: Columns) -> dict[str, int]:
    """Count the events that were found, made up, and given the wrong cylinder; planted ones left out."""
    truth = scene.events
    use = (flag(truth, "ignore") == 0) & (flag(truth, "planted") == 0)
    if "command_sent" in truth:  # what left no mark on a recorded lead is no miss
        command = flag(truth, "command_sent") * flag(truth, "command_lead")
        use &= command + flag(truth, "feedback_sent") * flag(truth, "feedback_lead") > 0
    at, firing = np.asarray(truth["time_s"], dtype=float), np.asarray(truth["firing_interval_s"], dtype=float)
    order = np.argsort(found["time_s"].astype(float), kind="stable")
    time_s, cylinder = found["time_s"].astype(float)[order], found["cylinder"].astype(float)[order]
    if not len(time_s):
        return {"events": int(use.sum()), "found": 0, "made_up": 0, "wrong_cylinder": 0}
    place = np.clip(np.searchsorted(time_s, at), 1, max(len(time_s) - 1, 1))
    place = np.minimum(place, len(time_s) - 1)
    before = np.maximum(place - 1, 0)
    place = np.where(np.abs(time_s[before] - at) < np.abs(time_s[place] - at), before, place)
    hit = np.abs(time_s[place] - at) < 0.3 * firing
    near = np.zeros(len(time_s), dtype=bool)
    near[place[hit]] = True
    judged = ~in_holes(time_s, scene) & (time_s > ENDS_S) & (time_s < scene.seconds - ENDS_S)
    right = (cylinder[place] == truth["cylinder"]) | (cylinder[place] == truth["cylinder_alt"])
    wrong = int((hit & use & ~right).sum()) if scene.cylinder_known else 0
    return {
        "events": int(use.sum()), "found": int((hit & use).sum()), "made_up": int((judged & ~near).sum()),
        "wrong_cylinder": wrong,
    }  # fmt: skip


def score(folder: Path, findings: Path) -> dict[str, Any]:
    """Compare a findings folder with the truth.

    Returns
    -------
    dict
        ``hours``, ``healthy``, ``counts`` (false alarms at `RATES`), ``apart`` (rows in stretches without signal at one
        an hour), ``planted`` (kind, label, sigma, in the top K, rate, kind said), ``average_precision``, and what
        `match_events` counts. K is the number of planted faults.
    """
    scene = read_scene(folder)
    suspects = columns_of(findings / "suspects.parquet")
    order = np.argsort(suspects["rank"], kind="stable")
    suspects = {k: v[order] for k, v in suspects.items()}
    said = verdicts(scene, suspects)
    rate = suspects["false_alarms_per_hour"].astype(float)
    top = np.cumsum(said != APART) <= scene.n_faults
    place = {int(v): i for i, v in enumerate(said) if v >= 0}
    planted = []
    for k in range(scene.n_faults):
        i = place.get(k)
        planted.append({
            "kind": str(scene.faults["kind"][k]), "label": str(scene.faults["label"][k]),
            "sigma": round(float(scene.faults["size_sigma"][k]), 1), "top": bool(i is not None and top[i]),
            "rate": None if i is None else float(f"{rate[i]:.3g}"),
            "said": None if i is None else str(suspects["kind"][i]),
        })  # fmt: skip
    false = [
        {"time_s": round(float(suspects["time_s"][i]), 3), "kind": str(suspects["kind"][i]),
         "rate": float(f"{rate[i]:.3g}"), "reason": str(suspects["reason"][i])[:160]}
        for i in np.flatnonzero((said == FALSE) & (rate <= 1.0))[:6]
    ]  # fmt: skip
    return {
        "hours": round(scene.hours, 5), "healthy": scene.n_faults == 0,
        "counts": [int(((said == FALSE) & (rate <= r)).sum()) for r in RATES],
        "apart": int(((said == APART) & (rate <= 1.0)).sum()), "planted": planted, "false": false,
        "average_precision": average_precision(said, scene.faults["label"]),
        **match_events(scene, columns_of(findings / "events.parquet")),
    }  # fmt: skip
