"""What moves the place of an event in the cycle without being a fault, and what must stay in sight beside it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pytest
from miner.suspicion.baseline import Distance
from miner.suspicion.rhythm import explain_rhythm
from miner.suspicion.shared import Steps

from miner.expected.measures import MEASURES

N, CYLINDERS, RPM, NOISE_DEG = 2400, 4, 3000.0, 0.1
MEASURE = {m.column: m for m in MEASURES}
CONTEXT = SimpleNamespace(
    group=np.arange(N) % CYLINDERS, n_groups=CYLINDERS, time_s=np.arange(N) * 0.01, rpm=np.full(N, RPM)
)


def _distance(
    column: str, usual: np.ndarray, residual: np.ndarray, sigma: float, steps: Steps | None = None
) -> Distance:
    single = {"usual": usual, "residual": residual, "sigma": np.full(N, sigma), "z": residual / sigma}
    return Distance(
        measure=MEASURE[column], lift=0.0, steps=steps, **{k: v.astype(np.float32) for k, v in single.items()}
    )


def _place(displaced: np.ndarray) -> Distance:
    noise = np.random.default_rng(3).normal(0, NOISE_DEG, N)
    return _distance("timing_residual_deg", np.zeros(N), noise + displaced, NOISE_DEG)


def _explained(*distances: Distance) -> dict[str, np.ndarray]:
    seen = pa.array(np.ones(N, dtype=bool))
    events = pa.table({"command_seen": seen, "feedback_seen": seen})
    return {d.measure.column: np.abs(d.z) for d in explain_rhythm(list(distances), events, CONTEXT)}


def _of_cylinder(first: int, turns: int, degrees: float) -> np.ndarray:
    displaced = np.zeros(N)
    displaced[first : first + turns * CYLINDERS : CYLINDERS] = degrees
    return displaced


def test_one_cylinder_retarded_for_tens_of_turns_is_usual() -> None:
    late = _of_cylinder(800, 40, 3.0)
    assert _explained(_place(late))["timing_residual_deg"].max() < 6


@pytest.mark.parametrize("turns", [1, 2, 4])
def test_a_burst_of_displaced_events_stays_in_sight(turns: int) -> None:
    late = _of_cylinder(800, turns, 3.0)
    assert _explained(_place(late))["timing_residual_deg"][late > 0].min() > 10


def _charges(longer_us: np.ndarray) -> Distance:
    noise = np.random.default_rng(4).normal(0, 3.0, N)
    residual = np.log((2000.0 + longer_us + noise) / 2000.0)
    return _distance("on_time_us", np.full(N, np.log(2000.0)), residual, 0.02)


def test_a_longer_charge_that_begins_earlier_is_not_out_of_place() -> None:
    longer_us = np.where(np.random.default_rng(5).random(N) < 0.03, 110.0, 0.0)
    early = _place(-6e-6 * RPM * longer_us)
    assert _explained(early)["timing_residual_deg"].max() > 15
    assert _explained(early, _charges(longer_us))["timing_residual_deg"].max() < 6


def test_an_event_out_of_place_with_its_usual_charge_stays_in_sight() -> None:
    late = _of_cylinder(800, 1, 3.0)
    assert _explained(_place(late), _charges(np.zeros(N)))["timing_residual_deg"][800] > 15


def test_an_answer_takes_the_step_that_its_charge_takes() -> None:
    stepped = _of_cylinder(800, 1, 1.0)
    nothing, up = np.zeros(N, np.float32), np.full(N, np.log(2100 / 2000), np.float32)
    steps = Steps(low=nothing, high=up)
    width = _distance("feedback_width_us", np.full(N, np.log(1500.0)), stepped * np.log(1600 / 1500), 0.002)
    on_time = _distance("on_time_us", np.full(N, np.log(2100.0)), np.zeros(N), 0.002, steps)
    assert _explained(width)["feedback_width_us"][800] > 20
    assert _explained(width, on_time)["feedback_width_us"][800] < 3
