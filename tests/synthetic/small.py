"""Small scenarios that several tests draw from."""

from __future__ import annotations

from typing import Any

from miner.synthetic.scenario import Scenario

FOUR = {"cylinders": 4, "firing_order": [1, 3, 4, 2]}
COMMAND = {"column": "lead_1", "role": "command", "cylinder": 1}
FEEDBACK = {"column": "lead_2", "role": "feedback", "off_v": 5.0, "on_v": 0.3}
SUPPLY = {"column": "lead_3", "role": "supply", "off_v": 0.0, "on_v": 14.0}


def scenario(**changes: Any) -> Scenario:
    """Return twenty seconds of a four-cylinder engine in town with three leads, changed as wanted."""
    base: dict[str, Any] = {
        "engine": FOUR,
        "duration_s": 20.0,
        "rate_hz": 100_000.0,
        "leads": [COMMAND, FEEDBACK, SUPPLY],
        "drive": {"roads": ["town", "revs"], "road_s": 10.0},
    }
    return Scenario.model_validate({**base, **changes})


def steady(**changes: Any) -> Scenario:
    """Return a scenario with an engine that idles without any restlessness."""
    calm = {"roads": ["idle"], "starts_cold": False, "speed_noise": 0.0, "hunting_rpm": 0.0, "timing_jitter_deg": 0.0,
            "cylinder_spread_deg": 0.0}  # fmt: skip
    return scenario(drive={**calm, **changes.pop("drive", {})}, **changes)
