"""The library: any input gives the same findings, which are those of the command, and windows hold what was there."""

from __future__ import annotations

import doctest
import gc
import importlib
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import miner
from miner.errors import FindingsError, MinerError, RecordingError, SetupError
from miner.library.inputs import as_recording, as_table
from miner.schema import EVENTS, INCIDENTS, SUSPECTS
from pipelines.command import app

ROOT = Path(__file__).parents[2]
PLACE = ROOT / "demo_recordings" / "uneven_twin_feedback_alone"
RECORDING, SETUP = PLACE / "recording.parquet", PLACE / "setup.toml"


@pytest.fixture(scope="module")
def setup() -> miner.Setup:
    return miner.load_setup(SETUP)


@pytest.fixture(scope="module")
def mined() -> miner.Mined:
    return miner.mine(RECORDING, SETUP)


def columns() -> dict[str, np.ndarray[Any, Any]]:
    table = pq.read_table(RECORDING, partitioning=None)
    return {name: table[name].to_numpy() for name in table.column_names}


def same_findings(one: miner.Mined, other: miner.Mined) -> None:
    assert one.suspects.equals(other.suspects)
    assert one.events.equals(other.events)
    assert one.incidents.equals(other.incidents)


def test_the_command_finds_the_same(mined: miner.Mined, tmp_path: Path) -> None:
    from typer.testing import CliRunner

    out = tmp_path / "out"
    ran = CliRunner().invoke(app, ["mine", str(RECORDING), "--setup", str(SETUP), "--out", str(out)])
    assert ran.exit_code == 0, ran.output
    same_findings(mined, miner.open_findings(out))


def test_arrays_find_the_same(mined: miner.Mined, setup: miner.Setup, tmp_path: Path) -> None:
    again = miner.mine(columns(), setup, out=tmp_path / "out")
    same_findings(mined, again)
    assert (tmp_path / "out" / "recording.parquet").is_file()


def test_a_polars_frame_finds_the_same_and_what_was_temporary_goes(mined: miner.Mined) -> None:
    described = {"engine": mined.setup.engine.model_dump(), "channel": [{"column": "feedback_v", "role": "feedback"}]}
    again = miner.mine(pl.DataFrame(columns()), described)
    same_findings(mined, again)
    folder, window = again.folder, again.window(1)
    del again
    gc.collect()
    assert not folder.parent.exists()
    assert window.time_us.size


def test_an_arrow_table_keeps_scale_and_rate(tmp_path: Path) -> None:
    place = ROOT / "demo_recordings" / "six_cylinders_one_command"
    table = pq.read_table(place / "recording.parquet", partitioning=None)
    path = as_recording(table, miner.load_setup(place / "setup.toml"), tmp_path / "copy.parquet")
    kept, given = miner.open_recording(path), miner.open_recording(place / "recording.parquet")
    assert (kept.channels, kept.rate_hz, kept.n_samples) == (given.channels, given.rate_hz, given.n_samples)


