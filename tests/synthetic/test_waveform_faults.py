"""Faults planted into samples: what each does to the edges, levels and noise of a pulse drawn by hand."""

from __future__ import annotations

import numpy as np
import pytest

from miner.synthetic.faults.samples import EventSamples, NoRoomError, PulseSamples, plant_in_samples

RATE_HZ = 200_000.0
START, STOP, LENGTH = 2000, 2600, 6000


def lead(*, off_v=0.0, on_v=5.0, noise_v=0.02, seed=1):
    """One pulse with edges of three samples and a spike behind its end."""
    rng = np.random.default_rng(seed)
    height = np.interp(np.arange(LENGTH), [START - 2, START + 1, STOP - 2, STOP + 1], [0, 1, 1, 0])
    volts = off_v + (on_v - off_v) * height + noise_v * rng.standard_normal(LENGTH)
    volts[STOP + 6] += 0.9
    return volts


def pulse(volts, *, start=START, stop=STOP, floor=500, limit=LENGTH - 500):
    return PulseSamples(volts=volts, start=start, stop=stop, floor=floor, limit=limit, rate_hz=RATE_HZ)


def edges(volts, level=2.5, *, high=True):
    """First on-sample and first off-sample of every run beyond the level."""
    on = (volts > level) if high else (volts < level)
    return np.flatnonzero(np.diff(on.astype(int))) + 1


def event(volts, answer=None, **room):
    return EventSamples(
        command=pulse(volts, **room), feedback=None if answer is None else pulse(answer, **room), rpm=3000.0
    )


def test_untouched_has_the_edges_it_was_drawn_with():
    assert edges(lead()).tolist() == [START, STOP]


@pytest.mark.parametrize(("kind", "sign"), [("short_on_time", -1), ("long_on_time", 1)])
@pytest.mark.parametrize("share", [0.004, 0.1, 0.4])
def test_on_time_changes_by_the_size_told_in_whole_samples(kind, sign, share):
    volts = lead()
    usual_us = 1e6 * (STOP - START) / RATE_HZ
    size = plant_in_samples(event(volts), kind, share, tie="none", usual_us=usual_us)
    assert size == pytest.approx(share, abs=0.5 / (STOP - START))
    assert edges(volts).tolist() == [START, STOP + sign * round(size * (STOP - START))]


def test_spike_behind_the_edge_moves_along_and_noise_stays_noise():
    volts = lead()
    plant_in_samples(event(volts), "long_on_time", 0.2, tie="none", usual_us=3000.0)
    assert np.argmax(volts[STOP + 125 : STOP + 200]) == 1
    for part in (volts[START + 50 : STOP + 60], volts[STOP + 140 :], volts[: START - 50]):
        assert np.std(part) == pytest.approx(0.02, rel=0.15)


@pytest.mark.parametrize(("tie", "stops"), [("width", [START, STOP - 60]), ("delay", [START - 60, STOP - 60]),
                                            ("none", [START, STOP])])  # fmt: skip
def test_feedback_follows_the_command_as_it_is_tied(tie, stops):
    volts, answer = lead(), lead(off_v=5.0, on_v=0.3, seed=2)
    plant_in_samples(event(volts, answer), "short_on_time", 0.1, tie=tie, usual_us=3000.0)
    assert edges(volts).tolist() == [START, STOP - 60]
    assert edges(answer, high=False).tolist() == stops


@pytest.mark.parametrize(("kind", "tie", "expected"), [
    ("late_feedback", "width", [START + 40, STOP]), ("early_feedback", "width", [START - 40, STOP]),
    ("late_feedback", "none", [START + 40, STOP + 40]), ("early_feedback", "delay", [START - 40, STOP - 40]),
    ("odd_feedback_width", "none", [START, STOP + 40]),
])  # fmt: skip
def test_feedback_edges(kind, tie, expected):
    volts, answer = lead(), lead(off_v=5.0, on_v=0.3, seed=2)
    before = volts.copy()
    assert plant_in_samples(event(volts, answer), kind, 0.4, tie=tie, usual_us=500.0) == pytest.approx(0.4)
    assert edges(answer, high=False).tolist() == expected
    assert (volts == before).all()


