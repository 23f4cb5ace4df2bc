"""Two rows of pulses that once went wrong: a free-revving engine on one lead, a long first charge before repeats."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from miner.engine.cycles import track_cycles
from miner.engine.setup import Setup, parse_setup
from miner.events.table import build_events
from miner.schema import GAPS, PULSES


def _setup(*channels: dict[str, object]) -> Setup:
    return parse_setup({"engine": {"cylinders": 4, "firing_order": [1, 3, 4, 2]}, "channel": list(channels)})


COMMAND = {"column": "a", "role": "command", "cylinder": 1}
FEEDBACK = {"column": "b", "role": "feedback"}


def _events(setup: Setup, pulses: list[tuple[int, float, float]]) -> pa.Table:
    """Events of pulses given as (lead, start in s, duration in s)."""
    pulses = sorted(pulses, key=lambda p: (p[1], p[0]))
    lead, start, duration = (np.array(c) for c in zip(*pulses, strict=True))
    columns = {
        "lead": lead,
        "start_sample": start * 1e5,
        "start_s": start,
        "stop_s": start + duration,
        "duration_us": duration * 1e6,
        "quality": [""] * len(lead),
    }
    columns["coil_currents_a"] = [[1.0]] * len(lead)
    columns["coil_charges"] = [[1.0] * 5] * len(lead)
    filled = {c.name: columns.get(c.name, np.full(len(lead), 1.0)) for c in PULSES.columns}
    table = PULSES.validate(pa.table(filled))
    tracking = track_cycles(table, GAPS.empty(), setup, end_s=float(start[-1]) + 1.0)
    return build_events(table, GAPS.empty(), tracking, setup, rate_hz=1e5)


def test_a_free_revving_engine_on_one_lead_repeats_no_spark():
    # 780 to 3,700 rpm in 0.4 s: the interval of one cycle shrinks to a quarter within seven events
    idle = np.arange(40) * 0.15 + 6.9
    rev = [12.909, 13.058, 13.193, 13.271, 13.328, 13.375, 13.417, 13.454, 13.488, 13.520, 13.552, 13.587, 13.624]
    times = [*(idle[idle < 12.85]), *rev]
    events = _events(_setup(COMMAND), [(0, float(t), 0.0026) for t in times])
    assert events["time_s"].to_numpy().tolist() == times
    assert sum(events["extra_pulses"].to_pylist()) == 0
    assert set(events["cylinder"].to_pylist()) == {1}


def test_a_long_first_charge_before_repeated_sparks_is_the_event():
    # idle at 800 rpm: 2.65 ms charge, then two of 0.8 ms after pauses of 0.4 ms, on command and shared feedback
    slots = 1.0 + np.arange(400) * 0.0375
    pulses = []
    for k, t in enumerate(slots.tolist()):
        if k % 4 == 0:
            pulses += [(0, t, 0.00265), (0, t + 0.00305, 0.0008), (0, t + 0.00425, 0.0008)]
        pulses += [(1, t + 0.0006, 0.0021), (1, t + 0.00345, 0.00042), (1, t + 0.00465, 0.00042)]
    events = _events(_setup(COMMAND, FEEDBACK), pulses)
    due = np.where(np.arange(400) % 4 == 0, slots, slots + 0.0006)
    assert np.allclose(events["time_s"].to_numpy(), due, atol=1e-9)
    assert set(events["extra_pulses"].to_pylist()) == {2}
    assert events["cylinder"].to_pylist()[:4] == [1, 3, 4, 2]
