"""Ready scenarios: the demo hour, a healthy hour with every nuisance, and one drawn at random."""

from __future__ import annotations

from typing import Any

import numpy as np

from miner.synthetic.scenario import Scenario

__all__ = ["LAYOUTS", "demo_hour", "healthy_hour", "varied"]

Spec = dict[str, Any]

LAYOUTS: tuple[Spec, ...] = (
    {"cylinders": 3, "firing_order": [1, 2, 3]},
    {"cylinders": 4, "firing_order": [1, 3, 4, 2]},
    {"cylinders": 4, "firing_order": [1, 3, 2, 4], "firing_angles_deg": [0, 270, 450, 540]},
    {"cylinders": 4, "firing_order": [1, 3, 4, 2], "layout": "paired"},
    {"cylinders": 5, "firing_order": [1, 2, 4, 5, 3]},
    {"cylinders": 6, "firing_order": [1, 5, 3, 6, 2, 4]},
    {"cylinders": 6, "firing_order": [1, 2, 3, 4, 5, 6]},
    {"cylinders": 6, "firing_order": [1, 6, 5, 4, 3, 2], "firing_angles_deg": [0, 90, 240, 330, 480, 570]},
    {"cylinders": 8, "firing_order": [1, 8, 4, 3, 6, 5, 7, 2]},
    {"cylinders": 10, "firing_order": [1, 6, 5, 10, 2, 7, 3, 8, 4, 9]},
    {"cylinders": 12, "firing_order": [1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10]},
    {"cylinders": 2, "firing_order": [1, 2], "firing_angles_deg": [0, 270]},
    {"cylinders": 1, "firing_order": [1], "strokes": 2},
    {"cylinders": 1, "firing_order": [1]},
)
"""Engines with common firing orders and angles; an uneven V6 fires 90 and 150 degrees apart in turn."""


def demo_hour(*, duration_s: float = 3600.0, seed: int = 20) -> Scenario:
    """Return the demo: a parcel van on its round, six cylinders, a lead on coil 6, the shared answer, the supply.

    At a shorter ``duration_s`` fewer faults are planted, never fewer than one of each kind.
    """
    command = {"column": "lead_1", "role": "command", "cylinder": 6, "crosstalk_v": 1.5, "crosstalk_chance": 0.2}
    feedback = {"column": "lead_2", "role": "feedback", "off_v": 5.0, "on_v": 0.3, "fall_us": 6.0, "edge": "rc",
                "crosstalk_v": 1.2, "crosstalk_chance": 0.15, "cylinder_spread": 0.01}  # fmt: skip
    supply = {"column": "lead_3", "role": "supply", "off_v": 12.0, "on_v": 12.0, "noise_v": 0.03, "scale": 0.02}
    return Scenario.model_validate(
        {
            "name": "parcel van, delivery round",
            "engine": {"cylinders": 6, "firing_order": [1, 2, 3, 4, 5, 6]},
            "rate_hz": 200_000.0,
            "duration_s": duration_s,
            "seed": seed,
            "drive": {"roads": ["delivery", "delivery", "town", "delivery", "country"], "road_s": 240.0},
            "leads": [{**command, "scale": 0.01}, {**feedback, "scale": 0.01}, supply],
            "faults": _demo_faults(duration_s),
            "storage": {"started_at": "2024-03-12T07:40:00+01:00"},
        }
    )


def _demo_faults(duration_s: float) -> list[Spec]:
    """Return the demo's story: cylinder 4's answer fails when warm, single odd events elsewhere."""
    warm = {"cylinders": [4], "from_s": 0.5 * duration_s}
    story: list[tuple[str, float, int, int, Spec]] = [
        ("absent_feedback", 0.0, 4, 3, {**warm, "rpm_low": 1200.0}),
        ("weak_feedback", 0.4, 3, 2, warm),
        ("odd_feedback_width", 0.3, 3, 1, warm),
        ("late_feedback", 0.5, 3, 1, {"cylinders": [6]}),
        ("absent_command", 0.0, 2, 1, {"cylinders": [6]}),
        ("short_on_time", 0.3, 3, 1, {"cylinders": [6]}),
        ("long_on_time", 0.3, 2, 1, {"cylinders": [6], "rpm_high": 2500.0}),
        ("weak_command", 0.4, 2, 1, {"cylinders": [6]}),
        ("distorted_command", 0.3, 2, 1, {"cylinders": [6]}),
        ("extra_pulse", 1.0, 2, 1, {"cylinders": [6]}),
        ("supply_sag", 2.5, 1, 5, {}),
    ]
    share = duration_s / 3600.0
    return [
        {"kind": kind, "size": size, "count": max(round(count * share), 1), "burst": burst, **where}
        for kind, size, count, burst, where in story
    ]


