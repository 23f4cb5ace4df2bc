import numpy as np
import pytest

import miner.events.rows as rows
from miner.review.content import events_between, open_page, usual_for
from miner.review.figures import figure_data, map_data
from miner.review.source import ReviewSource
from tests.review.made import DELAY_US, make_findings


def test_the_map_tells_speed_supply_states_and_gaps(source):
    header, arrays = map_data(source)
    assert header["states"][0][2] == "steady"
    assert header["states"][1][2] == "accelerating"
    assert header["gaps"] == [[pytest.approx(4.8), pytest.approx(5.04), 1]]
    assert header["supply_name"] == "lead_4"
    np.testing.assert_allclose(arrays["map_supply_v"], 13.8, atol=0.01)
    assert (arrays["map_rpm_low"] <= arrays["map_rpm_high"]).all()
    assert 1500 <= arrays["map_rpm_low"].min() < arrays["map_rpm_high"].max() <= 2500
    assert len(arrays["map_time_s"]) == 23, "half a second a bin"


@pytest.mark.parametrize("piece", [1, 37, 512])
def test_pictures_do_not_depend_on_the_pieces(source, monkeypatch, piece):
    whole = [*map_data(source), *figure_data(source)]
    monkeypatch.setattr(rows, "PIECE_EVENTS", piece)
    for of_whole, of_pieces in zip(whole, [*map_data(source), *figure_data(source)], strict=True):
        assert of_whole.keys() == of_pieces.keys()
        for name, values in of_whole.items():
            if isinstance(values, np.ndarray):
                np.testing.assert_allclose(of_pieces[name], values, rtol=1e-6, err_msg=name)
            else:
                assert of_pieces[name] == values


def test_bars_count_every_event_once(source):
    header, _ = figure_data(source)
    n_below = sum(r <= 1 for r in source.suspects["false_alarms_per_hour"].to_pylist())
    for bars in header["when"].values():
        assert sum(bar["n_events"] for bar in bars) == source.events.num_rows
        assert sum(bar["n_suspects"] for bar in bars) == n_below
        for bar in bars:
            assert bar["low"] <= bar["per_thousand"] <= bar["high"]


def test_scatters_hold_healthy_and_odd_events_per_cylinder(source):
    header, arrays = figure_data(source)
    assert header["cylinders"] == [1, 2, 3, 4]
    assert np.nanmax(arrays["delay_1"]) == pytest.approx(1.5 * DELAY_US)
    assert np.isnan(arrays["on_2"]).all()
    assert (np.diff(arrays["rate"]) >= 0).all(), "worst first"


def test_events_of_a_view_have_a_neighbour_at_each_side_unless_there_are_too_many(source):
    events = events_between(source, 1.0, 1.1)
    assert events[0]["time_s"] < 1.0
    assert events[-1]["time_s"] > 1.1
    assert events_between(source, 0.0, 12.0) is None
    assert events_between(source, -5.0, -4.0)[0]["event_id"] == 0


def test_the_opening_is_complete(source):
    header, _ = open_page(source)
    first = header["suspects"][0]
    assert first["event"]["event_id"] == first["event_id"]
    assert first["usual_measures"]["on_time_us"] == [3170.0, 0.5]
    assert header["typical"]["1"]["delay_us"] == pytest.approx(DELAY_US, rel=0.01)
    assert header["typical"]["2"]["delay_us"] is None
    assert header["leads"][3]["range"] == [pytest.approx(13.72, abs=0.05), pytest.approx(13.88, abs=0.05)]


def test_the_usual_pulse_of_the_nearest_speed_is_taken(source):
    slow, _ = usual_for(source, 1, 1500.0)
    fast, _ = usual_for(source, 1, 2500.0)
    assert slow["rpm_high"] < fast["rpm_high"]


def test_silences_reach_the_page(tmp_path):
    folder = make_findings(tmp_path, duration_s=3.0, rate_hz=50_000.0, silences=True)
    header, _ = open_page(ReviewSource(folder))
    assert [one["looks_like"] for one in header["silences"]] == ["stop", "cut_out", "clip_off"]
    assert header["silences"][2]["stop_s"] is None
    assert header["incidents"][0]["kinds"] == ["cut_out"]


def test_findings_without_silences_are_shown_all_the_same(source):
    header, _ = open_page(source)
    assert header["silences"] == []


def test_what_is_too_small_to_matter_reaches_the_page(findings):
    header, _ = open_page(ReviewSource(findings, summary={"ranking": {"n_too_small_to_matter": 12}}))
    assert header["too_small"].startswith("12 more events are rare")
    assert open_page(ReviewSource(findings))[0]["too_small"] == ""
