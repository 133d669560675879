"""The roughness index against a covariance equation, a printed relation and a drive in time."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import solve_continuous_lyapunov
from scipy.signal import StateSpace, lsim

from buffet.vehicle import GOOD_MOTORWAY, Road, roughness_index

Array = NDArray[np.float64]

SPEED_M_S = 80 / 3.6
# The reference quarter car in its four states: spring, body rate, tyre, wheel rate (Sayers 1995).
SPRING, TYRE, DAMPING, WHEEL = 63.3, 653.0, 6.0, 0.15
STATE = np.array(
    [
        [0, 1, 0, -1],
        [-SPRING, -DAMPING, 0, DAMPING],
        [0, 0, 0, 1],
        [SPRING / WHEEL, DAMPING / WHEEL, -TYRE / WHEEL, -DAMPING / WHEEL],
    ]
)
ROAD_RATE_IN = np.array([[0.0], [0.0], [-1.0], [0.0]])
TRAVEL_RATE = np.array([0.0, 1.0, 0.0, -1.0])


def test_agrees_with_the_covariance_equation() -> None:
    """On a road whose rate is white the rate of travel has a variance without any spectrum."""
    rate_psd = (2 * np.pi * 0.1) ** 2 * 4e-6 * SPEED_M_S
    covariance = solve_continuous_lyapunov(STATE, -ROAD_RATE_IN @ ROAD_RATE_IN.T * rate_psd / 2)
    expected = np.sqrt(2 / np.pi * TRAVEL_RATE @ covariance @ TRAVEL_RATE) / SPEED_M_S

    assert roughness_index(GOOD_MOTORWAY, averaged_m=0.0) == pytest.approx(expected, rel=1e-4)


def test_relation_printed_for_a_waviness_of_two() -> None:
    """IRI = 2.21 √C, m/km, with C in 1e-6 rad m: Kropáč & Múčka (2007, from memory).

    C is the PSD over angular wavenumber at 1 rad/m: over cycles 2π C, and C = 1 is 15.9e-6 m³.
    """
    unevenness_m3 = 2 * np.pi * 1e-6 / (2 * np.pi * 0.1) ** 2

    index = roughness_index(Road(unevenness_m3), averaged_m=0.0)

    assert 1000 * index == pytest.approx(2.21, abs=0.005)


def test_good_motorway_has_about_1_1() -> None:
    """Common practice, no source, to its last digit."""
    assert 1000 * roughness_index(GOOD_MOTORWAY) == pytest.approx(1.1, abs=0.05)


def test_agrees_with_a_drive() -> None:
    """The index as it is defined: a quarter car driven over heights, averaged over 0.25 m first.

    10 km of a Gaussian profile, whose mean travel scatters by about 2 %.
    """
    step_m, n, waviness = 0.05, 200_000, 2.4
    wavenumber = np.fft.rfftfreq(n, step_m)[1:]
    density = 4e-6 * (wavenumber / 0.1) ** -waviness
    rng = np.random.default_rng(3)
    line = rng.standard_normal((2, len(wavenumber))) * np.sqrt(density * n / step_m / 4)
    heights = np.fft.irfft(np.concatenate([[0], line[0] + 1j * line[1]]), n)
    averaged = np.convolve(heights, np.ones(5) / 5, "same")
    rate = np.gradient(averaged, step_m) * SPEED_M_S
    time_s = np.arange(n) * step_m / SPEED_M_S
    system = StateSpace(STATE, ROAD_RATE_IN, TRAVEL_RATE[None, :], [[0.0]])
    _, travel_rate, _ = lsim(system, rate, time_s)

    driven = np.abs(travel_rate[2000:-2000]).mean() / SPEED_M_S

    assert roughness_index(Road(4e-6, waviness)) == pytest.approx(driven, rel=0.05)


def test_four_times_the_unevenness_doubles_the_index() -> None:
    """Heights twice as large."""
    double = roughness_index(Road(16e-6))

    assert double == pytest.approx(2 * roughness_index(GOOD_MOTORWAY))
