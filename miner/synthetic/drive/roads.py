"""Roads: vehicle speed over time and when the engine is off, cranked, stalled or revved at standstill."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from miner.synthetic.scenario import Drive

__all__ = ["EngineStop", "Journey", "make_journey"]


@dataclass(frozen=True, kw_only=True)
class EngineStop:
    """Engine off from ``off_s``, cranked from ``crank_s``, running from ``run_s``."""

    off_s: float
    crank_s: float
    run_s: float
    stalls: bool = False


@dataclass(frozen=True, kw_only=True)
class Journey:
    """Breakpoints of vehicle speed and of revving at standstill, and the engine's stops."""

    time_s: NDArray[np.float64]
    speed_kmh: NDArray[np.float64]
    revs_s: NDArray[np.float64]
    revs_rpm: NDArray[np.float64]
    stops: tuple[EngineStop, ...]


@dataclass(kw_only=True)
class _Route:
    """A journey being made: the pen that draws breakpoints."""

    drive: Drive
    rng: np.random.Generator
    points: list[tuple[float, float]] = field(default_factory=lambda: [(0.0, 0.0)])
    revs: list[tuple[float, float]] = field(default_factory=lambda: [(0.0, 0.0)])
    stops: list[EngineStop] = field(default_factory=list)

    @property
    def now_s(self) -> float:
        return self.points[-1][0]

    @property
    def speed_kmh(self) -> float:
        return self.points[-1][1]

    def hold(self, seconds: float) -> None:
        self.points.append((self.now_s + seconds, self.speed_kmh))

    def reach(self, speed_kmh: float, accel_m_s2: float) -> None:
        seconds = max(abs(speed_kmh - self.speed_kmh) / 3.6 / accel_m_s2, 0.2)
        self.points.append((self.now_s + seconds, speed_kmh))

    def stand(self, seconds: float, *, off_chance: float) -> None:
        """Stand still; with some chance the engine stops after two seconds and restarts before moving off."""
        if seconds > 5.0 and self.rng.random() < off_chance:
            crank_s = self.rng.uniform(0.35, 0.7)
            run_s = self.now_s + seconds - 1.0
            self.stops.append(EngineStop(off_s=self.now_s + 2.0, crank_s=run_s - crank_s, run_s=run_s))
        self.hold(seconds)


def make_journey(drive: Drive, duration_s: float, rng: np.random.Generator) -> Journey:
    """Draw a journey over the drive's roads, each for about ``road_s``, until the recording ends."""
    route = _Route(drive=drive, rng=rng)
    if drive.starts_cold:
        crank_s = rng.uniform(0.7, 1.4)
        key_s = min(1.5, 0.1 * duration_s)
        route.stops.append(EngineStop(off_s=0.0, crank_s=key_s, run_s=key_s + crank_s))
        route.hold(key_s + crank_s + min(rng.uniform(3.0, 12.0), 0.2 * duration_s))
    else:
        route.points[0] = (0.0, rng.uniform(0.0, 60.0))  # the recording begins under way
    turn = 0
    while route.now_s < duration_s:
        until = route.now_s + drive.road_s
        road = drive.roads[turn % len(drive.roads)]
        while route.now_s < min(until, duration_s):
            _ROADS[road](route)
        turn += 1
    points, revs = np.array(route.points), np.array(route.revs)
    return Journey(
        time_s=points[:, 0], speed_kmh=points[:, 1], revs_s=revs[:, 0], revs_rpm=revs[:, 1], stops=tuple(route.stops)
    )


def _idle(route: _Route) -> None:
    route.reach(0.0, 1.5)
    route.hold(route.rng.uniform(15.0, 40.0))


def _revs(route: _Route) -> None:
    """Blip the throttle at standstill: sharp rise, short hold, free fall."""
    rng = route.rng
    route.reach(0.0, 1.5)
    route.hold(rng.uniform(3.0, 8.0))
    top = rng.uniform(0.3, 0.85) * route.drive.max_rpm
    start, rise, hold, fall = route.now_s, rng.uniform(0.4, 1.2), rng.uniform(0.1, 2.0), rng.uniform(1.0, 2.0)
    for after, rpm in ((0.0, 0.0), (rise, top), (rise + hold, top), (rise + hold + fall, 0.0)):
        route.revs.append((start + after, rpm))
    route.hold(rise + hold + fall + 1.0)


def _stall(route: _Route) -> None:
    """Stall at standstill, wait, crank again."""
    rng = route.rng
    route.reach(0.0, 1.5)
    route.hold(rng.uniform(4.0, 8.0))
    off_s = route.now_s
    crank_s = off_s + rng.uniform(1.5, 4.0)
    run_s = crank_s + rng.uniform(0.4, 1.0)
    route.stops.append(EngineStop(off_s=off_s, crank_s=crank_s, run_s=run_s, stalls=True))
    route.hold(run_s - off_s + rng.uniform(3.0, 6.0))
    _town(route)


def _town(route: _Route) -> None:
    rng = route.rng
    route.reach(rng.uniform(22.0, 58.0), rng.uniform(0.8, 2.2))
    for _ in range(int(rng.integers(1, 4))):
        route.hold(rng.uniform(3.0, 20.0))
        route.reach(rng.uniform(18.0, 60.0), rng.uniform(0.4, 1.8))
    route.reach(0.0, rng.uniform(0.9, 2.8))
    route.stand(rng.uniform(2.0, 35.0), off_chance=0.6 if route.drive.idle_stop else 0.0)


def _delivery(route: _Route) -> None:
    """Short hops between doors, with the engine off at some of them."""
    rng = route.rng
    for _ in range(int(rng.integers(1, 3))):
        route.reach(rng.uniform(15.0, 48.0), rng.uniform(0.9, 2.2))
        route.hold(rng.uniform(2.0, 14.0))
    route.reach(0.0, rng.uniform(1.0, 2.6))
    route.stand(rng.uniform(12.0, 55.0), off_chance=0.5 if route.drive.idle_stop else 0.15)


def _country(route: _Route) -> None:
    rng = route.rng
    route.reach(rng.uniform(55.0, 95.0), rng.uniform(0.5, 1.6))
    route.hold(rng.uniform(8.0, 60.0))
    if rng.random() < 0.4:
        route.reach(rng.uniform(28.0, 50.0), rng.uniform(0.8, 2.0))
        route.hold(rng.uniform(3.0, 10.0))


def _motorway(route: _Route) -> None:
    rng = route.rng
    route.reach(rng.uniform(95.0, 130.0), rng.uniform(0.3, 1.2))
    route.hold(rng.uniform(20.0, 120.0))
    if rng.random() < 0.3:
        route.reach(rng.uniform(75.0, 100.0), rng.uniform(0.5, 1.5))


_ROADS: dict[str, Callable[[_Route], None]] = {
    "idle": _idle, "town": _town, "delivery": _delivery, "country": _country, "motorway": _motorway,
    "revs": _revs, "stall": _stall,
}  # fmt: skip
