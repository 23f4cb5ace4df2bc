"""Unknown leads are told apart by their signals alone; "cannot tell" is an answer, a sure wrong one is not."""

from __future__ import annotations

import os
import tomllib
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from miner.engine.leads.roles import LeadsFound, tell_leads_apart
from miner.engine.leads.setup_text import SURE, setup_text
from miner.engine.leads.stated import fitted_to
from miner.engine.leads.trains import Train
from miner.engine.setup import parse_setup
from miner.errors import SetupError
from miner.recording.reader import open_recording
from tests.engine.drawn_leads import Drawn, draw, pulses
from tests.recording.made import write_recording

RATE_HZ = 50_000.0


@pytest.fixture(scope="module", params=[11, 20, 25, 31, 1049, 1064])
def drawn(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Drawn, LeadsFound]:
    truth = draw(tmp_path_factory.mktemp("drawn"), request.param)
    return truth, tell_leads_apart(open_recording(truth.path), cylinders=truth.cylinders)


def test_no_lead_is_surely_wrong(drawn: tuple[Drawn, LeadsFound]) -> None:
    truth, found = drawn
    wrong = [lead for lead in found.leads if lead.role not in (None, truth.roles[lead.column])]
    assert not [lead for lead in wrong if lead.confidence >= SURE], wrong
    right = [lead for lead in found.leads if lead.role == truth.roles[lead.column]]
    assert len(right) >= 0.8 * len(found.leads)


def test_places_in_the_firing_order(drawn: tuple[Drawn, LeadsFound]) -> None:
    truth, found = drawn
    n_slots = truth.cylinders // 2 if truth.paired else truth.cylinders
    first = next(lead for lead in found.leads if lead.role == "command")
    for lead in found.leads:
        if lead.cylinder is not None and first.cylinder is not None:
            expected = (truth.slots[lead.column] - truth.slots[first.column]) % n_slots
            assert (lead.cylinder - first.cylinder) % n_slots == expected


def test_setup_can_be_used_at_once(drawn: tuple[Drawn, LeadsFound]) -> None:
    truth, found = drawn
    setup = parse_setup(tomllib.loads(setup_text(found)))
    setup.require_leads("setup.toml")
    assert setup.engine.cylinders == truth.cylinders


def firings(cylinders: int, seconds: float = 20.0) -> tuple[np.ndarray, np.ndarray]:
    """Return instants and slots of an engine that goes from 700 to 2500 turns a minute and back."""
    time_s = np.arange(0, seconds, 1e-3)
    rpm = 1600 - 900 * np.cos(2 * np.pi * time_s / 10.0)
    angle = np.cumsum(6.0 * rpm) * 1e-3
    due = np.arange(30.0, angle[-1] - 100, 720.0 / cylinders)
    return np.interp(due, angle, time_s), np.arange(due.size) % cylinders


def written(tmp_path: Path, leads: dict[str, np.ndarray]) -> Path:
    return write_recording(tmp_path / "r.parquet", leads, rate_hz=RATE_HZ)


def two_leads(cylinders: int) -> dict[str, np.ndarray]:
    at, slot = firings(cylinders)
    time_s = np.arange(round(20 * RATE_HZ)) / RATE_HZ
    return {
        "a": pulses(time_s, at[slot == 0], 2.4e-3, 5.0, 0.2),
        "b": pulses(time_s, at + 0.6e-3, 1e-3, 0.1, 4.8),
    }


@pytest.mark.parametrize("cylinders", [2, 3, 5, 6, 8, 12])
def test_number_of_cylinders_from_command_and_feedback(cylinders: int, tmp_path: Path) -> None:
    found = tell_leads_apart(open_recording(written(tmp_path, two_leads(cylinders))))
    assert [lead.role for lead in found.leads] == ["command", "feedback"]
    assert [lead.active for lead in found.leads] == ["low", "high"]
    assert all(lead.confidence >= SURE for lead in found.leads)
    assert found.engine is not None
    n_slots = found.engine.cylinders // (2 if found.engine.layout == "paired" else 1)
    assert n_slots == cylinders
    if cylinders > 4:
        assert found.engine.layout == "coil_per_cylinder"


def test_stated_engine_gives_its_numbers(tmp_path: Path) -> None:
    found = tell_leads_apart(open_recording(written(tmp_path, two_leads(4))), cylinders=4)
    engine = parse_setup({"engine": {"cylinders": 4, "firing_order": [3, 4, 2, 1]}}).engine
    setup = parse_setup(tomllib.loads(setup_text(fitted_to(found, engine, tmp_path), engine)))
    assert setup.engine.firing_order == (3, 4, 2, 1)
    assert setup.channel[0].cylinder == 3


def test_stated_engine_that_does_not_fit(tmp_path: Path) -> None:
    found = tell_leads_apart(open_recording(written(tmp_path, two_leads(6))))
    engine = parse_setup({"engine": {"cylinders": 4, "firing_order": [1, 3, 4, 2]}}).engine
    with pytest.raises(SetupError, match="fires 4 coils in turn, the leads show 6"):
        fitted_to(found, engine, tmp_path / "s.toml")


