"""Values that no recorder measures: what can be measured is, and the rest is one sentence."""

from __future__ import annotations

import numpy as np
import pytest

from miner.errors import MinerError, SignalError
from tests.signal.made import column, one_lead, regular

ABSURD = [1e308, -1e308, 1e30, np.inf, -np.inf, np.nan]


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("value", ABSURD)
def test_absurd_values_are_missing_samples(tmp_path, value, kind):
    lead = regular(period=900.3, width=317.7)
    with np.errstate(over="ignore"):
        volts = lead.volts().astype(kind)
        places = (lead.stops[::8] + 200).astype(int)
        volts[places] = kind(value)
        volts[places + 1] = -kind(value)
    extraction = one_lead(tmp_path, volts, rate_hz=1e5)
    assert extraction.pulses.num_rows == 80
    assert extraction.gaps.num_rows == places.size
    assert np.isfinite(column(extraction, "amplitude_v")).all()


@pytest.mark.parametrize("value", [*ABSURD, 0.0, 5.0, -3.0, 5e-324, 1e-310, 1e11])
def test_one_value_all_the_time_is_one_sentence(tmp_path, value):
    with pytest.raises(SignalError, match=r"no pulses|no valid sample") as error:
        one_lead(tmp_path, np.full(200_000, value), rate_hz=1e5)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("scale", [1e300, 1e-300, 5e-324, -1e300, 1e12])
@pytest.mark.parametrize("kind", [np.int16, np.float64])
def test_absurd_scale_is_one_sentence(tmp_path, scale, kind):
    lead = regular(period=900.3, width=317.7)
    with pytest.raises(MinerError, match=r"scale|no pulses"):
        one_lead(tmp_path, (lead.volts() * 100).astype(kind), scale=scale, rate_hz=1e5)


@pytest.mark.parametrize("size", [1e-310, 1e-300, 1e-30])
def test_pulses_too_small_to_be_any_are_one_sentence(tmp_path, size):
    with pytest.raises(SignalError, match="no pulses"):
        one_lead(tmp_path, regular(period=900.3, width=317.7).volts() * size, rate_hz=1e5)


@pytest.mark.parametrize("size", [1e3, 1e9])
def test_pulses_of_any_size_are_measured(tmp_path, size):
    extraction = one_lead(tmp_path, regular(period=900.3, width=317.7).volts() * size, rate_hz=1e5)
    assert column(extraction, "amplitude_v") == pytest.approx(np.full(80, 4.8 * size))
