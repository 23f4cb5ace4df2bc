"""Real engine captures, where they are at hand, all the way: checked, held against their setup, mined to events."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
import pytest

from miner.engine.setup import parse_setup
from miner.mining.steps import mine_recording
from miner.recording.importing import import_recording
from miner.recording.reader import open_recording

FOLDER = Path(os.environ.get("IGNITION_CAPTURES") or Path(__file__).parents[3] / "shared" / "captures")
pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="the captures are not on this machine (IGNITION_CAPTURES)")

CAMS = {"cranking_two_coils_4msps": {"crank": "crank", "cam": "cam"}, "cranking_two_coils_1msps": {"cam_2": "cam"}}


@pytest.mark.parametrize("name", CAMS)
def test_two_coils_for_four_cylinders(name, tmp_path):
    channel = [{"column": f"coil_{x}", "role": "command", "cylinder": n} for x, n in (("a", 1), ("b", 3))]
    channel += [{"column": column, "role": role} for column, role in CAMS[name].items()]
    engine = {"cylinders": 4, "firing_order": [1, 3, 4, 2], "layout": "paired"}
    setup = parse_setup({"engine": engine, "channel": channel})
    summary = mine_recording(FOLDER / f"{name}.parquet", setup, tmp_path / "out").summary
    assert summary["setup_fit"]["fits"]
    assert {what["kind"] for what in summary["check"]} <= {"edges"}
    events = pq.read_table(tmp_path / "out" / "events.parquet").to_pandas()
    known = pq.read_table(FOLDER / f"{name}.reference.parquet").to_pandas()
    known = known[known["channel"].isin(["coil_a", "coil_b"]) & (known["width_s"] >= 25e-6)]
    seen = events[events["command_seen"]]
    for coil, cylinder in (("coil_a", 1), ("coil_b", 3)):
        of_coil = seen[seen["cylinder"] == cylinder]
        real = known[known["channel"] == coil]
        # every pulse is an event, but for a second one of a coil in one turn, which is counted with the first
        at = np.abs(of_coil["time_s"].to_numpy()[:, None] - real["rise_s"].to_numpy()).argmin(axis=1)
        assert len(set(at)) == len(of_coil)
        assert len(of_coil) + events.loc[events["cylinder"] == cylinder, "extra_pulses"].sum() == len(real)
        off_us = of_coil["on_time_us"].to_numpy() - 1e6 * real["width_s"].to_numpy()[at]
        assert np.nanmax(np.abs(off_us)) < 1.6e6 / rate_hz_of(name)


def rate_hz_of(name):
    return open_recording(FOLDER / f"{name}.parquet").rate_hz


def test_a_pickup_through_text_and_back(tmp_path):
    path = FOLDER / "crank_pickup_volts_10ksps.parquet"
    recording = open_recording(path)
    channel = recording.channels["crank_v"]
    volts = pq.read_table(path)["crank_v"].to_numpy().astype(np.float64) * channel.scale + channel.offset
    time_s = np.arange(volts.size) / recording.rate_hz
    pacsv.write_csv(pa.table({"time_s": time_s, "crank_v": volts}), tmp_path / "pickup.csv")
    import_recording([tmp_path / "pickup.csv"], tmp_path / "pickup.parquet")
    again = open_recording(tmp_path / "pickup.parquet")
    back = again.channels["crank_v"]
    read = pq.read_table(tmp_path / "pickup.parquet")["crank_v"].to_numpy().astype(np.float64)
    assert again.n_samples == volts.size
    assert again.rate_hz == pytest.approx(recording.rate_hz, rel=1e-9)
    np.testing.assert_allclose(read * back.scale + back.offset, volts, atol=1e-6)
