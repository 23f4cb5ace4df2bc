"""Real engine captures, where they are at hand: every pulse of an independent list must be found."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from miner.recording.reader import open_recording
from miner.signal.leads import LeadSpec
from tests.signal.made import column, extracted

FOLDER = Path(os.environ.get("IGNITION_CAPTURES") or Path(__file__).parents[3] / "shared" / "captures")

CASES = [
    ("cranking_two_coils_1msps", "coil_a", "command"),
    ("cranking_two_coils_1msps", "coil_b", "command"),
    ("cranking_two_coils_1msps", "cam_2", "feedback"),
    ("cranking_two_coils_4msps", "coil_a", "command"),
    ("cranking_two_coils_4msps", "coil_b", "command"),
    ("cranking_two_coils_4msps", "cam", "feedback"),
    ("crank_60_2_start_500ksps", "ch1", "command"),
    ("crank_60_2_start_500ksps", "crank", "feedback"),
]


@pytest.mark.skipif(not FOLDER.is_dir(), reason="the captures are not on this machine (IGNITION_CAPTURES)")
@pytest.mark.parametrize(("name", "lead", "role"), CASES)
def test_every_pulse_of_a_real_capture(name, lead, role):
    recording = open_recording(FOLDER / f"{name}.parquet")
    pulses = extracted(recording, [LeadSpec(index=0, column=lead, role=role, active="high")])
    known = pq.read_table(FOLDER / f"{name}.reference.parquet").to_pandas()
    known = known[known["channel"] == lead].reset_index(drop=True)
    pauses = known["rise_s"].to_numpy()[1:] - known["fall_s"].to_numpy()[:-1]
    joined = np.concatenate(([False], pauses < 60e-6)) | np.concatenate((pauses < 60e-6, [False]))
    real = known[(known["width_s"] >= 25e-6) & ~joined]  # shorter is crosstalk; shorter pauses are closed
    starts, stops = column(pulses, "start_s"), column(pulses, "stop_s")
    at = np.abs(starts[:, None] - real["rise_s"].to_numpy()).argmin(axis=0)
    within_s = 0.76 / recording.rate_hz  # the source's own grid and ours
    assert np.abs(starts[at] - real["rise_s"].to_numpy()).max() < within_s
    assert np.abs(stops[at] - real["fall_s"].to_numpy()).max() < within_s
    assert len(starts) - len(real) <= joined.sum() // 2
