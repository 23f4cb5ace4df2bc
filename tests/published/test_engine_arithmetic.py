"""Engine arithmetic and firing orders as published, and what the trade knows about leads and cylinders."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from miner.engine.cycles import track_cycles
from miner.engine.firing import firing_pattern
from miner.engine.setup import parse_setup
from miner.engine.speed import cycle_speed_rpm
from tests.engine.pulse_maker import gap_table, pulse_table

# Interval from one firing to the next in milliseconds, four-stroke, even firing: 120 / (rpm n) seconds
# (Heywood, Internal Combustion Engine Fundamentals, ch. 2; from memory).
CYLINDERS = (3, 4, 5, 6, 8, 10, 12)
INTERVALS_MS = {
    200: (200, 150, 120, 100, 75, 60, 50),
    600: (66.667, 50, 40, 33.333, 25, 20, 16.667),
    750: (53.333, 40, 32, 26.667, 20, 16, 13.333),
    1000: (40, 30, 24, 20, 15, 12, 10),
    3000: (13.333, 10, 8, 6.667, 5, 4, 3.333),
    6000: (6.667, 5, 4, 3.333, 2.5, 2, 1.667),
    7000: (5.714, 4.286, 3.429, 2.857, 2.143, 1.714, 1.429),
}
CYCLES_MS = {200: 600, 600: 200, 750: 160, 1000: 120, 3000: 40, 6000: 20, 7000: 17.143}
DEGREES_PER_MS = {200: 1.2, 600: 3.6, 750: 4.5, 1000: 6, 3000: 18, 6000: 36, 7000: 42}
EVEN_DEG = (720, 360, 240, 180, 144, 120, 102.857, 90, 80, 72, 65.4545, 60)

WIKIPEDIA = 'Wikipedia, "Firing order"'
BOOK = "Goodheart-Willcox, Auto Engine Repair (2021), fig. 6-2"
SERVICE = "a maker's 1997 service text for a 3.8 litre V6"
PUBLIC = "quoted in public files, second-hand"
MEMORY = "(from memory)"

FIRING_ORDERS = [
    ((1, 2, 3), WIKIPEDIA),
    ((1, 3, 2), MEMORY),
    ((1, 3, 4, 2), WIKIPEDIA),
    ((1, 2, 4, 3), MEMORY),
    ((1, 4, 3, 2), "memim.com, firing order"),
    ((1, 3, 2, 4), MEMORY),
    ((1, 2, 4, 5, 3), WIKIPEDIA),
    ((1, 5, 3, 6, 2, 4), BOOK),
    ((1, 2, 3, 4, 5, 6), WIKIPEDIA),
    ((1, 6, 5, 4, 3, 2), f"{BOOK}; {SERVICE}"),
    ((1, 4, 2, 5, 3, 6), WIKIPEDIA),
    ((1, 4, 3, 6, 2, 5), WIKIPEDIA),
    ((1, 6, 2, 4, 3, 5), WIKIPEDIA),
    ((1, 4, 5, 2, 3, 6), WIKIPEDIA),
    ((1, 6, 3, 2, 5, 4), WIKIPEDIA),
    ((1, 3, 5, 7, 2, 4, 6), WIKIPEDIA),
    ((1, 8, 4, 3, 6, 5, 7, 2), BOOK),
    ((1, 8, 7, 2, 6, 5, 4, 3), PUBLIC),
    ((1, 3, 7, 2, 6, 5, 4, 8), MEMORY),
    ((1, 5, 4, 2, 6, 3, 7, 8), MEMORY),
    ((1, 5, 4, 8, 6, 3, 7, 2), PUBLIC),
    ((1, 5, 3, 7, 4, 8, 2, 6), MEMORY),
    ((1, 6, 2, 5, 8, 3, 7, 4), MEMORY),
    ((1, 10, 9, 4, 3, 6, 5, 8, 7, 2), WIKIPEDIA),
    ((1, 6, 5, 10, 2, 7, 3, 8, 4, 9), PUBLIC),
    ((1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10), WIKIPEDIA),
    ((1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9), PUBLIC),
]

CLOSED_FORM = "cylinder angle = crank-pin angle + bank angle, modulo 720"
UNEVEN = [
    ((90, 150) * 3, f"V6, 90 degrees, three shared pins: {CLOSED_FORM}"),
    ((108, 132) * 3, f"V6, 90 degrees, pins split by 18: {CLOSED_FORM}; kinds: britishv8.org, odd-fire article"),
    ((90, 54) * 5, f"V10, 90 degrees, shared pins: {CLOSED_FORM}"),
    ((315, 405), f"V-twin, 45 degrees, one pin: {CLOSED_FORM}"),
    ((308, 412), f"V-twin, 52 degrees: {CLOSED_FORM}"),
    ((300, 420), f"V-twin, 60 degrees: {CLOSED_FORM}"),
    ((285, 435), f"V-twin, 75 degrees: {CLOSED_FORM}"),
    ((270, 450), f"V-twin, 90 degrees: {CLOSED_FORM}"),
    ((180, 540), f"parallel twin, 180-degree crank: {CLOSED_FORM}"),
    ((270, 180, 90, 180), f"four in line, cross-plane crank {MEMORY}"),
    ((180, 270, 180, 90), f"V4, 90 degrees, 180-degree crank {MEMORY}"),
    ((90, 270, 90, 270), f"V4, 90 degrees, 360-degree crank {MEMORY}"),
    ((180, 270, 270), f"three in line, T-plane crank {MEMORY}"),
]


def feedback_pulses(pattern, rpm, n):
    """Shared feedback of ``n`` slots at constant speed, and the command of slot 0: (lead, start, duration)."""
    rows = []
    for k in range(n):
        turn, slot = divmod(k, pattern.n_slots)
        at = 1.0 + (turn * pattern.cycle_deg + pattern.angles_deg[slot]) / (6.0 * rpm)
        if slot == 0:
            rows.append((0, at, 0.002))
        rows.append((1, at + 0.0005, 0.0008))
    return sorted(rows, key=lambda r: r[1])


def setup_of(order, **engine):
    return parse_setup(
        {
            "engine": {"cylinders": len(order), "firing_order": list(order), **engine},
            "channel": [
                {"column": "a", "role": "command", "cylinder": order[0]},
                {"column": "b", "role": "feedback"},
            ],
        }
    )


@pytest.mark.parametrize("rpm", INTERVALS_MS)
def test_interval_gives_the_published_speed_and_speed_the_interval(rpm):
    for n, interval_ms in zip(CYLINDERS, INTERVALS_MS[rpm], strict=True):
        pattern = firing_pattern(tuple(range(1, n + 1)))
        assert pattern.intervals_deg()[0] / DEGREES_PER_MS[rpm] == pytest.approx(interval_ms, abs=6e-4)
        time_s = np.arange(3 * n) * interval_ms / 1000.0
        crank_deg = np.arange(3 * n) * 720.0 / n
        speed = cycle_speed_rpm(time_s, crank_deg, np.zeros(3 * n, dtype=np.int64), n)
        assert speed == pytest.approx(np.full(3 * n, rpm), rel=4e-4)  # the table has four to five digits
        assert time_s[n] * 1000.0 == pytest.approx(CYCLES_MS[rpm], rel=4e-4)


@pytest.mark.parametrize(("n", "degrees"), list(enumerate(EVEN_DEG, start=1)))
def test_even_engines_fire_every_720_over_n_degrees(n, degrees):
    pattern = firing_pattern(tuple(range(1, n + 1)))
    assert pattern.intervals_deg() == pytest.approx((degrees,) * n, abs=1e-3)
    two_stroke = firing_pattern(tuple(range(1, n + 1)), strokes=2)
    assert sum(two_stroke.intervals_deg()) == pytest.approx(360.0)


@pytest.mark.parametrize(("order", "source"), FIRING_ORDERS)
def test_feedback_follows_the_published_firing_order(order, source):
    setup = setup_of(order)
    pattern = setup.engine.pattern
    assert sum(pattern.intervals_deg()) == pytest.approx(720.0), source
    pulses = pulse_table(feedback_pulses(pattern, 1500.0, 3 * len(order)))
    tracking = track_cycles(pulses, gap_table([]), setup, end_s=2.0)
    assert tracking.cylinder.tolist() == list(order) * 3, source


@pytest.mark.parametrize(("intervals", "source"), UNEVEN)
def test_feedback_of_an_uneven_engine_follows_its_intervals(intervals, source):
    angles = [float(a) for a in np.cumsum((0, *intervals[:-1]))]
    setup = setup_of(tuple(range(1, len(intervals) + 1)), firing_angles_deg=angles)
    pattern = setup.engine.pattern
    assert sum(intervals) == 720, source
    assert pattern.intervals_deg() == pytest.approx(intervals), source
    tracking = track_cycles(
        pulse_table(feedback_pulses(pattern, 1200.0, 4 * len(intervals))), gap_table([]), setup, end_s=3.0
    )
    assert tracking.cylinder.tolist() == list(range(1, len(intervals) + 1)) * 4, source
    assert tracking.rpm == pytest.approx(np.full(len(tracking), 1200.0), rel=1e-6)


def test_angles_that_leave_the_cycle_are_refused():
    with pytest.raises(ValueError, match="ascend within 720"):
        firing_pattern((1, 2, 3, 4, 5, 6), firing_angles_deg=(0.0, 150.0, 300.0, 450.0, 600.0, 750.0))


def test_paired_coils_fire_once_a_turn():
    """Waste spark: each coil once a revolution (Heywood, ch. 2; from memory)."""
    pattern = firing_pattern((1, 5, 3, 6, 2, 4), paired=True)
    assert pattern.cylinders == ((1, 6), (5, 2), (3, 4))
    assert pattern.cycle_deg == 360.0
    assert pattern.intervals_deg() == pytest.approx((120.0,) * 3)


def six_cylinders(rpm=1000.0, n_cycles=4):
    """Lead on cylinder 6 of an engine that fires 1-2-3-4-5-6, and the shared feedback."""
    interval_s = 20.0 / rpm
    rows = []
    for k in range(6 * n_cycles):
        at = 0.5 + k * interval_s
        if k % 6 == 0:
            rows.append((0, at, 3.17e-3))
        rows.append((1, at + 692e-6, 1.5e-3))
    setup = parse_setup(
        {
            "engine": {"cylinders": 6, "firing_order": [1, 2, 3, 4, 5, 6]},
            "channel": [{"column": "a", "role": "command", "cylinder": 6}, {"column": "b", "role": "feedback"}],
        }
    )
    return track_cycles(pulse_table(rows), gap_table([]), setup, end_s=0.5 + 6 * n_cycles * interval_s), interval_s


def test_with_a_lead_on_cylinder_6_the_next_five_feedback_pulses_are_1_to_5():
    """Common practice, no source."""
    tracking, _ = six_cylinders()
    assert tracking.cylinder.tolist() == [6, 1, 2, 3, 4, 5] * 4
    assert (np.flatnonzero(tracking.command_row >= 0) % 6 == 0).all()
    assert tracking.delay_s == pytest.approx(np.full(24, 692e-6))


def test_one_cylinder_fires_once_in_two_turns_of_the_crank():
    """Common practice, no source."""
    tracking, interval_s = six_cylinders()
    for cylinder in range(1, 7):
        own = tracking.cylinder == cylinder
        assert np.diff(tracking.crank_deg[own]) == pytest.approx(np.full(3, 720.0))
        assert np.diff(tracking.turn_on_s[own]) == pytest.approx(np.full(3, 6 * interval_s))
        assert all(b - a == 1 for a, b in pairwise(tracking.cycle[own]))


def test_an_hour_of_four_cylinders_at_2000_rpm_is_240000_events():
    assert 3600.0 / (firing_pattern((1, 3, 4, 2)).intervals_deg()[0] / (6.0 * 2000.0)) == pytest.approx(240_000)
