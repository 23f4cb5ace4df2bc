import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.review.envelope import EnvelopeLevels, extremes_of_blocks
from miner.review.tables import ENVELOPE
from tests.naive_review import extremes

VALUES = st.lists(st.one_of(st.floats(-5, 5, width=32), st.just(float("nan"))), max_size=40)


@given(VALUES, st.integers(1, 9))
def test_extremes_equal_the_slow_ones(values, n_per_block):
    low, high = extremes_of_blocks(np.array(values, np.float32), n_per_block)
    slow_low, slow_high = extremes(values, n_per_block)
    np.testing.assert_array_equal(low, np.array(slow_low, np.float32))
    np.testing.assert_array_equal(high, np.array(slow_high, np.float32))


def _table(n: int, leads: int = 2) -> pa.Table:
    random = np.random.default_rng(3)
    rows = []
    for lead in range(leads):
        low = random.normal(0, 1, n).astype(np.float32)
        rows.append(pa.table([np.full(n, lead, np.int16), np.arange(n), low, low + 1], schema=ENVELOPE.schema))
    return pa.concat_tables(rows)


@pytest.mark.parametrize("n", [1, 7, 8, 9, 1000])
def test_every_level_holds_the_extremes_of_the_finest(n):
    envelope = EnvelopeLevels.from_tables([_table(n)])
    finest = envelope.levels[0]
    for k, level in enumerate(envelope.levels):
        for lead, (low, high) in level.items():
            np.testing.assert_array_equal(low, extremes(finest[lead][0].tolist(), 4**k)[0])
            np.testing.assert_array_equal(high, extremes(finest[lead][1].tolist(), 4**k)[1])


@pytest.mark.parametrize(("asked", "block"), [(1, 4096), (4096, 4096), (16383, 4096), (16384, 16384), (70000, 65536)])
def test_the_level_is_never_coarser_than_asked_but_for_the_finest(asked, block):
    assert EnvelopeLevels.from_tables([_table(1000)]).pick(asked)[0] == block


def test_blocks_that_are_not_listed_hold_nothing():
    table = _table(4, leads=1).take([0, 3])
    low, _ = EnvelopeLevels.from_tables([table]).levels[0][0]
    assert np.isnan(low).tolist() == [False, True, True, False]


@pytest.mark.parametrize("rows", [1, 3, 500, 1700])
def test_pieces_make_the_same_levels(rows):
    table = _table(1000)
    pieces = [table.slice(first, rows) for first in range(0, table.num_rows, rows)]
    for whole, pieced in zip(
        EnvelopeLevels.from_tables([table]).levels, EnvelopeLevels.from_tables(pieces).levels, strict=True
    ):
        for lead, levels in whole.items():
            np.testing.assert_array_equal(levels, pieced[lead])


def test_no_envelope_is_no_level():
    assert EnvelopeLevels.from_tables([ENVELOPE.empty()]).levels == ({},)
