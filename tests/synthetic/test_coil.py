"""The charge formula, its inverse and its energy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.synthetic.coil import charge_time_s, coil_current_a


@given(
    supply_v=st.floats(5.0, 16.0), resistance_ohm=st.floats(0.3, 3.0), inductance_h=st.floats(1e-3, 1e-2),
    share=st.floats(0.01, 0.95),
)  # fmt: skip
def test_time_and_current_are_inverse(
    supply_v: float, resistance_ohm: float, inductance_h: float, share: float
) -> None:
    circuit = {"supply_v": supply_v, "resistance_ohm": resistance_ohm, "inductance_h": inductance_h}
    current_a = share * supply_v / resistance_ohm
    assert coil_current_a(charge_time_s(current_a, **circuit), **circuit) == pytest.approx(current_a, rel=1e-9)


def test_a_current_beyond_the_supply_is_never_reached() -> None:
    assert charge_time_s(30.0, supply_v=12.0, resistance_ohm=0.5, inductance_h=3e-3) == np.inf


def test_charge_begins_with_the_slope_of_voltage_over_inductance() -> None:
    slope = coil_current_a(1e-7, supply_v=12.0, resistance_ohm=0.5, inductance_h=3e-3) / 1e-7
    assert slope == pytest.approx(12.0 / 3e-3, rel=1e-4)
