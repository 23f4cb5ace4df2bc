import numpy as np
import pytest

from miner.questions.conditions import find_conditions
from miner.questions.exact import rate_ratio
from miner.questions.repetition import find_period
from miner.questions.scan import scan_ranges
from miner.schema import CONDITIONS
from tests.suspects.made_up import make_columns, make_setup, to_events, to_suspects

SETUP = make_setup(roles=("supply",))
N = 12000


def columns_of_a_drive(n_cycles=N // 4):
    rpm = 900 + 2600 * np.abs(np.sin(np.arange(n_cycles) / 90))
    return make_columns(SETUP, n_cycles, rpm)


def conditions(columns, entries, **settings):
    table, sentences = find_conditions(to_events(columns), to_suspects(columns, entries), SETUP, **settings)
    assert CONDITIONS.validate(table).num_rows == table.num_rows
    return table.to_pylist(), sentences


def spread(columns, where, n, seed=2, apart=60):
    """Return n rows that fulfil ``where``, at least ``apart`` events from each other."""
    rng = np.random.default_rng(seed)
    chosen = []
    for row in rng.permutation(np.flatnonzero(where)):
        if all(abs(row - other) >= apart for other in chosen):
            chosen.append(int(row))
    assert len(chosen) >= n
    return chosen[:n]


def test_nothing_to_say_without_suspects():
    rows, sentences = conditions(columns_of_a_drive(), [])
    assert (rows, sentences) == ([], [])


def test_eleven_of_twelve_in_a_speed_band():
    columns = columns_of_a_drive()
    inside = (columns["engine_rpm"] >= 2200) & (columns["engine_rpm"] < 2600)
    rows = [*spread(columns, inside, 11), *spread(columns, ~inside & (columns["engine_rpm"] < 2000), 1)]
    table, sentences = conditions(columns, [(r, "absent_feedback", 0.01) for r in rows])
    speed = [s for s in sentences if "rpm" in s]
    assert len(speed) == 1
    assert speed[0].startswith("Eleven of twelve occurrences between 2,200 and 2,600 rpm, where the engine spent ")
    share = 100 * inside.mean()
    (crowd,) = [r for r in table if r["condition"] == "speed range" and r["kind"] == "all"]
    assert (crowd["low"], crowd["high"], crowd["notable"]) == (2200, 2600, True)
    assert crowd["events_pct"] == pytest.approx(share)
    ratio = rate_ratio(11, int(inside.sum()), 1, int((~inside).sum()))
    assert f"{ratio.ratio:,.3g} times as often" in speed[0]


def test_every_row_is_the_exact_ratio_of_its_counts():
    columns = columns_of_a_drive()
    rows = spread(columns, columns["engine_rpm"] > 0, 20)
    table, _ = conditions(columns, [(r, "late_feedback", 0.01) for r in rows])
    for row in table:
        rest = row["n_events"] / row["events_pct"] * 100 - row["n_events"]
        expected = rate_ratio(
            row["n_occurrences"], row["n_events"], row["n_occurrences_all"] - row["n_occurrences"], round(rest)
        )
        assert (row["ratio_low"], row["ratio_high"]) == pytest.approx(expected[1:3])
        if not row["condition"].endswith("range"):
            assert row["p_value"] == pytest.approx(expected.p_value)


def test_chance_is_not_called_a_condition():
    columns = columns_of_a_drive()
    said = 0
    for seed in range(12):
        rows = spread(columns, columns["engine_rpm"] > 0, 25, seed=seed)
        table, _ = conditions(columns, [(r, "late_feedback", 0.01) for r in rows])
        said += any(r["notable"] for r in table)
    assert said <= 4  # two families at 5 % in each recording: at most 1.2 expected, 5 or more in under 1 %


def test_one_burst_proves_no_band():
    columns = columns_of_a_drive()
    start = int(np.flatnonzero(columns["engine_rpm"] > 2500)[0])
    table, sentences = conditions(columns, [(start + 4 * k, "absent_feedback", 0.01) for k in range(12)])
    assert table == []
    assert sentences == []


def test_mild_suspects_are_left_out():
    columns = columns_of_a_drive()
    rows = spread(columns, columns["engine_rpm"] > 2500, 12)
    assert conditions(columns, [(r, "late_feedback", 8.0) for r in rows]) == ([], [])
    assert conditions(columns, [(r, "late_feedback", 8.0) for r in rows], max_false_alarms_per_hour=10.0)[0]


def test_low_supply_cold_start_state_and_cylinder():
    columns = columns_of_a_drive()
    columns["supply_v"][2000:4000] = 11.2
    columns["operating_state"][6000:7000] = "idle"
    table, sentences = conditions(
        columns,
        [(r, "long_on_time", 0.01) for r in spread(columns, columns["supply_v"] < 11.5, 8)]
        + [(r, "weak_command", 0.01) for r in spread(columns, columns["operating_state"] == "idle", 6)]
        + [(r, "late_feedback", 0.01) for r in spread(columns, columns["time_s"] < 15.0, 6, apart=41)]
        + [(r, "absent_feedback", 0.01) for r in spread(columns, columns["cylinder"] == 3, 9)],
    )
    notable = {(r["kind"], r["condition"], r["band"]) for r in table if r["notable"]}
    assert {
        ("long_on_time", "supply", "11.0 to 11.5 V supply"),
        ("weak_command", "operating state", "idle"),
        ("absent_feedback", "cylinder", "cylinder 3"),
    } <= notable
    assert any(k == "late_feedback" and c == "time since start" for k, c, _ in notable)
    assert any(
        s.startswith("Nine of nine occurrences of 'absent feedback' on cylinder 3, with 25 %") for s in sentences
    )


def test_a_restart_sets_the_time_since_start_back():
    columns = columns_of_a_drive()
    columns["time_s"][8000:] += 60.0
    rows = [*spread(columns, np.arange(N) < 100, 2, apart=45), *spread(columns, np.arange(N) // 100 == 80, 2, apart=45)]
    table, _ = conditions(columns, [(r, "late_feedback", 0.01) for r in rows])
    first = [r for r in table if r["condition"] == "time since start" and r["low"] == 0]
    assert first[0]["n_occurrences"] == first[0]["n_occurrences_all"] == 4


def test_kinds_of_one_circuit_are_looked_at_together_and_since_the_first_start():
    """Two of each kind prove nothing; eight of one circuit, all once the engine was warm and over restarts, do."""
    columns = columns_of_a_drive()
    for restart in range(2000, N, 2000):
        columns["time_s"][restart:] += 200.0
    late = columns["time_s"] > 0.75 * columns["time_s"][-1]
    rows = spread(columns, late, 8)
    kinds = ["absent_feedback", "weak_feedback", "odd_feedback_width", "late_feedback"] * 2
    table, sentences = conditions(columns, [(r, kind, 0.01) for r, kind in zip(rows, kinds, strict=True)]
                                  + [(r, "extra_pulse", 0.01) for r in spread(columns, ~late, 4)])  # fmt: skip
    notable = {(r["kind"], r["condition"]) for r in table if r["notable"]}
    assert ("any feedback", "time since first start range") in notable
    assert any("Eight of eight occurrences of any trouble with the feedback" in s and "after the first start" in s
               for s in sentences)  # fmt: skip


def test_without_a_restart_the_first_start_is_the_start():
    columns = columns_of_a_drive()
    table, _ = conditions(columns, [(r, "late_feedback", 0.01) for r in spread(columns, columns["engine_rpm"] > 0, 9)])
    assert not any("first" in r["condition"] for r in table)


def test_the_stop_is_no_running_time():
    columns = columns_of_a_drive()
    before = conditions(columns, [(r, "late_feedback", 0.01) for r in range(100, 2000, 300)])[0]
    columns["time_s"][8000:] += 600.0
    after = conditions(columns, [(r, "late_feedback", 0.01) for r in range(100, 2000, 300)])[0]
    assert [r["time_pct"] for r in before if r["condition"] == "speed"] == pytest.approx(
        [r["time_pct"] for r in after if r["condition"] == "speed"], abs=0.1
    )


def test_regular_returns_and_clusters_are_told():
    columns = make_columns(SETUP, 3000)
    regular = [4 * c for c in range(75, 3000, 150)]
    _, sentences = conditions(columns, [(r, "late_feedback", 0.01) for r in regular])
    assert "Occurrences come back regularly, about every 12 s of running time." in sentences
    assert not any("cluster" in s for s in sentences)
    clustered = [4 * c for c in range(1000, 1200, 15)]
    _, sentences = conditions(columns, [(r, "late_feedback", 0.01) for r in clustered])
    assert any(s.startswith("Occurrences cluster in time: four of five lie within 10 %") for s in sentences)


def test_chance_is_seldom_called_a_period():
    rng = np.random.default_rng(6)
    p = np.array([find_period(np.sort(rng.random(15)) * 3600, 3600.0)[1] for _ in range(300)])
    assert np.mean(p < 0.05) <= 0.08


def test_a_period_survives_jitter_and_missing_returns():
    rng = np.random.default_rng(6)
    at = np.delete(np.arange(30.0, 3600.0, 120.0), [3, 4, 11, 20])
    period, p = find_period(at + 5 * rng.standard_normal(at.size), 3600.0)
    assert period == pytest.approx(120.0, rel=0.02)
    assert p < 1e-4


def likelihood(counts, exposure, start, stop):
    n, k = sum(counts), sum(counts[start:stop])
    e = n * sum(exposure[start:stop]) / sum(exposure)
    if k <= e or e > 0.5 * n:
        return 0.0
    return k * np.log(k / e) + ((n - k) * np.log((n - k) / (n - e)) if n > k else 0.0)


def test_the_scan_finds_what_trying_every_range_finds():
    rng = np.random.default_rng(11)
    for _ in range(20):
        exposure = rng.integers(0, 9, 12).astype(float)
        counts = rng.poisson(0.4 * exposure * np.where(np.arange(12) // 3 == 2, 4, 1))
        got = scan_ranges(counts, exposure, seed=1)
        ranges = [(i, j) for i in range(12) for j in range(i + 1, 13)]
        best = max(likelihood(counts, exposure, i, j) for i, j in ranges)
        if got is None:
            assert best == 0
        else:
            assert likelihood(counts, exposure, got.start, got.stop) == pytest.approx(best)


def test_the_scan_is_honest_at_a_constant_rate():
    rng = np.random.default_rng(12)
    exposure = rng.random(15)
    found = [scan_ranges(rng.poisson(20 * exposure / exposure.sum()), exposure, seed=i) for i in range(150)]
    assert 0.005 <= np.mean([f is not None and f.p_value <= 0.05 for f in found]) <= 0.11


def test_a_cylinder_is_not_blamed_for_having_the_only_command_lead():
    setup = make_setup(commands=(3,))
    columns = make_columns(setup, N // 4)
    rows = spread(columns, columns["cylinder"] == 3, 9)
    suspects = to_suspects(
        columns, [(r, kind, 0.01) for r, kind in zip(rows, ["weak_command"] * 5 + ["unusual"] * 4, strict=True)]
    )
    table, sentences = find_conditions(to_events(columns), suspects, setup)
    assert not any(r["condition"] == "cylinder" and r["kind"] in ("all", "weak_command") for r in table.to_pylist())
    assert not any("weak" in s for s in sentences)


def test_two_occurrences_are_no_pattern():
    columns = columns_of_a_drive()
    columns["supply_v"][2000:2050] = 10.2
    rows = [2002, 2048, *spread(columns, columns["supply_v"] > 13, 4)]
    table, _ = conditions(columns, [(r, "late_feedback", 0.01) for r in rows])
    assert any(r["condition"] == "supply" and r["p_value"] < 0.001 for r in table)
    assert not any(r["condition"] == "supply" and r["notable"] for r in table)


def test_one_moment_on_all_cylinders_is_no_rhythm():
    columns = make_columns(SETUP, 3000)
    moments = np.random.default_rng(3).choice(2900, 9, replace=False)
    entries = [(int(4 * c + s), "supply_sag", 0.01) for c in moments for s in range(4)]
    _, sentences = conditions(columns, entries)
    assert not any("come back" in s or "cluster" in s for s in sentences)
