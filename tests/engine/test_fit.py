"""A setup against the signals: right ones pass whatever the engine does, wrong ones are told what fits."""

from __future__ import annotations

import numpy as np
import pytest

from miner.engine.fit.setup_fit import FITS, fit_setup, spread_stretches
from miner.engine.setup import Setup, parse_setup
from miner.errors import SetupError
from tests.engine.layouts import LAYOUTS, ORDERS
from tests.engine.pulse_maker import Habits, make

EVEN_SIX, ODD_SIX = None, [0, 150, 240, 390, 480, 630]


def setup(n: int, leads: str, order: list[int] | None = None, **engine: object) -> Setup:
    """``leads``: a number for a command lead on that cylinder, ``f`` for the shared feedback, in column order."""
    channel: list[dict[str, object]] = []
    for place, one in enumerate(leads.split()):
        role = {"role": "feedback"} if one == "f" else {"role": "command", "cylinder": int(one)}
        channel.append({"column": f"lead_{place}", **role})
    return parse_setup({"engine": {"cylinders": n, "firing_order": order or ORDERS[n], **engine}, "channel": channel})


WRONG = {
    "six read as four": (setup(6, "1 f"), setup(4, "1 f"), "6 cylinders"),
    "four read as six": (setup(4, "1 f"), setup(6, "1 f"), "4 cylinders"),
    "four read as eight": (setup(4, "1 f"), setup(8, "1 f"), "paired coils"),  # or four: the speed alone tells
    "eight read as four": (setup(8, "1 f"), setup(4, "1 f"), "8 cylinders"),
    "three read as four": (setup(3, "1 f"), setup(4, "1 f"), "3 cylinders"),
    "order of commands": (setup(4, "1 2 3 4"), setup(4, "1 2 3 4", [1, 2, 4, 3]), "firing order 1-3-4-2"),
    "order with answers": (setup(6, "1 2 3 4 5 6 f"), setup(6, "1 2 3 4 5 6 f", [1, 2, 3, 4, 5, 6]), "1-5-3-6-2-4"),
    "a lead on another cylinder": (setup(4, "1 4 f"), setup(4, "1 3 f"), "firing order 1-4-3-2"),
    "two cylinder numbers swapped": (setup(6, "1 2 3 4 5 6 f"), setup(6, "1 3 2 4 5 6 f"), "1-5-2-6-3-4"),
    "leads swapped": (setup(4, "1 f"), setup(4, "f 1"), "'lead_0' as the command lead and 'lead_1' as the feedback"),
    "paired coils not declared": (setup(4, "1 f", layout="paired"), setup(4, "1 f"), "paired coils"),
    "paired six not declared": (setup(6, "1 f", layout="paired"), setup(6, "1 f"), "paired coils"),
    "two paired commands": (setup(4, "1 3", layout="paired"), setup(4, "1 3"), "paired coils"),
    "not paired": (setup(4, "1 f"), setup(4, "1 f", layout="paired"), "a coil for each cylinder"),
    "odd-fire as even": (setup(6, "1 f", firing_angles_deg=ODD_SIX), setup(6, "1 f"), "0, 150, 240, 390, 480, 630"),
    "even as odd-fire": (setup(6, "1 f"), setup(6, "1 f", firing_angles_deg=ODD_SIX), "even angles"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_setup_is_told_what_fits(name: str) -> None:
    true, described, words = WRONG[name]
    made = make(true, np.random.default_rng(1), 20.0, Habits(absent=0.001))
    stretches = spread_stretches(made.pulses)
    assert fit_setup(stretches, made.gaps, true).sentence == ""
    fit = fit_setup(stretches, made.gaps, described)
    assert words in fit.other
    with pytest.raises(SetupError, match=r"fits clearly better than what it describes; .*--as-described"):
        fit.require("drive.parquet")


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_right_setup_is_never_refused(name: str) -> None:
    """Starts, stalls, gear changes, wild timing, repeated sparks, absences in bursts, gaps."""
    harsh = Habits(timing_deg=1.5, wild_timing=0.3, sparks_below_rpm=1000.0, absent=0.01, extra=0.004, gaps=4)
    for seed, habits in ((3, Habits()), (4, harsh)):
        made = make(LAYOUTS[name], np.random.default_rng(seed), 20.0, habits)
        fit = fit_setup(spread_stretches(made.pulses), made.gaps, LAYOUTS[name])
        assert fit.fits
        assert fit.strain < FITS or habits is harsh


def test_speed_alone_is_no_proof() -> None:
    """One command, or answers alone, look the same on four cylinders as on six: only the speed would differ."""
    for leads in ("1", "f"):
        made = make(setup(4, leads), np.random.default_rng(1), 20.0, Habits())
        assert fit_setup(spread_stretches(made.pulses), made.gaps, setup(6, leads)).fits


def test_pulses_of_no_engine_are_said_to_have_no_place() -> None:
    rng = np.random.default_rng(5)
    made = make(setup(4, "1 f"), rng, 20.0, Habits())
    lead = rng.permutation(made.pulses["lead"].to_numpy())
    shuffled = made.pulses.set_column(0, made.pulses.schema.field("lead"), [lead])
    fit = fit_setup(spread_stretches(shuffled), made.gaps, setup(4, "1 f"))
    assert fit.fits
    assert "of the pulses looked at have no place in the engine cycle" in fit.sentence


def test_few_pulses_prove_nothing() -> None:
    made = make(setup(6, "1 f"), np.random.default_rng(1), 20.0, Habits())
    assert fit_setup([made.pulses.slice(0, 30)], made.gaps, setup(4, "1 f")).sentence == ""
    assert fit_setup([made.pulses.slice(0, 0)], made.gaps, setup(4, "1 f")).sentence == ""


def test_a_stretch_is_taken_from_all_over_a_long_recording() -> None:
    made = make(setup(6, "1 f"), np.random.default_rng(1), 60.0, Habits())
    stretches = spread_stretches(made.pulses, 3)
    assert [part.num_rows for part in stretches] == [300] * 3
    assert spread_stretches(made.pulses.slice(0, 500), 3)[0].num_rows == 500
