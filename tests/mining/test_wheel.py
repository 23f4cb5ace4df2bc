"""A recording with a crank wheel, mined from volts to findings: an ignition that is gone while the crank turns."""

from __future__ import annotations

import numpy as np
import pyarrow.parquet as pq
import pytest

from miner.engine.setup import parse_setup
from miner.mining.steps import mine_recording
from tests.recording.made import write_recording
from tests.signal.made import counts
from tests.signal.wheel_maker import Crank, line

RATE = 25_000.0
SETUP = parse_setup(
    {
        "engine": {"cylinders": 4, "firing_order": [1, 3, 4, 2]},
        "channel": [
            {"column": "c", "role": "command", "cylinder": 1},
            {"column": "f", "role": "feedback"},
            {"column": "w", "role": "crank"},
        ],
    }
)


def test_ignition_that_is_gone_while_the_crank_turns(tmp_path):
    crank = Crank.driven([0, 30, 40, 60, 61, 66, 66.2, 75], [1500, 1500, 1400, 900, 0, 0, 900, 900], RATE)
    rng = np.random.default_rng(2)
    on_deg = np.arange(720.0, crank.angle_deg[-1] - 500.0, 180.0)
    on_s = crank.at(on_deg)
    there = ((on_s < 30.0) | (on_s > 42.0)) & ((on_s < 60.2) | (on_s > 66.3))
    first = np.arange(on_s.size) % 4 == 0
    columns = {
        "c": line(crank.time_s, on_s[there & first], on_s[there & first] + 3e-3),
        "f": line(crank.time_s, on_s[there] + 1e-3, on_s[there] + 2.2e-3),
        "w": crank.wheel(60, 2),
    }
    noisy = {name: counts(volts + rng.normal(0, 0.02, volts.size)) for name, volts in columns.items()}
    scales = {name: {"scale": "0.0024", "offset": "0", "unit": "V"} for name in noisy}
    path = write_recording(tmp_path / "r.parquet", noisy, rate_hz=RATE, scales=scales)
    summary = mine_recording(path, SETUP, tmp_path / "out").summary
    assert summary["crank"]["turns"] == pytest.approx((crank.angle_deg[-1] - 100.0) / 360.0, rel=0.01)
    assert summary["crank"]["teeth_missing"] == summary["crank"]["teeth_extra"] == 0
    silences = {round(s["start_s"]): s for s in pq.read_table(tmp_path / "out" / "silences.parquet").to_pylist()}
    gone, stop = silences[30], silences[60]
    assert (gone["crank_turned"], stop["crank_turned"]) == (True, False)
    assert gone["crank_turns"] == pytest.approx(12.0 * 1440 / 60, rel=0.03)
    assert stop["looks_like"] == "stop"
    events = pq.read_table(tmp_path / "out" / "events.parquet")
    seen = events["command_seen"].fill_null(False).to_numpy()
    turn_on = events["turn_on_deg"].to_numpy()[seen]
    truth = crank.angle_at(events["time_s"].to_numpy()[seen])
    off = (turn_on - truth + 180.0) % 360.0 - 180.0
    assert np.nanmax(np.abs(off - np.nanmedian(off))) < 1.0  # a sample at 1,500 rpm is 0.36 degrees
    assert np.isfinite(turn_on).mean() > 0.95
    assert np.isfinite(events["speed_change_rpm"].to_numpy()).mean() > 0.9