def healthy_hour(seed: int, *, duration_s: float = 3600.0, rate_hz: float = 200_000.0) -> Scenario:
    """Return a healthy drive with every nuisance that must not be listed.

    Stop-start, gear changes, revving, a stall, cranking and restarts, fuel cut (by seed kept or dropped), repeated
    sparks at idle, level drift, hum, noise, crosstalk, ringing, bounce, raised ground, supply steps and gaps.
    """
    rng = np.random.default_rng([seed, 21])
    shared = {"crosstalk_v": float(rng.uniform(0.5, 3.0)), "hum_v": 0.03, "drift_v": float(rng.uniform(0.05, 0.3)),
              "drift_period_s": float(rng.uniform(300.0, 2000.0)), "ground_v_per_a": 0.02}  # fmt: skip
    command = {"column": "lead_1", "role": "command", "cylinder": 1, "ring_share": 0.15, "bounce_chance": 0.05,
               "noise_v": float(rng.uniform(0.01, 0.05)), "off_shift_v_per_a": 0.01, **shared}  # fmt: skip
    feedback = {"column": "lead_2", "role": "feedback", "off_v": 5.0, "on_v": 0.4, "edge": "rc", "fall_us": 8.0,
                "noise_v": float(rng.uniform(0.01, 0.05)), "cylinder_spread": 0.02, **shared}  # fmt: skip
    supply = {"column": "lead_3", "role": "supply", "off_v": 12.0, "on_v": 12.0, "noise_v": 0.05, "scale": 0.02}
    gaps = [{"start_s": float(s), "duration_s": float(rng.uniform(0.01, 2.0)),
             **({} if rng.random() < 0.5 else {"columns": ["lead_2"]})}
            for s in rng.uniform(0.05, 0.95, 3) * duration_s]  # fmt: skip
    roads = ["town", "country", "revs", "motorway", "idle", "delivery", "stall", "town"]
    return Scenario.model_validate(
        {
            "name": f"healthy drive {seed}",
            "engine": {"cylinders": 4, "firing_order": [1, 3, 4, 2]},
            "rate_hz": rate_hz,
            "duration_s": duration_s,
            "seed": seed,
            "drive": {"roads": roads, "road_s": min(240.0, duration_s / 8.0),
                      "fuel_cut": str(rng.choice(["kept", "dropped"]))},
            "dwell": {"repeat_below_rpm": 1000.0, "n_repeats": int(rng.integers(1, 4))},
            "supply": {"load_step_v": 0.6},
            "leads": [command, feedback, supply],
            "gaps": gaps,
        }
    )  # fmt: skip


