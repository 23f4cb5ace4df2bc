import numpy as np
import pyarrow as pa
import pytest

from miner.questions.cylinder_differences import find_standing
from miner.schema import STANDING
from tests.suspects.made_up import make_columns, make_setup, to_events

SETUP = make_setup(roles=("supply",))


def standing(columns, setup=SETUP):
    table = find_standing(to_events(columns), setup)
    assert STANDING.validate(table).num_rows == table.num_rows
    return table.to_pylist()


def notable(rows):
    return {(r["cylinder"], r["measure"]) for r in rows if r["notable"]}


def row_of(rows, cylinder, measure):
    (row,) = [r for r in rows if r["cylinder"] == cylinder and r["measure"] == measure]
    return row


def drive(n_cycles, seed):
    """Speed that wanders between 900 and 3,500 rpm, with on-time and noise that follow it."""
    rng = np.random.default_rng(seed)
    walk = np.cumsum(rng.standard_normal(n_cycles))
    return 2200 + 1300 * np.sin(walk / 40)


def columns_of_a_drive(seed=1, n_cycles=4000, setup=SETUP):
    rpm = drive(n_cycles, seed)
    columns = make_columns(setup, n_cycles, rpm, seed=seed)
    columns["on_time_us"] = columns["on_time_us"] * (1 + 0.3 * (columns["engine_rpm"] < 1500)) + 0.2 * (
        3500 - columns["engine_rpm"]
    )
    return columns


def cylinder(columns, number):
    return columns["cylinder"] == number


def test_a_healthy_engine_has_no_notable_difference():
    for seed in range(4):
        assert notable(standing(columns_of_a_drive(seed))) == set()


@pytest.mark.parametrize(
    ("column", "factor", "measure"),
    [
        ("feedback_amplitude_v", 0.85, "feedback_amplitude_v"),
        ("on_time_us", 0.93, "on_time_us"),
        ("delay_us", 1.12, "delay_us"),
        ("feedback_width_us", 0.8, "feedback_width_us"),
    ],
)
def test_a_permanently_odd_cylinder_shows(column, factor, measure):
    columns = columns_of_a_drive()
    columns[column][cylinder(columns, 4)] *= factor
    rows = standing(columns)
    assert notable(rows) == {(4, measure)}
    top = rows[0]
    assert (top["cylinder"], top["measure"]) == (4, measure)
    assert top["low"] <= top["difference"] <= top["high"]
    assert (top["difference"] > 0) == (factor > 1)
    assert top["sentence"].startswith("Cylinder 4: ")


def test_jitter_of_one_cylinder_shows():
    columns = columns_of_a_drive()
    rng = np.random.default_rng(8)
    columns["delay_us"] += 9 * rng.standard_normal(columns["slot"].size) * cylinder(columns, 3)
    assert notable(standing(columns)) == {(3, "jitter of delay_us")}


def test_many_absences_of_one_cylinder_show():
    columns = columns_of_a_drive()
    lost = np.flatnonzero(cylinder(columns, 2))[::150]
    for row in lost:
        columns["feedback_seen"][row] = False
    row = row_of(standing(columns), 2, "share of absent feedbacks")
    assert row["notable"]
    assert row["value"] == pytest.approx(1000 * len(lost) / 4000)
    assert row["others"] == 0


def test_a_steady_change_of_speed_is_not_a_difference_of_the_later_cylinders():
    """On-time falls by 1 us from event to event: unmatched, slot 3 would lie 3 us below slot 0."""
    columns = make_columns(SETUP, 2000)
    columns["on_time_us"] = 9000.0 - np.arange(8000.0)
    for row in standing(columns):
        if row["measure"] == "on_time_us":
            assert abs(row["difference"]) < 1e-6


def test_a_difference_beyond_chance_but_too_small_to_matter_is_not_notable():
    columns = columns_of_a_drive()
    columns["on_time_us"][cylinder(columns, 3)] *= 1.005
    row = row_of(standing(columns), 3, "on_time_us")
    assert row["p_adjusted"] < 0.01
    assert row["low"] > 0
    assert not row["notable"]
    assert "no difference that matters" in row["sentence"]


def test_a_few_wild_events_move_nothing():
    columns = columns_of_a_drive()
    columns["on_time_us"][np.flatnonzero(cylinder(columns, 3))[:60:2]] = 50.0
    assert notable(standing(columns)) == set()


def test_intervals_cover_the_true_difference_as_often_as_they_say():
    """Noise with memory over ten cycles, shorter than a block."""
    covered = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        columns = make_columns(SETUP, 1500, seed=seed)
        memory = np.convolve(rng.standard_normal(6009), np.ones(10) / np.sqrt(10), "valid")
        columns["on_time_us"] = 3000 + 8 * memory + 10.0 * cylinder(columns, 1)
        row = row_of(standing(columns), 1, "on_time_us")
        covered.append(row["low"] <= 10.0 <= row["high"])
    assert np.mean(covered) >= 0.88  # 95 % less three standard deviations of 60 trials


def test_one_command_lead_compares_only_what_all_cylinders_have():
    setup = make_setup(commands=(1,))
    rows = standing(make_columns(setup, 1000), setup)
    assert {r["measure"] for r in rows} == {
        "feedback_width_us",
        "feedback_amplitude_v",
        "jitter of feedback_amplitude_v",
        "timing_residual_deg",
        "jitter of timing_residual_deg",
        "share of absent feedbacks",
    }


def test_too_short_a_recording_has_no_limits():
    rows = standing(make_columns(SETUP, 100))
    row = row_of(rows, 1, "on_time_us")
    assert (row["low"], row["high"]) == (None, None)
    assert not row["notable"]


def test_cranking_and_rows_near_gaps_are_left_out():
    columns = columns_of_a_drive()
    columns["on_time_us"][: 4 * 2500][cylinder(columns, 3)[: 4 * 2500]] *= 1.5
    columns["operating_state"][: 4 * 2000] = "cranking"
    columns["quality"][4 * 2000 : 4 * 2500] = "near_gap,clipped"
    assert notable(standing(columns)) == set()


@pytest.mark.parametrize("n_cycles", [0, 1, 2])
def test_hardly_any_events(n_cycles):
    columns = make_columns(SETUP, n_cycles)
    assert notable(standing(columns)) == set()


def test_one_cylinder_has_nobody_to_be_compared_with():
    setup = make_setup(order=(1,))
    assert standing(make_columns(setup, 500), setup) == []


def test_unknown_cylinders_keep_their_place():
    setup = make_setup(commands=())
    columns = make_columns(setup, 1500)
    columns["feedback_amplitude_v"][columns["slot"] == 2] *= 0.7
    columns["cylinder"] = pa.nulls(6000, pa.int16())
    top = standing(columns, setup)[0]
    assert (top["cylinder"], top["slot"], top["notable"]) == (None, 2, True)
    assert top["sentence"].startswith("The cylinder at place 2 of the cycle: feedback amplitude")


def test_paired_coils_repeat_their_places_within_a_cycle():
    setup = make_setup(commands=(1, 3), layout="paired")
    columns = make_columns(setup, 2000)
    columns["cycle"] = columns["cycle"] // 2
    columns["on_time_us"][columns["slot"] == 1] *= 0.9
    assert (3, "on_time_us") in notable(standing(columns, setup))
