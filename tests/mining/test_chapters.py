"""Chapters of a long recording give the events that it gives in one piece."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest

import miner.mining.chapters
from miner.engine.cycles import track_cycles
from miner.engine.setup import Setup
from miner.events.table import build_events
from miner.mining.chapters import plan_chapters, tell_chapters
from miner.mining.section_file import write_extraction
from miner.schema import GAPS
from miner.signal.extraction import Extraction, LeadQuality
from tests.engine.layouts import LAYOUTS, engine
from tests.engine.pulse_maker import Habits, Made, make

SECONDS, SECTION_S, RATE_HZ = 80.0, 10.0, 1e6
CHOSEN = (
    "3 cylinders, one command and feedback", "6 cylinders, one command and feedback", "one cylinder",
    "12 cylinders, one command and feedback", "two commands alone", "all commands and feedback", "odd-fire six",
    "paired four", "two-stroke three",
)  # fmt: skip


def sections_of(made: Made, setup: Setup, folder: Path) -> list[Path]:
    """Return files as the signal stage would leave them: a section owns the pulses that start in it."""
    paths = []
    for index in range(int(np.ceil(made.end_s / SECTION_S))):
        start_s, stop_s = index * SECTION_S, (index + 1) * SECTION_S
        starts = made.pulses["start_s"]
        pulses = made.pulses.filter(pc.and_(pc.greater_equal(starts, start_s), pc.less(starts, stop_s)))
        leads = {
            lead: LeadQuality(
                off_level_v=np.zeros(1), amplitude_v=np.ones(1), noise_v=0.0, n_spikes=0, n_dropouts=0, n_clipped=0,
                n_pulses=int(pc.sum(pc.equal(pulses["lead"], lead)).as_py() or 0),
            )
            for lead, _ in setup.leads("command", "feedback")
        }  # fmt: skip
        extraction = Extraction(
            pulses=pulses, gaps=GAPS.empty(), window_start_s=np.array([start_s]), window_samples=4096, envelope={},
            tracks={}, leads=leads, columns={lead: f"lead_{lead}" for lead in leads},
        )  # fmt: skip
        paths.append(folder / f"section-{index:06d}")
        write_extraction(paths[-1], extraction)
    return paths


def whole(made: Made, setup: Setup) -> pa.Table:
    tracking = track_cycles(made.pulses, made.gaps, setup, end_s=made.end_s)
    return build_events(made.pulses, made.gaps, tracking, setup, rate_hz=RATE_HZ)


def in_chapters(made: Made, setup: Setup, folder: Path) -> list[pa.Table]:
    sections = sections_of(made, setup, folder)
    plan = plan_chapters(setup, sections)
    return list(tell_chapters(setup, sections, plan, made.gaps, made.end_s, rate_hz=RATE_HZ))


@pytest.fixture
def short_chapters(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(miner.mining.chapters, "LONE_EVENTS", 900)
    monkeypatch.setattr(miner.mining.chapters, "CHAPTER_EVENTS", 700)
    monkeypatch.setattr(miner.mining.chapters, "MARGIN_S", 8.0)


SAME = ("event_id", "cycle", "segment", "slot", "cylinder", "command_seen", "feedback_seen", "on_time_us",
        "feedback_width_us", "delay_us", "interval_us", "extra_pulses", "quality")  # fmt: skip
"""Decided by the pulses near an event; speed and state are smoothed over what lies around."""


@pytest.mark.parametrize("name", CHOSEN)
@pytest.mark.parametrize("seed", [1, 2])
def test_chapters_together_are_the_recording(name: str, seed: int, tmp_path: Path, short_chapters: None) -> None:
    setup = LAYOUTS[name]
    habits = Habits(sparks_below_rpm=1000.0 * (seed == 2), gaps=3 * (seed == 2), absent=0.003, extra=0.001)
    made = make(setup, np.random.default_rng(seed), SECONDS, habits)
    wanted, chapters = whole(made, setup), in_chapters(made, setup, tmp_path)
    found = pa.concat_tables(chapters)
    assert len(chapters) >= 2
    assert all(np.diff(found["time_s"].to_numpy()) >= 0)
    assert found.num_rows == wanted.num_rows
    for column in SAME:
        assert found[column].equals(wanted[column]), column
    assert np.allclose(found["time_s"].to_numpy(), wanted["time_s"].to_numpy(), atol=1e-4, rtol=0)


def test_feedback_alone_keeps_its_places_from_chapter_to_chapter(tmp_path: Path, short_chapters: None) -> None:
    setup = engine(4, ())
    made = make(setup, np.random.default_rng(5), SECONDS, Habits(bursts=0), paused=False)
    found = pa.concat_tables(in_chapters(made, setup, tmp_path))
    assert found["slot"].equals(whole(made, setup)["slot"])
    assert found["cylinder"].null_count == found.num_rows


def test_a_recording_of_one_chapter_is_told_in_one_piece(tmp_path: Path) -> None:
    setup = LAYOUTS["6 cylinders, one command and feedback"]
    made = make(setup, np.random.default_rng(3), 30.0, Habits())
    (only,) = in_chapters(made, setup, tmp_path)
    assert only.equals(whole(made, setup))


def test_chapters_share_the_events_evenly(tmp_path: Path, short_chapters: None) -> None:
    setup = LAYOUTS["6 cylinders, one command and feedback"]
    made = make(setup, np.random.default_rng(3), SECONDS, Habits(), paused=False)
    sections = sections_of(made, setup, tmp_path)
    plan = plan_chapters(setup, sections)
    assert [index for chapter in plan for index in chapter] == list(range(len(sections)))
    assert all(len(chapter) for chapter in plan)


def test_silence_over_a_border_leaves_cycles_running_on(tmp_path: Path, short_chapters: None) -> None:
    """Nothing fires for longer than the margin: the next chapter opens anew, its cycles do not begin at 0 again."""
    setup = LAYOUTS["6 cylinders, one command and feedback"]
    made = make(setup, np.random.default_rng(4), 40.0, Habits(), paused=False)
    later = made.pulses
    for name in ("start_s", "stop_s"):
        place = later.column_names.index(name)
        later = later.set_column(place, later.schema.field(name), pc.add(later[name], 100.0))
    both = Made(
        pulses=pa.concat_tables([made.pulses, later]), gaps=made.gaps, end_s=made.end_s + 100.0, slot=made.slot,
        main=made.main,
    )  # fmt: skip
    found = pa.concat_tables(in_chapters(both, setup, tmp_path))
    cycles = found["cycle"].to_numpy()
    assert (np.diff(cycles) >= 0).all()
    assert np.unique(cycles).size > 1.9 * np.unique(whole(made, setup)["cycle"].to_numpy()).size
    assert found["event_id"].to_pylist() == list(range(found.num_rows))
    assert np.diff(found["segment"].to_numpy()).max() == 1
