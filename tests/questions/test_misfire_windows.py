import numpy as np
import pytest

from miner.questions.misfire_windows import MISFIRE_NOTE, count_misfire_windows, summarise_misfire_windows
from miner.schema import MISFIRE_WINDOWS
from tests.suspects.made_up import make_columns, make_setup, to_events

SETUP = make_setup()


def windows(columns, setup=SETUP):
    table = count_misfire_windows(to_events(columns), setup)
    return MISFIRE_WINDOWS.validate(table).to_pylist()


def lose(columns, rows, column="feedback_seen"):
    for row in rows:
        columns[column][row] = False
    return columns


@pytest.mark.parametrize(("order", "per_200", "per_1000"), [
    ((1, 3, 4, 2), 400, 2000), ((1, 2, 4, 5, 3), 500, 2500), ((1, 2, 3, 4, 5, 6), 600, 3000),
    ((1, 8, 4, 3, 6, 5, 7, 2), 800, 4000),
])  # fmt: skip
def test_firings_per_window(order, per_200, per_1000):
    """Engine arithmetic: revolutions times cylinders over two."""
    setup = make_setup(order)
    rows = windows(make_columns(setup, 1105), setup)
    assert all(abs(r["n_due"] - per_200) <= 1 for r in rows if r["revolutions"] == 200)
    assert all(abs(r["n_due"] - per_1000) <= 1 for r in rows if r["revolutions"] == 1000)
    assert [r["revolutions"] for r in rows] == [200] * 11 + [1000] * 2


def test_one_dead_cylinder_of_four_is_25_percent():
    columns = make_columns(SETUP, 605)
    rows = windows(lose(columns, np.flatnonzero(columns["cylinder"] == 3)))
    assert len(rows) == 7
    for row in rows:
        assert row["absent_pct"] == pytest.approx(25.0, abs=0.1)
        assert (row["worst_cylinder"], row["above"]) == (3, True)


def test_twenty_of_two_thousand_reach_one_percent():
    columns = lose(make_columns(SETUP, 1010), range(2, 2000, 100))
    (long,) = [r for r in windows(columns) if r["revolutions"] == 1000][:1]
    assert long["n_absent"] == 20
    assert long["absent_pct"] == pytest.approx(1.0, abs=0.01)
    short = [r for r in windows(columns) if r["revolutions"] == 200]
    assert not any(r["above"] for r in short)


def test_a_pause_of_all_cylinders_is_not_counted():
    columns = lose(make_columns(SETUP, 605), range(401, 441))
    lose(columns, range(800, 803))
    rows = [r for r in windows(columns) if r["revolutions"] == 200]
    assert sum(r["n_paused"] for r in rows) == 40
    assert sum(r["n_absent"] for r in rows) == 3
    assert sum(r["n_due"] for r in rows) == pytest.approx(2400 - 40, abs=1)


def test_events_without_a_lead_are_not_due():
    setup = make_setup(commands=(1,), feedback=False)
    rows = windows(make_columns(setup, 500), setup)
    assert all(abs(r["n_due"] - 100) <= 1 for r in rows if r["revolutions"] == 200)


def test_summary_names_the_worst_window_and_its_caveat():
    columns = lose(make_columns(SETUP, 1505), range(2401, 2800, 8), "command_seen")
    got = summarise_misfire_windows(count_misfire_windows(to_events(columns), SETUP))
    assert got["note"] == MISFIRE_NOTE
    worst = got["per_200_revolutions"]
    assert worst["worst_pct"] == pytest.approx(12.5, abs=0.3)
    assert worst["worst_cylinder"] == 3
    assert (worst["n_windows"], worst["n_above"]) == (15, 1)


def test_no_events():
    assert windows(make_columns(SETUP, 0)) == []
    got = summarise_misfire_windows(MISFIRE_WINDOWS.empty())
    assert got["per_1000_revolutions"]["worst_pct"] is None


def test_a_recording_shorter_than_a_window_is_one_window():
    rows = windows(make_columns(SETUP, 30))
    assert [(r["revolutions"], r["n_due"]) for r in rows] == [(200, 120), (1000, 120)]
