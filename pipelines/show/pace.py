"""How long a run will still take: the reading as it goes, the stages after it from what they are known to cost."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["STAGES", "Pace"]

STAGES = {
    "checking": (0.15, 33e-6, 3e-6),
    "telling": (0.02, 10e-6, 10.5e-6),
    "ranking": (0.9, 35e-6, 11e-6),
    "explaining": (0.25, 13e-6, 3e-6),
    "writing tables": (0.1, 21e-6, 4.5e-6),
    "writing the report": (0.06, 4.5e-6, 3e-6),
}
"""What each stage after the reading costs on a core of its own: seconds, seconds an event up to `MANY`, and seconds an
event beyond (measured on recordings of 16 s, a quarter of an hour and an hour). Its name begins so."""

MANY = 48_000
"""Events of a quarter of an hour: of more than these, most stages look at a part only."""

USED = 1.2
"""Cores that the stages keep busy where they have them (measured on the same); with a smaller share of the machine, as
the reading has shown it, everything takes as many times longer."""

SLOWEST = 12.0
"""A machine slower than that beside its other work is not believed to stay so."""


@dataclass(kw_only=True)
class Pace:
    """Keeps what is known of the pace of one run and says what is left of it.

    All times are in seconds on a clock that only grows.

    Attributes
    ----------
    began_s : float
        When the run began.
    read_share : float
        Of the samples.
    n_events : int
        Pulses found so far, which tell how many events are to come.
    """

    began_s: float
    read_share: float = 0.0
    n_events: int = 0
    _first: tuple[float, float] | None = field(default=None)  # when, and share, of the first news of the reading
    _stage: str = ""
    _stage_began_s: float = 0.0
    _done: set[str] = field(default_factory=set)
    _slow: float = 1.0
    _spent: tuple[float, float] = (0.0, 0.0)  # in finished stages: really, and as they are known

    def read(self, now_s: float, share: float, n_events: int, *, cpu_share: float = USED) -> None:
        """Take in how far the reading is; ``cpu_share`` is how many cores this run had on the average so far."""
        self._first = self._first or (now_s, share)
        self.read_share = share
        self.n_events = max(self.n_events, round(n_events / share)) if share > 0 else n_events
        self._slow = min(max(USED / max(cpu_share, 1e-3), 1.0), SLOWEST)

    def stage(self, now_s: float, name: str) -> None:
        """Take in that a stage begins and the one before it is over."""
        self.read_share = 1.0
        known = next((one for one in STAGES if name.startswith(one)), "")
        if not known:
            return
        if self._stage and known != self._stage:
            spent, cost = self._spent
            self._spent = spent + now_s - self._stage_began_s, cost + self._cost(self._stage)
            self._done.add(self._stage)
            self._slow = min(max(self._spent[0] / self._spent[1], 0.1), SLOWEST)
        if known != self._stage:
            self._stage, self._stage_began_s = known, now_s

    def left_s(self, now_s: float) -> float | None:
        """Return how long it will still take, None while nothing is known."""
        if self._stage:
            ahead = [name for name in STAGES if name not in self._done and name != self._stage]
            own = self._slow * self._cost(self._stage)
            spent = now_s - self._stage_began_s
            return max(own - spent, 0.1 * spent) + self._slow * sum(map(self._cost, ahead))
        if self._first is None or self.read_share <= self._first[1]:
            return None
        reading = (now_s - self._first[0]) * (1.0 - self.read_share) / (self.read_share - self._first[1])
        return reading + self._slow * sum(map(self._cost, STAGES))

    def _cost(self, stage: str) -> float:
        fixed, each, further = STAGES[stage]
        return fixed + each * min(self.n_events, MANY) + further * max(self.n_events - MANY, 0)
