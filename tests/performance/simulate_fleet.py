"""Simulate a day of a fleet where measuring ends: uploads come in, workers mine them, one scheduler hands tasks out.

usage: python -m tests.performance.simulate_fleet --core-s-per-hour 120 [--vehicles 10000] [--hours 2] ...

An event simulation with three queues in a row: the storage that delivers the samples (bytes per second, shared), the
scheduler (one task at a time, a fixed time each), the workers (cores). Recordings arrive over the day as the vehicles
come home: a morning and an evening hump. Each is cut into sections of five minutes, then joined and ranked by one
finishing task. Prints, for several numbers of cores, how long a recording waits for its list and how busy each queue
is.
"""

from __future__ import annotations

import argparse
import heapq
import sys
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

DAY_S = 86_400.0
SECTION_H = 5.0 / 60.0


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """What a day brings and what one recorded hour costs (measured with ``bench_scaling.py``).

    Attributes
    ----------
    section_share : float
        Part of the core-seconds that sections take; the rest is the finishing task, which cannot be split.
    scheduler_s : float
        The scheduler's own time for one task, journal entry included.
    storage_bytes_per_s : float
        What the shared storage delivers to all workers together.
    """

    vehicles: int
    hours: float
    core_s_per_hour: float
    bytes_per_hour: float
    section_share: float
    scheduler_s: float
    storage_bytes_per_s: float
    seed: int = 1


class Load(NamedTuple):
    """How a day went with so many cores."""

    cores: int
    workers_busy: float
    scheduler_busy: float
    storage_busy: float
    wait_median_h: float
    wait_p99_h: float
    done_h: float


def arrivals_s(fleet: Fleet) -> np.ndarray:
    """Return when each recording is complete: 30 % around 9 o'clock, 70 % around 18 o'clock, in seconds of the day."""
    rng = np.random.default_rng(fleet.seed)
    morning = rng.random(fleet.vehicles) < 0.3
    at_h = np.where(morning, rng.normal(9.0, 1.0, fleet.vehicles), rng.normal(18.0, 1.5, fleet.vehicles))
    return np.sort(np.clip(at_h, 0.0, 24.0) * 3600.0)


def simulate(fleet: Fleet, cores: int) -> Load:
    """Play one day; first come, first served in every queue."""
    n_sections = max(1, round(fleet.hours / SECTION_H))
    section_s = fleet.core_s_per_hour * fleet.hours * fleet.section_share / n_sections
    finish_s = fleet.core_s_per_hour * fleet.hours * (1.0 - fleet.section_share)
    fetch_s = fleet.bytes_per_hour * fleet.hours / n_sections / fleet.storage_bytes_per_s
    free = [0.0] * cores
    arrived = arrivals_s(fleet)
    # (ready, recording, is the finishing task); sections of one recording are ready together
    ready = [(float(at), i, False) for i, at in enumerate(arrived) for _ in range(n_sections)]
    heapq.heapify(ready)
    left = np.full(fleet.vehicles, n_sections)
    last = np.zeros(fleet.vehicles)
    ended = np.zeros(fleet.vehicles)
    scheduler_at = storage_at = 0.0
    while ready:
        at, recording, finishing = heapq.heappop(ready)
        core_at = heapq.heappop(free)
        scheduler_at = max(at, core_at, scheduler_at) + fleet.scheduler_s
        begun = scheduler_at
        if not finishing:
            storage_at = max(begun, storage_at) + fetch_s
            begun = storage_at
        end = begun + (finish_s if finishing else section_s)
        heapq.heappush(free, end)
        if finishing:
            ended[recording] = end
            continue
        left[recording] -= 1
        last[recording] = max(last[recording], end)
        if not left[recording]:
            heapq.heappush(ready, (float(last[recording]), recording, True))
    return _load(fleet, cores, n_sections, fetch_s, arrived, ended)


def _load(fleet: Fleet, cores: int, n_sections: int, fetch_s: float, arrived: np.ndarray, ended: np.ndarray) -> Load:
    span_s = float(ended.max() - arrived.min())
    n_tasks = fleet.vehicles * (n_sections + 1)
    waits_h = (ended - arrived) / 3600.0
    return Load(
        cores=cores,
        workers_busy=fleet.vehicles * fleet.hours * fleet.core_s_per_hour / (cores * span_s),
        scheduler_busy=n_tasks * fleet.scheduler_s / span_s,
        storage_busy=fleet.vehicles * n_sections * fetch_s / span_s,
        wait_median_h=float(np.median(waits_h)),
        wait_p99_h=float(np.quantile(waits_h, 0.99)),
        done_h=float(ended.max()) / 3600.0,
    )


def main() -> None:
    """Print one row for each number of cores."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--core-s-per-hour", type=float, required=True)
    parser.add_argument("--mb-per-hour", type=float, required=True)
    parser.add_argument("--section-share", type=float, required=True)
    parser.add_argument("--scheduler-ms", type=float, required=True)
    parser.add_argument("--vehicles", type=int, default=10_000)
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--storage-mb-per-s", type=float, default=2_000.0)
    parser.add_argument("--cores", default="")
    asked = parser.parse_args()
    fleet = Fleet(
        vehicles=asked.vehicles,
        hours=asked.hours,
        core_s_per_hour=asked.core_s_per_hour,
        bytes_per_hour=asked.mb_per_hour * 1e6,
        section_share=asked.section_share,
        scheduler_s=asked.scheduler_ms / 1e3,
        storage_bytes_per_s=asked.storage_mb_per_s * 1e6,
    )
    least = max(1, round(fleet.vehicles * fleet.hours * fleet.core_s_per_hour / DAY_S))
    cores = [int(n) for n in asked.cores.split(",") if n] or [least, 2 * least, 4 * least, 8 * least]
    say = sys.stdout.write
    say("| cores | workers busy | scheduler busy | storage busy | list after h, median | 99 % | last at h |\n")
    say("| --- | --- | --- | --- | --- | --- | --- |\n")
    for load in (simulate(fleet, n) for n in cores):
        say(
            f"| {load.cores} | {load.workers_busy:.0%} | {load.scheduler_busy:.0%} | {load.storage_busy:.0%} | "
            f"{load.wait_median_h:.2f} | {load.wait_p99_h:.2f} | {load.done_h:.1f} |\n"
        )


if __name__ == "__main__":
    main()