def varied(seed: int, *, duration_s: float = 120.0, rate_hz: float | None = None, faulty: bool = True) -> Scenario:
    """Return a scenario drawn at random, harsh on purpose.

    Engine, leads, levels, polarity, edges, noise, rate, storage, drive, coil, feedback's logic, nuisances and, with
    ``faulty``, faults of every kind all come from ``seed``.
    """
    rng = np.random.default_rng([seed, 22])
    engine = LAYOUTS[int(rng.integers(len(LAYOUTS)))]
    rate = rate_hz or float(rng.choice([50e3, 100e3, 200e3, 250e3, 500e3, 1e6]))
    feedback = _varied_feedback(rng)
    overlapping = feedback["asserts"] == "current" and feedback["width"] == "fixed"
    leads = _varied_leads(engine, rng)
    return Scenario.model_validate(
        {
            "name": f"varied {seed}",
            "engine": engine,
            "rate_hz": rate,
            "duration_s": duration_s,
            "seed": seed,
            "drive": _varied_drive(duration_s, rng),
            "coil": {"resistance_ohm": float(rng.uniform(0.4, 0.8)), "inductance_mh": float(rng.uniform(2.5, 5.0)),
                     "tolerance": float(rng.uniform(0.01, 0.06))},
            "dwell": {"target_a": float(rng.uniform(5.5, 9.0)), "step_us": float(rng.choice([1.0, 4.0, 16.0])),
                      "voltage_step_v": float(rng.choice([0.02, 0.05, 0.1])),
                      "predicted": bool(rng.random() < 0.7), "jitter_us": float(rng.uniform(0.2, 6.0)),
                      "largest_duty": float(rng.uniform(1.0, 1.3) if overlapping else rng.uniform(0.65, 0.85)),
                      "repeat_below_rpm": float(rng.choice([0.0, 0.0, 1000.0])), "n_repeats": int(rng.integers(1, 4))},
            "feedback": feedback,
            "supply": {"charging_v": float(rng.uniform(13.2, 14.8)), "crank_low_v": float(rng.uniform(6.0, 9.0)),
                       "load_step_v": float(rng.uniform(0.1, 1.0)), "ripple_v": float(rng.uniform(0.02, 0.4))},
            "leads": leads,
            "gaps": _varied_gaps(leads, duration_s, rng),
            "faults": _varied_faults(duration_s, rng) if faulty else [],
            "storage": {"n_parts": int(rng.choice([1, 1, 3])), "compression": str(rng.choice(["none", "zstd", "lz4"])),
                        "row_group_samples": int(rng.choice([0, 50_000, 1 << 20])),
                        "encoding": str(rng.choice(["plain", "dictionary", "delta"])),
                        "time_column": bool(rng.random() < 0.3), "clock_jitter": float(rng.uniform(0.0, 0.2))},
        }
    )  # fmt: skip


def _varied_feedback(rng: np.random.Generator) -> Spec:
    return {
        "asserts": str(rng.choice(["current", "current", "turn_off"])),
        "threshold_a": float(rng.uniform(1.2, 2.6)),
        "width": str(rng.choice(["until_turn_off", "fixed"])),
        "fixed_us": float(rng.uniform(300.0, 900.0)),
        "lag_us": float(rng.uniform(1.0, 40.0)),
        "jitter_us": float(rng.uniform(0.3, 5.0)),
        "repeats": bool(rng.random() < 0.5),
    }


def _varied_drive(duration_s: float, rng: np.random.Generator) -> Spec:
    roads = ["idle", "town", "delivery", "country", "motorway", "revs", "stall"]
    return {
        "roads": [str(r) for r in rng.choice(roads, 4)],
        "road_s": max(duration_s / 4.0, 20.0),
        "idle_rpm": float(rng.uniform(600.0, 1000.0)),
        "max_rpm": float(rng.uniform(3500.0, 5500.0)),
        "shift_at": float(rng.uniform(2.4, 4.8)),
        "crank_rpm": float(rng.uniform(150.0, 300.0)),
        "starts_cold": bool(rng.random() < 0.6),
        "idle_stop": bool(rng.random() < 0.5),
        "fuel_cut": str(rng.choice(["none", "kept", "dropped"])),
        "speed_noise": float(rng.uniform(0.002, 0.015)),
        "hunting_rpm": float(rng.uniform(5.0, 60.0)),
        "timing_jitter_deg": float(rng.uniform(0.05, 0.6)),
        "cylinder_spread_deg": float(rng.uniform(0.0, 0.8)),
    }


