import json
import shutil

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from miner.engine.setup import parse_setup
from miner.findings.store import Findings
from miner.recording.reader import open_recording
from miner.review.source import RECORDING_FILE, ReviewSource, shown_recording
from miner.review.views import ViewReader
from miner.schema import EVENTS, GAPS, INCIDENTS, SUSPECTS
from tests.naive_review import extremes
from tests.review.made import fill

RATE = 200_000.0


@pytest.fixture(scope="module")
def volts(findings):
    table = pq.read_table(findings.parent / "drive.parquet")
    return [column.to_numpy() * np.float32(0.005) for column in table.columns]


@pytest.fixture
def reader(source):
    return ViewReader(source)


def test_close_views_are_the_true_samples(reader, volts):
    view = reader.view(3.0, 3.001, 800)
    first = round(view.times_s[0] * RATE)
    assert view.step == 1
    assert view.times_s[0] < 3.0 < 3.001 < view.times_s[-1]
    np.testing.assert_allclose(np.diff(view.times_s), 1 / RATE, atol=1e-9)
    for lead, values in view.values.items():
        np.testing.assert_allclose(values, volts[lead][first : first + len(values)], rtol=1e-6)


@pytest.mark.parametrize(
    ("start_s", "stop_s", "pixels"), [(1.0, 1.5, 500), (2.3, 5.0, 500), (0.0, 12.0, 300), (0.0, 12.0, 100)]
)
def test_far_views_are_exact_extremes_of_blocks(reader, volts, start_s, stop_s, pixels):
    view = reader.view(start_s, stop_s, pixels)
    assert view.step > 1
    assert view.step <= (stop_s - start_s) * RATE / pixels * 1.01
    first = round(view.times_s[0] * RATE)
    assert first % view.step == 0, "blocks keep their place while panning"
    for lead, values in view.values.items():
        low, high = extremes(volts[lead][first : first + view.step * len(view.times_s)].tolist(), view.step)
        np.testing.assert_allclose(values[0 : 2 * len(low) : 2], low, rtol=1e-6)
        np.testing.assert_allclose(values[1 : 2 * len(high) : 2], high, rtol=1e-6)


def test_a_quick_view_of_much_unread_is_coarse_and_says_so(source):
    fresh = ViewReader(source)
    quick = fresh.view(0.0, 8.0, 500, quick=True)
    assert not quick.exact
    assert quick.step == 4096
    assert fresh.view(0.0, 8.0, 500).exact
    assert fresh.view(0.0, 8.0, 500, quick=True).exact, "what was read stays at hand"


def test_the_first_look_at_a_suspect_needs_no_recording_and_shows_its_samples(source, volts, monkeypatch):
    fresh = ViewReader(source)
    monkeypatch.setattr("miner.review.views.read_windows", lambda *_: pytest.fail("the recording was read"))
    for row in source.suspects.slice(0, 5).to_pylist():
        pulse_s = 0.00309  # of the made-up events: delay and feedback width
        start, stop = row["time_s"] - 0.35 * pulse_s, row["time_s"] + 1.5 * pulse_s
        margin = (stop - start) / 4
        view = fresh.view(start - margin, stop + margin, 1500, quick=True)
        assert view.step == 1
        assert not view.exact, "what lies beyond the picture follows"
        assert view.times_s[0] <= start + 0.15 * (stop - start)
        assert view.times_s[-1] >= stop - 0.15 * (stop - start)
        first = round(view.times_s[0] * RATE)
        for lead, values in view.values.items():
            np.testing.assert_allclose(values, volts[lead][first : first + len(values)], rtol=1e-6)


def test_beyond_the_recording_there_is_nothing(reader):
    assert len(reader.view(50.0, 60.0, 500).times_s) == 0


def test_without_the_recording_windows_and_envelope_remain(findings, tmp_path, source):
    folder = shutil.copytree(findings, tmp_path / "findings")
    info = json.loads((folder / RECORDING_FILE).read_text())
    (folder / RECORDING_FILE).write_text(json.dumps({**info, "path": "/nowhere/x.parquet"}))
    alone = ViewReader(ReviewSource(folder))
    time_s = source.suspects["time_s"][0].as_py()
    close = alone.view(time_s - 0.0005, time_s + 0.003, 800)
    assert close.partial
    assert close.step == 1
    true = ViewReader(source).view(time_s - 0.0005, time_s + 0.003, 800)
    place = np.searchsorted(true.times_s, close.times_s[0] - 1e-9)
    np.testing.assert_allclose(close.values[1], true.values[1][place : place + len(close.times_s)], rtol=1e-6)
    far = alone.view(0.0, 12.0, 100)
    assert not far.partial
    np.testing.assert_array_equal(far.values[0], ViewReader(source).view(0.0, 12.0, 100).values[0])
    between = alone.view(5.0, 5.3, 800)
    assert between.partial
    assert between.step == 4096


def test_no_line_crosses_a_gap_in_time(tmp_path):
    times = np.arange(1000) / 1000.0
    times[500:] += 2.0
    data = pa.table({"time_s": times, "a": np.where(np.arange(1000) == 700, np.nan, 1.0)})
    pq.write_table(data, tmp_path / "r.parquet")
    setup = parse_setup(
        {"engine": {"cylinders": 1, "firing_order": [1]}, "channel": [{"column": "a", "role": "feedback"}]}
    )
    findings = Findings(tmp_path / "f")
    for table in (EVENTS, SUSPECTS, INCIDENTS):
        findings.write_table(table, table.empty())
    findings.write_table(GAPS, fill(GAPS, [{"lead": None, "start_s": 0.499, "stop_s": 2.5}]))
    findings.write_json(RECORDING_FILE, shown_recording(open_recording(tmp_path / "r.parquet"), setup))
    findings.write_json("summary.json", {})
    view = ViewReader(ReviewSource(findings.folder)).view(0.0, 3.0, 400)
    missing = view.times_s[np.isnan(view.values[0])]
    np.testing.assert_allclose(missing, [0.5, 2.7], atol=1e-6)
    np.testing.assert_allclose(view.times_s[-1], 2.999, atol=1e-6)
