"""Makes recordings: ``python -m tests.physical.fleet make 7 FOLDER`` writes number 7, ``draw 7`` says what it is."""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq

from tests.physical import stepping
from tests.physical.columns import A_COUNT, C_COUNT, E_COUNT, GRID, K_COUNT, P_COUNT, S_COUNT, SLOW, Course, Ints, State
from tests.physical.draw import draw
from tests.physical.faults import plan_of
from tests.physical.grading import CALIBRATION_S, grade, healthy_units
from tests.physical.layouts import LAYOUTS
from tests.physical.leads import LeadMaker, Marks, marks_of
from tests.physical.machine import build_machine
from tests.physical.options import Options
from tests.physical.road import plan_road
from tests.physical.sizes import faults_table
from tests.physical.store import scene_text, setup_text, write_samples
from tests.physical.truth import Truth, events_table, measure_truth

OVERLAPS_ALLOWED = 0.0005
"""Share of answers that may run into each other on the shared line before a shorter on-time is chosen."""


def fresh_state(n_slots: int, n_coils: int, period_teeth: int, counts: Ints, rng: np.random.Generator) -> State:
    """Return the state before the first step."""
    return State(
        s=np.zeros(S_COUNT), slots=np.zeros((n_slots, 5)), states=np.zeros(n_slots, np.int64),
        groups=np.zeros(n_slots, np.int64), knock=np.zeros(n_slots), phase=np.zeros(n_slots), burning=np.zeros(n_slots),
        coils=np.zeros((n_coils, C_COUNT)), flags=np.zeros((n_coils, K_COUNT), np.int64), left=counts.copy(),
        teeth=np.zeros(period_teeth + 1), pitches=np.zeros(period_teeth + 1, np.int64), rng=rng,
    )  # fmt: skip


def step_through(options: Options) -> Course:
    """Let the engine run: what happened, without a sample drawn."""
    rng = np.random.default_rng(options.seed)
    machine, tables = build_machine(options, rng)
    road = plan_road(options, rng)
    order = np.array(LAYOUTS[options.layout].order)
    turns = options.seconds * options.limit_rpm * 1.1 / 60.0
    most = int(turns * len(order) * 360.0 / machine.cycle_deg) + 100
    course = Course(
        events=np.zeros((most, E_COUNT)), pulses=np.zeros((3 * most, P_COUNT)), answers=np.zeros((3 * most, A_COUNT)),
        volts=np.zeros(machine.n_steps // GRID + 2, np.float32), slow=np.zeros((machine.n_steps // SLOW + 2, 3)),
        counts=np.zeros(3, np.int64),
    )  # fmt: skip
    plan = plan_of(options.faults)
    state = fresh_state(len(order), machine.n_coils, options.period_teeth, plan.n_events, rng)
    stepping.run(machine, tables, road, plan, order, state, course)
    n_events, n_pulses, n_answers = course.counts
    course.volts[-2:] = course.volts[-3]
    course.slow[-2:] = course.slow[-3]
    return course._replace(
        events=course.events[:n_events].copy(),
        pulses=course.pulses[:n_pulses].copy(),
        answers=course.answers[:n_answers].copy(),
    )


def plausible_course(options: Options) -> tuple[Options, Course, Marks, Truth]:
    """Run the engine; where answers of healthy coils run into each other, once more with a shorter on-time."""
    for _ in range(4):
        course = step_through(options)
        marks = marks_of(options, course.events, np.random.default_rng([options.seed, 1]))
        truth = measure_truth(options, course, marks)
        if truth.n_overlapping <= OVERLAPS_ALLOWED * len(course.events) or len(LAYOUTS[options.layout].order) == 1:
            break
        options = replace(options, dwell_share=0.82 * options.dwell_share, repeats=0 if options.repeats < 3 else 1)
    return options, course, marks, truth


def graded(options: Options) -> Options:
    """Grade the faults by the spreads of a short healthy run of the same engine."""
    quiet = options.quiet_s + 10.0 if options.begins == "cold" else 0.0
    short = replace(options, faults=(), seconds=min(options.seconds, quiet + CALIBRATION_S))
    return grade(options, healthy_units(*plausible_course(short)))


def make(number: int, folder: str | Path, **change: Any) -> Options:
    """Write one recording.

    Parameters
    ----------
    number : int
        Draws all options.
    folder : path
        Gets ``recording.parquet``, ``setup.toml``, ``truth.parquet`` (planted faults), ``truth_events.parquet`` and
        ``scenario.json``.
    **change
        Options to set otherwise.

    Returns
    -------
    Options
        As used.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    options = replace(draw(number), **change)
    if options.faults:
        options = graded(options)
    options, course, marks, truth = plausible_course(options)
    faults = faults_table(options, course, marks, truth)
    pq.write_table(faults, folder / "truth.parquet")
    pq.write_table(events_table(truth), folder / "truth_events.parquet")
    (folder / "setup.toml").write_text(setup_text(options), encoding="utf-8")
    (folder / "scenario.json").write_text(scene_text(options, number, faults.num_rows, truth.ignore), encoding="utf-8")
    makers = [
        LeadMaker(options, lead, course, marks, np.random.default_rng([options.seed, 2, k]))
        for k, lead in enumerate(options.leads)
    ]
    write_samples(options, makers, folder / "recording.parquet")
    return options


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("draw", "make"))
    parser.add_argument("number", type=int)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--seconds", type=float)
    asked = parser.parse_args()
    if asked.what == "draw":
        sys.stdout.write("\n".join(f"{k} = {v}" for k, v in asdict(draw(asked.number)).items()) + "\n")
        return
    begun = time.perf_counter()
    options = make(asked.number, asked.folder, **({"seconds": asked.seconds} if asked.seconds else {}))
    sys.stdout.write(f"{options.layout}, {options.seconds:.0f} s in {time.perf_counter() - begun:.1f} s\n")


if __name__ == "__main__":
    main()