def test_a_pandas_frame_makes_the_same_recording(setup: miner.Setup, tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas")
    frame = pandas.DataFrame(columns())
    for name, given in (("plain", frame), ("by_time", frame.set_index("time_s"))):
        path = as_recording(given, setup, tmp_path / f"{name}.parquet")
        kept = pq.read_table(path, partitioning=None)
        assert kept.column_names == ["time_s", "feedback_v"]
        assert kept.equals(pq.read_table(RECORDING, partitioning=None).select(kept.column_names))


def test_tables_are_the_declared_ones(mined: miner.Mined) -> None:
    for frame, declared in ((mined.events, EVENTS), (mined.suspects, SUSPECTS), (mined.incidents, INCIDENTS)):
        assert isinstance(frame, pl.DataFrame)
        assert frame.columns == declared.schema.names
    for name in ("standing", "conditions", "misfire_windows", "sensitivity", "gaps", "silences"):
        assert isinstance(getattr(mined, name), pl.DataFrame)
    assert mined.summary["counts"]["suspects"]["listed"] == mined.suspects.height
    assert mined.warnings == mined.summary["warnings"]


def test_planted_faults_lead_the_list(mined: miner.Mined) -> None:
    planted = pl.read_parquet(PLACE / "truth_faults.parquet")["time_s"].to_numpy()
    first = mined.suspects.head(planted.size)["time_s"].to_numpy()
    assert all(np.min(np.abs(first - time_s)) < 0.05 for time_s in planted)


def of_the_recording(window: miner.Window) -> np.ndarray[Any, Any]:
    """Return the volts that the file has at the window's instants."""
    known = columns()
    time_s = window.time_us * 1e-6 + window.event["time_s"]
    first = np.searchsorted(known["time_s"] - known["time_s"][0], time_s[0] - 25e-6)
    return np.asarray(known["feedback_v"][first : first + time_s.size])


def test_a_window_holds_the_volts_of_the_recording(mined: miner.Mined) -> None:
    window = mined.window(2)
    assert window.suspect["rank"] == 2
    assert window.event["event_id"] == window.suspect["event_id"]
    assert np.ptp(window.volts["feedback_v"]) > 1.0
    assert np.array_equal(window.volts["feedback_v"], of_the_recording(window))


def test_edges_lie_where_the_volts_cross(mined: miner.Mined) -> None:
    ranks = mined.suspects.filter(pl.col("kind") != "absent_feedback")["rank"].to_list()
    window = mined.window(ranks[0])
    volts = window.volts["feedback_v"]
    half = (np.nanmin(volts) + np.nanmax(volts)) / 2
    crossings = window.time_us[np.flatnonzero(np.diff((volts > half).astype(int)))]
    step_us = float(np.median(np.diff(window.time_us)))
    assert len(window.edges_us["feedback_v"]) == 2
    for edge_us in window.edges_us["feedback_v"]:
        assert np.abs(crossings - edge_us).min() <= 2 * step_us


def test_a_window_without_its_stored_samples_is_read_from_the_recording(
    mined: miner.Mined, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(type(mined._source), "_is_kept", lambda *_: False)
    window = mined.window(2)
    assert np.ptp(window.volts["feedback_v"]) > 1.0
    assert np.array_equal(window.volts["feedback_v"], of_the_recording(window))


def test_a_rank_beyond_the_list_is_refused(mined: miner.Mined) -> None:
    for rank in (0, mined.suspects.height + 1):
        with pytest.raises(FindingsError, match=f"no suspect of rank {rank};"):
            mined.window(rank)


def test_a_window_is_drawn(mined: miner.Mined) -> None:
    pytest.importorskip("matplotlib")
    window = mined.window(2)
    figure = window.plot()
    panel = figure.axes[0]
    drawn = {line.get_label(): line for line in panel.lines}
    assert len(figure.axes) == len(window.volts)
    assert np.array_equal(drawn["recorded"].get_ydata(), window.volts["feedback_v"])
    assert ("usual" in drawn) == bool(window.usual)
    assert figure._repr_png_().startswith(b"\x89PNG")  # type: ignore[attr-defined]


def test_without_matplotlib_one_sentence_says_so(mined: miner.Mined, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    monkeypatch.delitem(sys.modules, "miner.library.drawing", raising=False)
    with pytest.raises(MinerError, match=r"pip install 'ignition-miner\[notebook\]'"):
        mined.window(1).plot()


def test_the_judge_says_what_the_list_says(mined: miner.Mined) -> None:
    judge = miner.fit_judge(mined, recording=RECORDING)
    scores = judge.score(mined.events)
    assert scores.height == mined.events.height
    both = mined.suspects.join(scores, on="event_id", suffix="_judged")
    assert both["false_alarms_per_hour_judged"].to_list() == both["false_alarms_per_hour"].to_list()
    assert scores["false_alarms_per_hour"].is_finite().all()
    assert judge.score(mined.events.to_arrow()).equals(scores)


def test_the_judge_calls_events_as_the_list_does(mined: miner.Mined) -> None:
    scored = miner.fit_judge(mined, recording=str(RECORDING)).score(mined)
    listed = mined.suspects.join(scored, on="event_id", how="left", suffix="_scored", maintain_order="left")
    assert listed["kind_scored"].to_list() == listed["kind"].to_list()
    assert scored.filter(pl.col("kind").is_null()).height > 0.5 * scored.height


@pytest.mark.parametrize("name", ["all.xlsx", "list.csv", "list.parquet"])
def test_an_export_is_that_of_the_command(mined: miner.Mined, tmp_path: Path, name: str) -> None:
    from typer.testing import CliRunner

    table = "suspects"
    ours = mined.export(tmp_path / name, table=table)
    to = tmp_path / "command" / name
    to.parent.mkdir()
    ran = CliRunner().invoke(app, ["export", str(mined.folder), "--to", str(to), "--table", table])
    assert ran.exit_code == 0, ran.output
    if not name.endswith(".xlsx"):  # a workbook holds when it was made
        assert ours.read_bytes() == to.read_bytes()
    assert ours.stat().st_size > 1000
    with pytest.raises(FindingsError):
        mined.export(tmp_path / name, table=table)
    assert mined.export(tmp_path / name, table=table, overwrite=True) == ours


def test_the_check_and_the_leads_are_those_of_the_commands() -> None:
    recording = miner.open_recording(RECORDING)
    found = miner.tell_leads_apart(recording, cylinders=2)
    assert {lead.column for lead in found.leads} == set(recording.channels)
    said = miner.check_recording(recording, miner.load_setup(SETUP))
    assert all(isinstance(one, miner.CheckFinding) for one in said)


def test_events_that_are_none_are_refused(mined: miner.Mined, setup: miner.Setup) -> None:
    with pytest.raises(SetupError, match="without a setup"):
        miner.fit_judge(mined.events)
    with pytest.raises(FindingsError, match="no column 'delay_us'"):
        miner.fit_judge(mined.events.drop("delay_us"), setup)
    with pytest.raises(FindingsError, match="no events"):
        miner.fit_judge(mined.events.clear(), setup)
    with pytest.raises(FindingsError, match="declared types"):
        miner.fit_judge(mined.events.with_columns(time_s=pl.lit("now")), setup)


def test_samples_that_cannot_be_mined_are_refused(setup: miner.Setup, tmp_path: Path) -> None:
    copy = tmp_path / "copy.parquet"
    volts = np.zeros(100, np.float32)
    for samples, sentence in (
        ({"feedbak_v": volts}, "column 'feedback_v': .*did you mean 'feedbak_v'"),
        ({"feedback_v": volts}, "without a rate; give rate_hz"),
        ({"feedback_v": volts, "time_s": volts[1:]}, "do not make a table"),
        (np.zeros((100, 3)), r"shape \(100, 3\) cannot be taken"),
        (np.zeros((100, 1), complex), "cannot be taken"),
        (17, "cannot be taken"),
    ):
        with pytest.raises(RecordingError, match=sentence):
            as_recording(samples, setup, copy)
    assert not copy.exists()


def test_no_recording_of_others_is_replaced(setup: miner.Setup, tmp_path: Path) -> None:
    copy = tmp_path / "recording.parquet"
    copy.write_bytes(RECORDING.read_bytes())
    with pytest.raises(RecordingError, match="would be replaced"):
        as_recording(columns(), setup, copy)
    assert copy.read_bytes() == RECORDING.read_bytes()
    copy.unlink()
    for _ in range(2):  # what was made here may
        as_recording(columns(), setup, copy)


def test_an_import_is_made_again_but_replaces_nothing_else(setup: miner.Setup, tmp_path: Path) -> None:
    copy, text = tmp_path / "recording.parquet", tmp_path / "drive.csv"
    text.write_text("time_s,feedback_v\n" + "".join(f"{i / 1000},{i % 7}\n" for i in range(500)))
    assert as_recording(text, setup, copy) == as_recording(text, setup, copy) == copy
    assert miner.open_recording(copy).n_samples == 500
    copy.write_bytes(RECORDING.read_bytes())
    with pytest.raises(RecordingError, match="would be replaced"):
        as_recording(text, setup, copy)
    assert copy.read_bytes() == RECORDING.read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["drive.csv", "recording.parquet"]


@pytest.mark.parametrize(
    ("values", "kept"),
    [
        (np.array([0, 1, 5]), pa.int32()),
        (np.array([0, 1 << 40, 5]), pa.float64()),
        (np.array([True, False, True]), pa.uint8()),
        (np.array([0.5, 1.5, 2.5], np.float16), pa.float32()),
        (np.array([1, -7, 3], np.int16), pa.int16()),
        ([0.25, 0.5, 1e-9], pa.float64()),
    ],
)
def test_no_value_is_rounded(setup: miner.Setup, tmp_path: Path, values: Any, kept: pa.DataType) -> None:
    path = as_recording({"feedback_v": values}, setup, tmp_path / "copy.parquet", rate_hz=1000.0)
    table = pq.read_table(path, partitioning=None)
    assert table.schema.field("feedback_v").type == kept
    assert table["feedback_v"].to_pylist() == [float(v) for v in values]
    assert miner.open_recording(path).rate_hz == 1000.0


def test_a_masked_array_keeps_its_mask(setup: miner.Setup) -> None:
    masked = np.ma.masked_array([1.0, 2.0, 3.0], mask=[False, True, False])
    assert as_table({"feedback_v": masked}, setup)["feedback_v"].to_pylist() == [1.0, None, 3.0]


def test_names_are_sorted_complete_and_there() -> None:
    assert set(miner._HOMES) | {"KEEPING_NOTE"} == set(miner.__all__)
    assert set(miner.__all__) <= set(dir(miner))
    for name in miner._HOMES:
        assert getattr(miner, name) is getattr(importlib.import_module(miner._HOMES[name]), name)
    with pytest.raises(AttributeError, match="no attribute 'mime'"):
        _ = miner.mime  # type: ignore[attr-defined]


def test_the_import_loads_nothing_heavy() -> None:
    code = "import sys, json, miner; print(json.dumps(sorted({name.split('.')[0] for name in sys.modules})))"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    heavy = {"numba", "sklearn", "scipy", "polars", "pandas", "pyarrow", "pydantic", "numpy", "matplotlib"}
    assert not set(json.loads(ran.stdout)) & heavy


@pytest.mark.parametrize("module", ["miner", *sorted(set(miner._HOMES.values()))])
def test_examples_run(module: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    result = doctest.testmod(importlib.import_module(module), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert result.failed == 0


def page_code() -> list[str]:
    page = (ROOT / "docs" / "library.md").read_text("utf-8")
    return re.findall(r"(?ms)^```python\n(.*?)^```", page)


def test_the_notebook_is_of_the_page() -> None:
    """``python docs/make_library_notebook.py`` makes it anew."""
    cells = json.loads((ROOT / "docs" / "library.ipynb").read_text("utf-8"))["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    lines = "\n".join(cell["source"] for cell in code).split("\n")
    assert [line for line in lines if line] == [line for line in "\n".join(page_code()).split("\n") if line]
    assert any("image/png" in output["data"] for cell in code for output in cell["outputs"])


def test_the_page_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("matplotlib")
    monkeypatch.chdir(ROOT)
    names: dict[str, Any] = {}
    for block in page_code():
        exec(compile(block, "docs/library.md", "exec"), names)
