"""Short recordings of a plain engine, for tests."""

from __future__ import annotations

from functools import cache

from tests.physical.columns import Course
from tests.physical.fleet import step_through
from tests.physical.options import Converter, Lead, Options

FINE = Converter(bits=16, span_v=20.0)
QUIET = {"noise_v": 0.002, "spike_v": 0.0, "drift_v": 0.0, "converter": FINE}
WIRE = Lead(name="wire_1", role="command", cylinder=1, **QUIET)  # type: ignore[arg-type]
ANSWER = Lead(name="answer", role="feedback", active="low", **QUIET)  # type: ignore[arg-type]
SUPPLY = Lead(name="supply", role="supply", **QUIET)  # type: ignore[arg-type]

PLAIN = Options(
    seed=5, seconds=15.0, leads=(WIRE, ANSWER, SUPPLY), loads_per_min=0.0, ripple_v=0.0, weak_burns_per_hour=0.0,
    knock_per_s=0.0, limiter="none", overrun="none", pace=0.3,
)  # fmt: skip


@cache
def course_of(options: Options) -> Course:
    """Run an engine once for all tests that look at it."""
    return step_through(options)
