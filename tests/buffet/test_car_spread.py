"""What is not known of the car, carried to what is felt: mean and variance."""

from __future__ import annotations

import numpy as np
import pytest

from buffet.rating.car_spread import CAR, DRAWS, car_unseen
from buffet.spectral.uncertainty import Unseen, log_estimate

SPEEDS = np.array([20.0, 40.0])


def test_mean_and_variance_over_the_cars() -> None:
    """ln of the mean square = 0.3 z - 0.1 z² about the stated car's, z of mean 0 and variance 1."""
    z = np.tile([-1.0, 1.0], DRAWS // 2)
    drawn = np.exp(0.3 * z - 0.1 * z**2)
    values = np.stack([np.append(2.0, 2.0 * drawn), np.append(3.0, 3.0 * drawn)], axis=1)
    found = car_unseen(values, SPEEDS, np.array([20.0, 30.0, 40.0]))

    assert found.source == CAR
    assert found.shift == pytest.approx([-0.1] * 3)
    assert found.variance == pytest.approx([0.09 * DRAWS / (DRAWS - 1)] * 3)


def test_cars_that_do_not_tell_it_do_not_count() -> None:
    """Unstable above a speed: with more than half of the cars left it is told by these."""
    values = np.ones((1 + DRAWS, 2))
    values[1:7, 1] = 0.0
    values[7:, 1] = np.exp(0.2)
    found = car_unseen(values, SPEEDS, SPEEDS)
    assert found.shift == pytest.approx([0.0, 0.2])
    values[1:20, 1] = 0.0
    assert car_unseen(values, SPEEDS, SPEEDS).shift == pytest.approx([0.0, 0.0])


def test_a_shift_moves_value_limits_and_probability() -> None:
    """Alike on the logarithm; the probability of exceeding the moved value is one half."""
    samples = np.exp(np.random.default_rng(1).normal(0, 0.1, (400, 1)))
    samples[0] = 1.0
    plain = log_estimate(samples, 50.0, (Unseen(0.04),))
    moved = log_estimate(samples, 50.0, (Unseen(0.04, shift=0.3),))

    assert moved.value[0] == pytest.approx(np.exp(0.3) * plain.value[0])
    assert moved.spread == pytest.approx(plain.spread)
    ends = np.ravel(moved.limits()) / np.ravel(plain.limits())
    assert ends == pytest.approx([np.exp(0.3)] * 2)
    assert moved.probability_above(float(np.exp(0.3)))[0] == pytest.approx(0.5)