def _varied_leads(engine: Spec, rng: np.random.Generator) -> list[Spec]:
    """Return one, some or all command leads, mostly a shared feedback, sometimes supply, ground and current."""
    order = list(engine["firing_order"])
    coils = order[: len(order) // 2] if engine.get("layout") == "paired" else order
    n_commands = int(rng.choice([1, 1, 2, len(coils)]))
    chosen = [int(c) for c in rng.permutation(coils)[: min(n_commands, len(coils))]]
    style = _varied_style(rng)
    leads = [{"role": "command", "cylinder": cylinder, **style} for cylinder in chosen]
    if rng.random() < 0.85:
        leads.append({"role": "feedback", "cylinder_spread": float(rng.uniform(0.0, 0.04)), **_varied_style(rng)})
    for role, chance, noise in (("supply", 0.6, 0.05), ("ground", 0.3, 0.01), ("coil_current", 0.3, 0.05)):
        if rng.random() < chance:
            extra = {"ground_v_per_a": 0.03} if role == "ground" else {}
            leads.append({"role": role, "off_v": 0.0, "on_v": 14.0, "noise_v": noise, "dtype": "int16", **extra})
    return [{"column": f"lead_{i + 1}", **lead} for i, lead in enumerate(leads)]


def _varied_style(rng: np.random.Generator) -> Spec:
    """Return levels, polarity, edges, nuisances and storage of a two-level lead."""
    high = float(rng.choice([5.0, 5.0, 12.0, 3.3, 0.5]))
    low = float(rng.uniform(0.0, 0.12)) * high
    on, off = (high, low) if rng.random() < 0.5 else (low, high)
    dtype = str(rng.choice(["int8", "int16", "int16", "uint8", "uint16", "int32", "float32", "float64"]))
    return {
        "on_v": on,
        "off_v": off,
        "pulled_to_supply": bool(high == 12.0 and rng.random() < 0.7),
        "rise_us": float(rng.uniform(0.2, 8.0)),
        "fall_us": float(rng.uniform(0.2, 15.0)),
        "edge": str(rng.choice(["linear", "rc"])),
        "noise_v": high * float(rng.uniform(0.002, 0.02)),
        "hum_v": high * float(rng.choice([0.0, 0.01, 0.02])),
        "drift_v": high * float(rng.choice([0.0, 0.02, 0.06])),
        "drift_period_s": float(rng.uniform(60.0, 1200.0)),
        "ring_share": float(rng.choice([0.0, 0.1, 0.3])),
        "bounce_chance": float(rng.choice([0.0, 0.02])),
        "crosstalk_v": min(float(rng.choice([0.0, 0.5, 1.5, 3.0])), 0.6 * high),
        "ground_v_per_a": high * float(rng.choice([0.0, 0.003, 0.01])),
        "off_shift_v_per_a": high * float(rng.choice([0.0, 0.003])),
        "dtype": dtype,
        **({"clip_high_v": 1.02 * high} if rng.random() < 0.15 else {}),
    }


def _varied_gaps(leads: list[Spec], duration_s: float, rng: np.random.Generator) -> list[Spec]:
    starts = rng.uniform(0.1, 0.9, int(rng.integers(0, 4))) * duration_s
    column = str(rng.choice([lead["column"] for lead in leads]))
    return [
        {"start_s": float(start), "duration_s": float(rng.choice([0.0004, 0.02, 0.5])),
         **({"columns": [column]} if rng.random() < 0.5 else {})}
        for start in starts
    ]  # fmt: skip


def _varied_faults(duration_s: float, rng: np.random.Generator) -> list[Spec]:
    sizes = {"short_on_time": 0.3, "long_on_time": 0.3, "late_feedback": 0.5, "early_feedback": 0.4,
             "weak_command": 0.4, "weak_feedback": 0.4, "odd_feedback_width": 0.4, "distorted_command": 0.4,
             "uneven_interval": 12.0, "supply_sag": 2.5, "extra_pulse": 1.0, "absent_command": 0.0,
             "absent_feedback": 0.0}  # fmt: skip
    chosen = rng.permutation(list(sizes))[: int(rng.integers(3, 9))]
    return [
        {"kind": str(kind), "size": sizes[str(kind)] * float(rng.uniform(0.4, 1.2)),
         "count": max(int(rng.integers(1, 4) * min(duration_s / 120.0, 3.0)), 1), "burst": int(rng.choice([1, 1, 3]))}
        for kind in chosen
    ]  # fmt: skip