def test_one_lead_alone_is_never_sure(tmp_path: Path) -> None:
    leads = two_leads(4)
    for name in leads:
        (lead,) = tell_leads_apart(open_recording(written(tmp_path, {name: leads[name]})), cylinders=4).leads
        assert lead.confidence < SURE


def test_cylinders_that_fire_soon_after_each_other_are_no_answers(tmp_path: Path) -> None:
    time_s = np.arange(0, 20, 1e-3)
    angle = np.cumsum(6.0 * (3600 + 400 * np.sin(time_s))) * 1e-3
    at = np.sort(np.concatenate([np.arange(due, angle[-1] - 100, 720.0) for due in (30.0, 120.0)]))
    at, slot = np.interp(at, angle, time_s), np.arange(at.size) % 2
    time_s = np.arange(round(20 * RATE_HZ)) / RATE_HZ
    leads = {name: pulses(time_s, at[slot == k], 2.2e-3, 0.1, 5.0) for k, name in enumerate("ab")}
    found = tell_leads_apart(open_recording(written(tmp_path, leads)))
    assert [lead.role for lead in found.leads] == ["command", "command"]


def test_cylinders_at_one_speed_are_not_surely_answers(tmp_path: Path) -> None:
    time_s = np.arange(round(20 * RATE_HZ)) / RATE_HZ
    at = np.arange(0.01, 19.9, 720 / 6 / 3600)
    leads = {"a": pulses(time_s, at, 2.2e-3, 0.1, 5.0), "b": pulses(time_s, at + 4.2e-3, 2.2e-3, 0.1, 5.0)}
    found = tell_leads_apart(open_recording(written(tmp_path, leads)))
    assert all(lead.confidence < SURE for lead in found.leads)


def test_coarse_answer_over_an_offset_still_switches(tmp_path: Path) -> None:
    leads = two_leads(4)
    step_v = 0.15  # a recorder of 8 bits at a range too wide, at rest one step up, none for a moment behind a pulse
    sag = np.zeros(leads["b"].size)
    for first in np.flatnonzero(np.diff(leads["b"]) < 0):
        sag[first + 1 : first + 12] = -0.15
    leads["b"] = np.round((leads["b"] + 0.05 + sag) / step_v) * step_v
    found = tell_leads_apart(open_recording(written(tmp_path, leads)))
    assert [lead.role for lead in found.leads] == ["command", "feedback"]


def test_crosstalk_makes_no_coil_of_a_command(tmp_path: Path) -> None:
    leads = two_leads(4)
    leads["a"][np.flatnonzero(np.diff(leads["a"]) > 0)[::40] + 2] = 8.5
    found = tell_leads_apart(open_recording(written(tmp_path, leads)))
    assert [lead.role for lead in found.leads] == ["command", "feedback"]


def test_lead_that_holds_nothing(tmp_path: Path) -> None:
    leads = {**two_leads(4), "c": np.full(round(20 * RATE_HZ), np.nan)}
    found = tell_leads_apart(open_recording(written(tmp_path, leads)))
    assert [lead.role for lead in found.leads] == ["command", "feedback", None]


CAPTURES = Path(os.environ.get("IGNITION_CAPTURES") or Path(__file__).parents[3] / "shared" / "captures")


@pytest.mark.skipif(not CAPTURES.is_dir(), reason="the real captures are not here")
@pytest.mark.parametrize(
    ("name", "truth"),
    [
        ("crank_60_2_start_500ksps", {"crank": "crank", "ch1": "cam"}),
        ("crank_pickup_volts_10ksps", {"crank_v": "crank"}),
        ("cranking_two_coils_1msps", {"cam_4": "cam", "cam_2": "cam", "coil_a": "command", "coil_b": "command"}),
        ("cranking_two_coils_4msps", {"crank": "crank", "cam": "cam", "coil_a": "command", "coil_b": "command"}),
    ],
)
def test_real_leads_are_never_surely_wrong(name: str, truth: dict[str, str]) -> None:
    found = tell_leads_apart(open_recording(CAPTURES / f"{name}.parquet"))
    wrong = [lead for lead in found.leads if lead.role not in (None, truth[lead.column])]
    assert not [lead for lead in wrong if lead.confidence >= SURE], wrong
    if name.startswith("crank_"):
        assert found.leads[0].role == "crank"


def test_half_a_million_pulses_of_noise_need_little_memory() -> None:
    """Noise on a quiet ground shows as pulses; their lengths here follow the period by a power that was chosen."""
    rng = np.random.default_rng(3)
    period_s = np.exp(rng.uniform(np.log(1e-3), np.log(4e-3), 70_000)).repeat(7)
    start_s = np.append(0.0, np.cumsum(period_s))[:-1]
    train = Train(
        column="ground",
        active="high",
        start_s=start_s,
        stop_s=start_s + 2e-3 * period_s**0.4,
        stretch=np.zeros(period_s.size, np.int64),
        period_s=period_s,
    )
    tracemalloc.start()
    slope = train.width_follows_period()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert slope == pytest.approx(0.4, abs=0.01)
    assert peak < 200e6, "all pairs of 70,000 blocks are 39 GB"
