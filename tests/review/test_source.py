import json
import shutil

import pytest

from miner.errors import FindingsError
from miner.review.source import ReviewSource, clock_of
from miner.review.tables import CLOCK
from miner.schema import GAPS
from tests.review.made import fill

RATE = 1000.0


def test_gaps_of_one_lead_cost_no_samples():
    gaps = fill(GAPS, [{"lead": 1, "start_s": 0.01, "stop_s": 0.02}])
    assert clock_of(RATE, gaps, CLOCK.empty()).nearest(0.05) == 50


def test_a_moved_recording_is_found_beside_the_findings_or_said_to_be_missing(findings, tmp_path):
    folder = shutil.copytree(findings, tmp_path / "findings")
    info = json.loads((folder / "recording.json").read_text())
    (folder / "recording.json").write_text(json.dumps({**info, "path": "/nowhere/drive.parquet"}))
    lost = ReviewSource(folder)
    assert lost.recording is None
    assert "/nowhere/drive.parquet" in lost.missing[0]
    shutil.copy(findings.parent / "drive.parquet", tmp_path)
    assert ReviewSource(folder).recording is not None


def test_another_recording_of_the_same_name_is_not_shown(findings, tmp_path):
    folder = shutil.copytree(findings, tmp_path / "findings")
    info = json.loads((folder / "recording.json").read_text())
    (folder / "recording.json").write_text(json.dumps({**info, "identity": "another"}))
    source = ReviewSource(folder)
    assert source.recording is None
    assert "another recording" in source.missing[0]


def test_an_unfinished_folder_is_an_error_with_a_remedy(tmp_path):
    with pytest.raises(FindingsError, match="run 'ignition-miner mine'"):
        ReviewSource(tmp_path)
