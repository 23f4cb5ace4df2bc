"""The event table read in pieces gives what the table in memory gives."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import miner.findings.store
from miner.errors import FindingsError
from miner.events.rows import rows_between, spread_rows
from miner.events.views import EventView, EventViews, view_events
from miner.findings.event_file import GROUPS_KEPT, EventFile
from miner.findings.provenance import count_events
from miner.findings.store import Findings
from miner.schema import EVENTS
from tests.rarity.engines import Engine, healthy_events, setup_for

ENGINE = Engine(minutes=1.0, cylinders=4)
GROUP = 97


@pytest.fixture(scope="module")
def table() -> pa.Table:
    return EVENTS.validate(healthy_events(5, ENGINE))


@pytest.fixture(scope="module")
def stored(table: pa.Table, tmp_path_factory: pytest.TempPathFactory) -> EventFile:
    findings = Findings(tmp_path_factory.mktemp("findings"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(miner.findings.store, "ROWS_PER_GROUP", GROUP)
        findings.write_table(EVENTS, table)
    assert table.num_rows > 2 * GROUP * GROUPS_KEPT, "more groups than are kept"
    return EventFile(findings)


@settings(max_examples=60, deadline=None)
@given(offset=st.integers(0, 3000), length=st.integers(0, 500))
def test_any_slice(table: pa.Table, stored: EventFile, offset: int, length: int) -> None:
    assert stored.slice(offset, length).equals(table.slice(offset, length))
    names = ["time_s", "quality"]
    for rows in (stored, table):
        some = rows_between(rows, offset - 40, offset + length, names)
        assert some.equals(table.select(names).slice(max(offset - 40, 0), offset + length - max(offset - 40, 0)))


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(0, 60))
def test_any_rows_in_any_order(table: pa.Table, stored: EventFile, seed: int, n: int) -> None:
    rows = np.random.default_rng(seed).integers(0, table.num_rows, n)
    assert stored.take(rows).equals(table.take(pa.array(rows, pa.int64())))


def test_pieces_together_are_the_columns(table: pa.Table, stored: EventFile) -> None:
    names = ["time_s", "quality", "cylinder"]
    assert pa.concat_tables(stored.pieces(names)).equals(table.select(names))


def test_counts_are_those_of_the_table(table: pa.Table, stored: EventFile) -> None:
    assert count_events(stored) == count_events(table)
    assert count_events(table)["events"] == table.num_rows


def test_views_are_those_of_the_table(table: pa.Table, stored: EventFile) -> None:
    setup = setup_for(ENGINE)
    whole, of_file = view_events(table, setup), EventViews(stored, setup)
    for view in (
        EventView.join([view for _, view in of_file]),
        EventView.join(list(of_file.between(0, table.num_rows))),
    ):
        for name, values in vars(whole).items():
            np.testing.assert_array_equal(getattr(view, name), values, err_msg=name)


def test_stretches_spread_over_the_recording(table: pa.Table, stored: EventFile) -> None:
    part = spread_rows(stored, 400, 4)
    assert part.equals(spread_rows(table, 400, 4))
    ids = part["event_id"].to_numpy().reshape(4, 100)
    assert ids[0, 0] == 0
    assert ids[-1, -1] == table["event_id"][-1].as_py()
    assert (np.diff(ids, axis=1) == 1).all()
    assert (np.diff(part["time_s"].to_numpy()) > 0).all()
    assert spread_rows(stored, table.num_rows, 4).equals(table)


def test_a_missing_table_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(FindingsError, match="no finished findings"):
        EventFile(Findings(tmp_path))


def test_rows_have_the_columns_that_were_chosen(table: pa.Table, stored: EventFile) -> None:
    names = ["time_s", "cylinder", "quality"]
    chosen = EventFile(stored._findings, columns=names, kept=1)
    rows = np.array([300, 2, 150])
    assert chosen.slice(90, 20).equals(table.select(names).slice(90, 20)), "over the end of a row group"
    assert chosen.take(rows).equals(table.select(names).take(pa.array(rows)))
    assert chosen.take(rows[:0]).equals(table.select(names).slice(0, 0))
    assert chosen.slice(table.num_rows, 5).schema.names == names
