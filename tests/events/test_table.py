"""The event table: what each row carries, and what stays null."""

import numpy as np
import pytest

from miner.engine.cycles import track_cycles
from miner.events.table import build_events
from miner.schema import EVENTS
from tests.engine.layouts import engine
from tests.engine.pulse_maker import gap_table, pulse_table

INTERVAL_S = 0.015


def rows_of(n=40, *, no_command=(), no_feedback=(), start_s=1.0):
    """(lead, start, duration): command lead 0 on cylinder 1, shared feedback lead 1, 2000 rpm, four cylinders."""
    rows = []
    for k in range(n):
        at = start_s + k * INTERVAL_S
        if k % 4 == 0 and k not in no_command:
            rows.append((0, at, 0.003))
        if k not in no_feedback:
            rows.append((1, at + 0.0007, 0.0015))
    return sorted(rows, key=lambda row: row[1])


def events_of(rows, *, gaps=(), setup=None, rate_hz=1e6, **columns):
    setup = setup or engine(4)
    pulses, gaps = pulse_table(rows, **columns), gap_table(list(gaps))
    tracking = track_cycles(pulses, gaps, setup, end_s=5.0)
    return build_events(pulses, gaps, tracking, setup, rate_hz=rate_hz).to_pydict()


def test_healthy_rows():
    events = events_of(rows_of())
    assert events["event_id"] == list(range(40))
    assert events["cycle"] == [k // 4 for k in range(40)]
    assert events["cylinder"] == [1, 3, 4, 2] * 10
    assert events["command_seen"] == [True, None, None, None] * 10
    assert events["feedback_seen"] == [True] * 40
    assert events["time_s"][:3] == pytest.approx([1.0, 1.0157, 1.0307])  # feedback's own edge without a command lead
    assert events["on_time_us"][:2] == [pytest.approx(3000.0), None]
    assert events["delay_us"][:2] == [pytest.approx(700.0), None]
    assert events["feedback_width_us"] == pytest.approx([1500.0] * 40)
    assert events["interval_us"][:4] == [None] * 4
    assert events["interval_us"][4:] == pytest.approx([60_000.0] * 36)
    assert events["engine_rpm"] == pytest.approx([2000.0] * 40)
    assert events["extra_pulses"] == [0] * 40
    assert set(events["quality"]) == {""}
    assert set(events["operating_state"]) == {"steady"}


def test_absent_feedback_keeps_what_the_command_shows():
    events = events_of(rows_of(no_feedback={8}))
    assert events["command_seen"][8] is True
    assert events["feedback_seen"][8] is False
    assert events["on_time_us"][8] == pytest.approx(3000.0)
    assert events["delay_us"][8] is None
    assert events["interval_us"][8] == pytest.approx(60_000.0)


def test_absent_command_is_due_where_its_feedback_says():
    events = events_of(rows_of(no_command={8}))
    assert events["command_seen"][8] is False
    assert events["feedback_seen"][8] is True
    assert events["time_s"][8] == pytest.approx(1.0 + 8 * INTERVAL_S, abs=1e-6)
    assert events["on_time_us"][8] is None


def test_wholly_absent_event_has_its_due_time_and_no_interval_on_either_side():
    events = events_of(rows_of(no_feedback={9}))
    assert events["cylinder"][9] == 3
    assert events["feedback_seen"][9] is False
    assert events["time_s"][9] == pytest.approx(1.0007 + 9 * INTERVAL_S, abs=1e-5)
    assert events["interval_us"][9] is None
    assert events["interval_us"][13] is None
    assert events["interval_us"][17] == pytest.approx(60_000.0)
    assert events["feedback_width_us"][9] is None
    assert events["timing_residual_deg"][9] is None


def test_interval_is_null_over_a_stop():
    rows = rows_of(20) + rows_of(20, start_s=2.5)
    events = events_of(rows)
    assert len(events["event_id"]) == 40
    assert events["interval_us"][20:24] == [None] * 4
    assert events["interval_us"][24] == pytest.approx(60_000.0)


def test_gap_leaves_nulls_and_is_told_in_quality():
    kept = [r for r in rows_of() if not (r[0] == 1 and 1.20 < r[1] < 1.26)]
    events = events_of(kept, gaps=[(1, 1.199, 1.261)])
    assert False not in events["feedback_seen"]
    inside = [k for k, at in enumerate(events["time_s"]) if 1.20 < at < 1.26]
    assert inside
    assert all(events["feedback_seen"][k] is None for k in inside)
    assert all("near_gap" in events["quality"][k] for k in inside)
    assert events["quality"][0] == ""


def test_late_event_shows_in_its_residual_alone():
    rows = rows_of()
    index = rows.index((1, 1 + 21 * INTERVAL_S + 0.0007, 0.0015))
    rows[index] = (1, rows[index][1] + 4 / 12_000, 0.0015)  # 4 degrees at 12 degrees a millisecond
    residual = events_of(rows)["timing_residual_deg"]
    assert residual[21] == pytest.approx(4.0, abs=0.05)
    assert max(abs(r) for k, r in enumerate(residual) if r is not None and k != 21) < 0.1


def test_supply_comes_from_the_command_and_else_from_the_feedback():
    rows = rows_of()
    supply = np.where(np.array([r[0] for r in rows]) == 0, 12.5, 13.5)
    assert events_of(rows, supply_v=supply)["supply_v"] == [12.5, 13.5, 13.5, 13.5] * 10


def test_quality_joins_pulse_and_row_reasons_in_one_order():
    rows = rows_of()
    quality = ["clipped" if r[0] == 0 else "" for r in rows]
    events = events_of(rows, rate_hz=6000.0, quality=quality)  # 18 and 9 samples in a pulse
    assert events["quality"][0] == "clipped,slow_sampling"
    assert events["quality"][1] == "slow_sampling"


def test_lone_pulse_has_no_speed():
    events = events_of([(0, 1.0, 0.003)])
    assert events["engine_rpm"] == [None]
    assert events["operating_state"] == ["unknown"]
    assert events["quality"] == ["no_speed"]


def test_no_pulses_make_an_empty_table_of_the_declared_columns():
    assert list(events_of([])) == [c.name for c in EVENTS.columns]


def test_segment_changes_over_a_stop_and_a_gap_of_all_leads_only():
    rows = rows_of(40) + rows_of(20, start_s=2.5)
    assert events_of(rows)["segment"] == [0] * 40 + [1] * 20
    lost = [row for row in rows if not 1.2 < row[1] < 1.26]
    everywhere = events_of(lost, gaps=[(None, 1.199, 1.261)])
    assert [everywhere["segment"][k] for k, at in enumerate(everywhere["time_s"]) if at < 1.199] == [0] * 14
    assert {everywhere["segment"][k] for k, at in enumerate(everywhere["time_s"]) if 1.27 < at < 2.0} == {1}
    assert everywhere["segment"][-1] == 2
    one_lead = events_of([row for row in lost if row[0] == 1 or row[1] > 1.3], gaps=[(0, 1.199, 1.261)])
    assert one_lead["segment"][:38] == [0] * 38
