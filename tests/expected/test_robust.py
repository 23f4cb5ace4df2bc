"""Steps of quantised values, and values that are equal but for rounding."""

import numpy as np
import pytest

from miner.expected.robust import mad_sigma, resolution


def test_the_step_of_a_grid():
    rounded = np.round(np.random.default_rng(0).normal(5.0, 0.08, 500) / 0.1) * 0.1
    assert resolution(rounded) == pytest.approx(0.1)


@pytest.mark.parametrize("noise", [0.0, 1e-13])
def test_equal_neighbours_have_no_step(noise):
    """Edges of clean logic signals all last as long, but for the last bits of the arithmetic."""
    values = 8.0 + noise * (np.arange(100) % 2)
    assert resolution(values) == 0.0


def test_mad_of_the_tietjen_moore_data():
    """NIST/SEMATECH e-Handbook 1.3.5.17.1: MAD 0.995, times 1.4826."""
    x = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    assert mad_sigma(x) == pytest.approx(0.995 * 1.4826, rel=1e-4)
