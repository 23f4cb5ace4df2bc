"""What the driver wants: key, vehicle speed, revs at standstill and electrical loads over time."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tests.physical.options import Options

TASK_S = 0.01
"""Period of the driver's and the computer's slow tasks (common practice, no source)."""

KEY_OFF, KEY_ON, KEY_START = 0, 1, 2


class Road(NamedTuple):
    """The driver's wishes, one entry for each task period; steps of the electrical loads, each at its own time."""

    key: NDArray[np.int64]
    speed_mps: NDArray[np.float64]
    revs_rpm: NDArray[np.float64]
    pace: NDArray[np.float64]
    load_at_s: NDArray[np.float64]
    load_step_a: NDArray[np.float64]


class _Wishes:
    """Grows stretch by stretch."""

    def __init__(self, options: Options, rng: np.random.Generator) -> None:
        self.options = options
        self.rng = rng
        self.rows: list[NDArray[np.float64]] = []
        self.speed = 0.0

    def seconds(self) -> float:
        return sum(len(row) for row in self.rows) * TASK_S

    def put(
        self, seconds: float, *, key: int = KEY_ON, to: float | None = None, revs: float = 0.0, pace: float = 0.5
    ) -> None:
        n = max(1, round(seconds / TASK_S))
        speed = np.linspace(self.speed, self.speed if to is None else to, n)
        self.speed = float(speed[-1])
        self.rows.append(np.column_stack([np.full(n, float(key)), speed, np.full(n, revs), np.full(n, pace)]))

    def start(self) -> None:
        self.put(2.0, key=KEY_START)
        self.put(self.rng.uniform(2.0, 8.0))

    def stop(self) -> None:
        rng = self.rng
        self.put(rng.uniform(1.0, 4.0))
        self.put(float(np.exp(rng.uniform(np.log(2.5), np.log(30.0)))), key=KEY_OFF)
        self.start()

    def rev(self) -> None:
        rng, limit = self.rng, self.options.limit_rpm
        for _ in range(int(rng.integers(1, 4))):
            self.put(rng.uniform(0.5, 2.0), revs=rng.uniform(0.3, 1.04) * limit)
            self.put(rng.uniform(0.8, 2.5))

    def trip(self) -> None:
        rng = self.rng
        top = float(rng.choice([9.0, 14.0, 20.0, 30.0])) * rng.uniform(0.8, 1.2)
        pace = float(np.clip(self.options.pace + rng.normal(0.0, 0.2), 0.0, 1.0))
        self.put((top - self.speed) / (1.0 + 2.5 * pace), to=top, pace=pace)
        for _ in range(int(rng.integers(1, 5))):
            self.put(rng.uniform(4.0, 25.0), to=self.speed, pace=pace)
            new = float(np.clip(self.speed * rng.uniform(0.6, 1.35), 4.0, 36.0))
            self.put(abs(new - self.speed) / rng.uniform(0.5, 1.5) + 0.5, to=new, pace=pace)
        self.put(self.speed / rng.uniform(1.0, 2.5), to=0.0, pace=pace)
        self.put(rng.uniform(1.0, 15.0))


def plan_road(options: Options, rng: np.random.Generator) -> Road:
    """Draw a drive that lasts as long as the recording."""
    wishes = _Wishes(options, rng)
    if options.begins == "cold":
        wishes.put(options.quiet_s * 0.5, key=KEY_OFF)
        wishes.put(options.quiet_s * 0.5)
        wishes.start()
        wishes.put(rng.uniform(4.0, 30.0))
    while wishes.seconds() < options.seconds + 1.0:
        chance = rng.random()
        if options.stop_start and chance < 0.3:
            wishes.stop()
        elif chance < 0.4:
            wishes.put(rng.uniform(4.0, 40.0))
        elif chance < 0.5:
            wishes.rev()
        else:
            wishes.trip()
    rows = np.concatenate(wishes.rows)
    at_s, step_a = plan_loads(options, rng)
    return Road(
        key=rows[:, 0].astype(np.int64),
        speed_mps=rows[:, 1].copy(),
        revs_rpm=rows[:, 2].copy(),
        pace=rows[:, 3].copy(),
        load_at_s=at_s,
        load_step_a=step_a,
    )


def plan_loads(options: Options, rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Draw consumers that nobody records: fans with inrush, blinkers, heaters, relays that chatter."""
    at: list[float] = []
    step: list[float] = []

    def switch(time_s: float, amps: float) -> None:
        at.append(time_s)
        step.append(amps)

    for _ in range(int(rng.poisson(options.loads_per_min * options.seconds / 60.0))):
        begin = float(rng.uniform(0.0, options.seconds))
        amps = float(options.load_a * min(1.0, 0.1 + 0.6 * options.volume_l) * np.exp(rng.normal(0.0, 0.6)))
        what = rng.random()
        if what < 0.3:  # a motor: inrush of some times its current, gone within half a second
            long = float(rng.uniform(5.0, 60.0))
            decay = np.exp(-np.arange(8) / 3.0)
            for k in range(8):
                switch(begin + 0.06 * k, 2.0 * amps * (decay[k] - (decay[k - 1] if k else 0.0)))
            switch(begin, amps)
            switch(begin + long, -amps)
        elif what < 0.5:  # a blinker
            for k in range(int(rng.integers(3, 12))):
                switch(begin + 0.75 * k, 0.4 * amps)
                switch(begin + 0.75 * k + 0.38, -0.4 * amps)
        elif what < 0.65:  # a relay that chatters
            for k in range(int(rng.integers(2, 6))):
                switch(begin + 0.012 * k, amps)
                switch(begin + 0.012 * k + float(rng.uniform(0.002, 0.008)), -amps)
        else:
            switch(begin, amps)
            switch(begin + float(np.exp(rng.uniform(np.log(0.3), np.log(90.0)))), -amps)
    order = np.argsort(np.array(at), kind="stable")
    return np.append(np.array(at, dtype=float)[order], 1e12), np.append(np.array(step, dtype=float)[order], 0.0)
