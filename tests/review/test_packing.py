import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.review.packing import pack, unpack


@given(
    st.lists(st.integers(0, 17), max_size=5),
    st.sampled_from(["f4", "f8", "i2", "i4"]),
    st.text(max_size=30),
)
def test_arrays_come_back_as_they_were(lengths, kind, text):
    arrays = {f"a{i}": np.arange(n).astype(f"<{kind}") for i, n in enumerate(lengths)}
    header, back = unpack(pack({"text": text}, arrays))
    assert header == {"text": text}
    assert list(back) == list(arrays)
    for name, array in arrays.items():
        assert back[name].dtype == array.dtype
        np.testing.assert_array_equal(back[name], array)


def test_arrays_start_at_multiples_of_eight():
    block = pack({"x": "é"}, {"a": np.array([1], "i2"), "b": np.array([2.5], "f8")})
    first = 4 + int.from_bytes(block[:4], "little")
    assert first % 8 == 0
    assert np.frombuffer(block, "<f8", 1, first + 8)[0] == 2.5


def test_not_a_number_in_the_header_is_refused():
    with pytest.raises(ValueError, match="not JSON compliant"):
        pack({"x": float("nan")}, {})
