"""Ready scenarios: the demo hour, a healthy hour with every nuisance, and one drawn at random."""

from __future__ import annotations

from miner.synthetic.scenario import Scenario

__all__ = ["demo_hour"]

SIX = {"cylinders": 6, "firing_order": [1, 2, 3, 4, 5, 6]}


def demo_hour(*, duration_s: float = 3600.0, seed: int = 20) -> Scenario:
    """Return the demo: a parcel van on its round, six cylinders, a lead on coil 6, the shared answer, the supply.

    At a shorter ``duration_s`` fewer faults are planted, never fewer than one of each kind.
    """
    share = duration_s / 3600.0
    command = {"column": "lead_1", "role": "command", "cylinder": 6, "noise_v": 0.02, "crosstalk_v": 1.5,
               "crosstalk_chance": 0.2, "scale": 0.01, "offset": 0.0}  # fmt: skip
    feedback = {"column": "lead_2", "role": "feedback", "off_v": 5.0, "on_v": 0.3, "noise_v": 0.02, "fall_us": 6.0,
                "edge": "rc", "crosstalk_v": 1.2, "crosstalk_chance": 0.15, "cylinder_spread": 0.01,
                "scale": 0.01}  # fmt: skip
    supply = {"column": "lead_3", "role": "supply", "off_v": 12.0, "on_v": 12.0, "noise_v": 0.03, "scale": 0.02}
    return Scenario.model_validate(
        {
            "name": "parcel van, delivery round",
            "engine": SIX,
            "rate_hz": 200_000.0,
            "duration_s": duration_s,
            "seed": seed,
            "drive": {"roads": ["delivery", "delivery", "town", "delivery", "country"], "road_s": 240.0},
            "leads": [command, feedback, supply],
            "faults": _demo_faults(duration_s, share),
            "storage": {"started_at": "2024-03-12T07:40:00+01:00"},
        }
    )


def _demo_faults(duration_s: float, share: float) -> list[dict[str, object]]:
    """Return the demo's story: cylinder 4's answer fails when warm, single odd events elsewhere."""
    warm = {"cylinders": [4], "from_s": 0.5 * duration_s}
    story: list[tuple[str, float, int, int, dict[str, object]]] = [
        ("absent_feedback", 0.0, 4, 3, {**warm, "rpm_low": 1200.0}),
        ("late_feedback", 0.5, 6, 1, warm),
        ("weak_feedback", 0.4, 3, 2, warm),
        ("absent_command", 0.0, 2, 1, {"cylinders": [6]}),
        ("short_on_time", 0.3, 3, 1, {"cylinders": [6]}),
        ("weak_command", 0.4, 2, 1, {"cylinders": [6]}),
        ("extra_pulse", 1.0, 2, 1, {"cylinders": [6]}),
        ("supply_sag", 2.5, 1, 5, {}),
    ]
    return [
        {"kind": kind, "size": size, "count": max(round(count * share), 1), "burst": burst, **where}
        for kind, size, count, burst, where in story
    ]
