import numpy as np
import pytest

from miner.schema import INCIDENTS, SUSPECTS
from miner.suspects.incidents import BURST_CYCLES, group_incidents
from tests.suspects.made_up import make_columns, make_setup, to_events, to_suspects

SETUP = make_setup(roles=("supply",))


def group(entries, setup=SETUP, n_cycles=3000, rpm=1500.0, change=None):
    columns = make_columns(setup, n_cycles, rpm)
    if change:
        change(columns)
    suspects, incidents = group_incidents(to_suspects(columns, entries), to_events(columns), setup)
    SUSPECTS.validate(suspects)
    INCIDENTS.validate(incidents)
    numbers = dict(zip(suspects["event_id"].to_pylist(), suspects["incident_id"].to_pylist(), strict=True))
    return numbers, incidents.to_pylist()


def at(cycle, slot):
    return 4 * cycle + slot


def test_no_suspects_no_incidents():
    numbers, incidents = group([])
    assert numbers == {}
    assert incidents == []


def test_a_burst_on_one_cylinder_is_one_incident():
    burst = [at(c, 1) for c in (500, 501, 503, 540, 580)]
    numbers, incidents = group([(e, "absent_feedback", 1e-3) for e in burst])
    assert set(numbers.values()) == {1}
    (one,) = incidents
    assert (one["n_events"], one["cylinders"], one["kinds"]) == (5, [3], ["absent_feedback"])
    assert one["start_s"] < one["end_s"]
    assert "Cylinder 3: absent feedback in 5 of 81 due events" in one["sentence"]


@pytest.mark.parametrize("rpm", [200.0, 800.0, 6000.0])
def test_the_reach_is_counted_in_cycles_not_seconds(rpm):
    near, far = int(BURST_CYCLES) - 1, int(BURST_CYCLES) + 2
    entries = [(at(c, 1), "absent_feedback", 1e-3) for c in (100, 100 + near, 100 + near + far)]
    numbers, _ = group(entries, rpm=rpm)
    assert numbers[at(100, 1)] == numbers[at(100 + near, 1)] != numbers[at(100 + near + far, 1)]


def test_a_stop_ends_a_burst():
    def stop(columns):
        columns["time_s"][at(501, 0) :] += 30.0

    entries = [(at(500, 1), "absent_feedback", 1e-3), (at(501, 1), "absent_feedback", 1e-3)]
    assert len(group(entries)[1]) == 1
    assert len(group(entries, change=stop)[1]) == 2


def test_all_cylinders_at_one_moment_are_one_incident():
    entries = [(at(700, s), kind, 1e-2) for s, kind in enumerate(["supply_sag", "late_feedback"] * 2)]
    numbers, incidents = group(entries)
    assert set(numbers.values()) == {1}
    assert incidents[0]["cylinders"] == [1, 2, 3, 4]


def test_cylinders_far_apart_in_time_stay_apart():
    numbers, _ = group([(at(700, 0), "absent_feedback", 1e-3), (at(710, 1), "absent_feedback", 1e-3)])
    assert len(set(numbers.values())) == 2


def test_a_cylinder_in_trouble_all_the_time_does_not_swallow_the_others():
    """With every tenth event of slot 0 suspicious, a coincidence with slot 2 tells nothing."""
    constant = [(at(c, 0), "absent_feedback", 1e-3) for c in range(0, 3000, 10)]
    numbers, incidents = group([*constant, (at(1001, 2), "short_on_time", 1e-4), (at(2000, 2), "short_on_time", 1e-4)])
    assert incidents[2]["n_events"] == 300
    assert numbers[at(1001, 2)] != numbers[at(1000, 0)]


def test_repeated_dips_link_the_cylinders_though_each_has_many():
    dips = [(at(c, s), "late_feedback", 1e-3) for c in range(60, 3000, 60) for s in range(4)]
    _, incidents = group(dips)
    assert len(incidents) == len(range(60, 3000, 60))
    assert all(i["n_events"] == 4 for i in incidents)


def test_fillers_have_no_incident_and_chain_nothing():
    fillers = [(at(c, 1), "late_feedback", 300.0) for c in range(400, 480, 2)]
    real = [(at(399, 1), "absent_feedback", 1e-3), (at(480, 1), "absent_feedback", 1e-3)]
    numbers, incidents = group([*real, *fillers])
    assert len(incidents) == 2
    assert [numbers[e] for e, _, _ in fillers] == [None] * len(fillers)


