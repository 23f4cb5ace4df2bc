"""How much of an estimated movement is believed."""

import numpy as np
import pytest
from miner.suspicion.shrinking import believed

N = 20_000


def test_chance_alone_is_hardly_believed():
    chance = np.random.default_rng(1).standard_normal(N)
    assert np.std(believed(chance, 1.0)) < 0.1


def test_what_moves_all_the_time_is_believed_as_its_share_of_the_variance():
    rng = np.random.default_rng(1)
    true = 2.0 * rng.standard_normal(N)
    found = believed(true + rng.standard_normal(N), 1.0)
    assert np.mean((found - true) ** 2) == pytest.approx(0.8, rel=0.05)  # 1 / (1 + 1 / 4), the least there can be


def test_seldom_steps_are_believed_and_the_calm_between_them_is_not():
    rng = np.random.default_rng(1)
    true = np.where(rng.random(N) < 0.01, 10.0, 0.0)
    found = believed(0.5 * (true + rng.standard_normal(N)), 0.5)
    assert np.median(found[true > 0]) == pytest.approx(5.0, abs=0.2)
    assert np.std(found[true == 0]) < 0.06


def test_one_large_step_is_believed_and_what_has_no_noise_neither_counts_nor_teaches():
    estimate, noise = np.random.default_rng(1).standard_normal((2, N))
    estimate[7], noise = 30.0, np.where(noise > 2, np.nan, 1.0)
    noise[7] = 1.0
    found = believed(estimate, noise)
    assert found[7] == pytest.approx(30.0, rel=0.1)
    assert np.array_equal(np.isnan(found), np.isnan(noise))


@pytest.mark.parametrize("n", [0, 1, 3])
def test_a_handful(n):
    assert believed(np.arange(n, dtype=float), np.ones(n)).shape == (n,)