@pytest.mark.parametrize("size_deg", [3.6, -3.6])
def test_an_uneven_event_moves_as_a_whole(size_deg):
    volts, answer = lead(), lead(off_v=5.0, on_v=0.3, seed=2)
    assert plant_in_samples(event(volts, answer), "uneven_interval", size_deg, tie="none") == pytest.approx(size_deg)
    moved = round(size_deg / (6 * 3000.0) * RATE_HZ)
    assert edges(volts).tolist() == [START + moved, STOP + moved]
    assert edges(answer, high=False).tolist() == [START + moved, STOP + moved]


def test_an_absent_command_takes_the_feedback_along_and_an_absent_feedback_leaves_the_command():
    volts, answer = lead(), lead(off_v=5.0, on_v=0.3, seed=2)
    plant_in_samples(event(volts, answer), "absent_feedback", 1.0, tie="width")
    assert edges(volts).tolist() == [START, STOP]
    assert not edges(answer, high=False).size
    assert np.std(answer) == pytest.approx(0.02, rel=0.1)
    answer = lead(off_v=5.0, on_v=0.3, seed=2)
    plant_in_samples(event(volts, answer), "absent_command", 1.0, tie="width")
    assert not edges(volts).size
    assert not edges(answer, high=False).size


@pytest.mark.parametrize(("off_v", "on_v"), [(0.0, 5.0), (5.0, 0.3)])
def test_a_weak_pulse_is_lower_and_as_noisy_with_edges_in_their_place(off_v, on_v):
    volts = lead(off_v=off_v, on_v=on_v)
    plant_in_samples(event(volts), "weak_command", 0.3, tie="none")
    lowered = off_v + 0.7 * (on_v - off_v)
    assert np.median(volts[START + 50 : STOP - 50]) == pytest.approx(lowered, abs=0.005)
    assert np.std(volts[START + 50 : STOP - 50]) == pytest.approx(0.02, rel=0.15)
    assert edges(volts, (off_v + lowered) / 2, high=on_v > off_v).tolist() == [START, STOP]


def test_a_distorted_command_ripples_by_the_size():
    volts = lead()
    plant_in_samples(event(volts), "distorted_command", 0.4, tie="none")
    inside = volts[START + 20 : STOP - 20]
    assert np.std(inside) == pytest.approx(np.hypot(0.4, 0.02), rel=0.02)
    assert np.median(inside) == pytest.approx(5.0, abs=0.1)
    assert edges(volts).tolist() == [START, STOP]


def test_an_extra_pulse_stands_behind():
    volts = lead()
    plant_in_samples(event(volts), "extra_pulse", 1.0, tie="none")
    found = edges(volts)
    assert found[:2].tolist() == [START, STOP]
    assert found.size == 4
    assert found[2] - found[1] == pytest.approx(350e-6 * RATE_HZ, abs=2)
    assert found[3] - found[2] == pytest.approx(600e-6 * RATE_HZ, abs=2)


@pytest.mark.parametrize(("kind", "size", "room"), [
    ("long_on_time", 0.5, {"limit": STOP + 100}), ("uneven_interval", -90.0, {"floor": START - 100}),
    ("short_on_time", 0.97, {}), ("extra_pulse", 1.0, {"limit": STOP + 60}), ("short_on_time", 1e-5, {}),
    ("late_feedback", 0.1, {}),
])  # fmt: skip
def test_without_room_nothing_is_changed(kind, size, room):
    volts = lead()
    before = volts.copy()
    with pytest.raises(NoRoomError):
        plant_in_samples(event(volts, **room), kind, size, tie="none", usual_us=3000.0)
    assert (volts == before).all()