def test_a_mild_neighbour_of_the_same_kind_joins():
    numbers, incidents = group([(at(400, 1), "absent_feedback", 1e-3), (at(401, 1), "weak_feedback", 40.0)])
    assert numbers == {at(400, 1): 1, at(401, 1): 1}
    assert incidents[0]["n_events"] == 2


@pytest.mark.parametrize(
    ("event", "kind", "rate"),
    [
        (at(403, 1), "weak_feedback", 40.0),  # not adjacent
        (at(401, 1), "short_on_time", 40.0),  # another family
        (at(401, 2), "weak_feedback", 40.0),  # another cylinder
        (at(401, 1), "weak_feedback", 4000.0),  # so mild that chance puts it there
    ],
)
def test_mild_suspects_that_do_not_join(event, kind, rate):
    numbers, _ = group([(at(400, 1), "absent_feedback", 1e-3), (event, kind, rate)])
    assert numbers == {at(400, 1): 1, event: None}


def test_the_neighbours_answer_joins():
    numbers, incidents = group([(at(400, 1), "absent_command", 1e-3), (at(400, 2), "uneven_interval", 20.0)])
    assert numbers[at(400, 2)] == 1
    assert incidents[0]["kinds"] == ["absent_command", "uneven_interval"]


def test_listed_mild_suspects_are_incidents_of_their_own():
    numbers, incidents = group([(at(400, 1), "weak_command", 5.0), (at(900, 2), "late_feedback", 9.0)])
    assert numbers == {at(400, 1): 1, at(900, 2): 2}
    assert [i["false_alarms_per_hour"] for i in incidents] == [5.0, 9.0]


def test_incident_1_holds_rank_1_and_numbers_follow_the_best_rank():
    rng = np.random.default_rng(4)
    chosen, rates = rng.choice(12000, 60, replace=False), rng.uniform(1e-4, 9, 60)
    entries = [(int(e), "absent_feedback", float(r)) for e, r in zip(chosen, rates, strict=True)]
    _, incidents = group(entries)
    ranks = [i["best_rank"] for i in incidents]
    assert ranks[0] == 1
    assert ranks == sorted(ranks)
    assert [i["incident_id"] for i in incidents] == list(range(1, len(incidents) + 1))
    assert sum(i["n_events"] for i in incidents) == 60


def test_the_order_of_equal_suspects_changes_nothing():
    entries = [(at(c, s), "absent_feedback", 1e-3 + 1e-6 * c + 1e-7 * s) for c in (100, 120, 400) for s in (0, 1)]
    assert group(entries) == group(entries[::-1])


def test_unknown_cylinders_are_told_apart_by_their_place():
    setup = make_setup(commands=())

    def forget(columns):
        columns["cylinder"] = np.full(len(columns["slot"]), None)

    burst = [(at(c, 2), "absent_feedback", 1e-3) for c in (500, 510, 520)]
    _, (one,) = group(burst, setup=setup, change=forget)
    assert one["cylinders"] == []
    assert one["sentence"].startswith("A cylinder that cannot be told: absent feedback in 3 of 21")
    assert one["codes"][0] == "P0300"


def test_low_supply_shows_in_the_evidence():
    def sag(columns):
        columns["supply_v"][at(700, 0) : at(702, 0)] -= 2.5

    entries = [(at(700, s), "long_on_time", 1e-2) for s in range(4)]
    _, (one,) = group(entries, change=sag)
    assert "supply" in one["circuit"]
    assert "2.5 V below" in one["evidence_for"]
    _, (other,) = group(entries)
    assert "as usual (13.8 V), which speaks against the supply" in other["evidence_against"]


def test_paired_coils_name_both_cylinders_in_the_codes():
    setup = make_setup(commands=(1, 3), layout="paired")
    columns = make_columns(setup, 500)
    suspects = to_suspects(columns, [(100, "absent_feedback", 1e-3)])
    _, incidents = group_incidents(suspects, to_events(columns), setup)
    assert set(incidents["codes"][0].as_py()) >= {"P0301", "P0304", "P0350", "P0351-P0352"}


def test_thousands_of_suspects_are_grouped():
    rng = np.random.default_rng(9)
    events = rng.choice(12000, 5000, replace=False)
    _, incidents = group([(int(e), "absent_feedback", 1e-3 + 1e-9 * k) for k, e in enumerate(events)])
    assert sum(i["n_events"] for i in incidents) == 5000
