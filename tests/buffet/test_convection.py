"""Convection along rows: planted travel, standing patterns, nothing in common, coverage."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.spectral.plane_wave import Slowness, slowness
from buffet.taps.convection import along, pair_delays, travel_along
from tests.buffet.tap_campaign import RATE_HZ
from tests.thorough.convection import KINDS, covered, row_matrix, travelling

Array = NDArray[np.float64]
PLACES_M = np.linspace(0.0, 0.2, 5)
WIND_M_S = 40.0


def found_in(samples: Array, places_m: Array = PLACES_M) -> Slowness | None:
    """The slowness of a row's samples, up to 60 Hz."""
    matrix, frequency_hz, averages = row_matrix(samples)
    return slowness(matrix, frequency_hz, places_m, averages, 10 / WIND_M_S)


@pytest.mark.parametrize("speed_m_s", [28.0, -15.0, 8.0])
def test_planted_speed_and_direction(speed_m_s: float) -> None:
    """A chain along the row with a known speed, which may run against it."""
    rng = np.random.default_rng(3)
    samples = travelling(PLACES_M, speed_m_s, 0.2, round(40 * RATE_HZ), rng)
    found = found_in(samples)

    assert found is not None
    assert abs(found.value_s_m - 1 / speed_m_s) < 3 * found.deviation_s_m
    assert found.deviation_s_m < 0.02 / abs(speed_m_s)
    assert not found.ambiguous
    assert found.misfit < 1.2


def test_two_taps_give_the_textbooks_scatter_of_a_phase() -> None:
    """(1 - γ²) / (2 n γ²) over (2πf d)², summed over independent bins (Bendat & Piersol 2010)."""
    coherence, averages, distance_m = 0.5, 1e4, 0.1
    frequency_hz = np.arange(10.0, 200.0)
    turn = np.exp(2j * np.pi * frequency_hz * distance_m / 30.0)
    matrix = np.ones((len(frequency_hz), 2, 2), complex)
    matrix[:, 0, 1] = np.sqrt(coherence) * turn
    matrix[:, 1, 0] = np.conj(matrix[:, 0, 1])
    found = slowness(matrix, frequency_hz, np.array([0.0, distance_m]), averages, 0.1)

    phase_variance = (1 - coherence) / (2 * averages * coherence)
    information = np.sum((2 * np.pi * frequency_hz * distance_m) ** 2) / phase_variance
    expected = 1 / np.sqrt(information * 18 / 35)  # Hann's neighbouring bins are related
    assert found is not None
    assert found.value_s_m == pytest.approx(1 / 30.0, rel=1e-4)
    assert found.deviation_s_m == pytest.approx(expected, rel=1e-3)


def test_intervals_cover_the_truth() -> None:
    """200 records of frozen turbulence with decay: 90 to 99 % of 95 % intervals hold it."""
    assert 0.90 <= covered(KINDS[3], 200, np.random.default_rng(17)) <= 0.99


def test_a_standing_pattern_does_not_travel() -> None:
    """One signal in all taps, against phase beyond a node: the delay is zero, no speed is told."""
    rng = np.random.default_rng(5)
    n = round(60 * RATE_HZ)
    pattern = np.array([1.0, 0.6, 0.2, -0.4, -0.8])
    samples = pattern[:, None] * rng.standard_normal(n) + 0.2 * rng.standard_normal((5, n))
    travel = travel_along(*row_matrix(samples), PLACES_M, WIND_M_S)

    assert travel.speed_m_s is None
    assert travel.why is not None
    assert "standing pattern" in travel.why
    assert travel.delay_s is not None
    assert travel.delay_s.low is not None
    assert travel.delay_s.high is not None
    assert travel.delay_s.low <= 0 <= travel.delay_s.high


def test_unrelated_taps_have_no_speed() -> None:
    """Each its own noise."""
    samples = np.random.default_rng(6).standard_normal((5, round(60 * RATE_HZ)))
    travel = travel_along(*row_matrix(samples), PLACES_M, WIND_M_S)

    assert travel.speed_m_s is None
    assert travel.why == "neighbouring taps are not coherent"


def test_a_narrow_band_over_wide_gaps_is_ambiguous() -> None:
    """Taps a whole wave and more apart at the only frequency that is coherent."""
    frequency_hz = np.array([100.0, 100.5, 101.0])
    places_m = np.array([0.0, 0.5, 1.0])
    turn = np.exp(-2j * np.pi * frequency_hz[:, None] * places_m / 30.0)
    matrix = 0.9 * turn[:, :, None] * turn.conj()[:, None, :]
    matrix[:, range(3), range(3)] = 1.0
    travel = travel_along(matrix, frequency_hz, 50.0, places_m, WIND_M_S)

    assert travel.speed_m_s is None
    assert travel.why is not None
    assert "several speeds" in travel.why


def test_pairs_show_their_own_delays() -> None:
    """Each distance over the planted speed, inside four of its deviations."""
    rng = np.random.default_rng(3)
    samples = travelling(PLACES_M, 28.0, 0.2, round(40 * RATE_HZ), rng)
    matrix, frequency_hz, averages = row_matrix(samples)
    travel = travel_along(matrix, frequency_hz, averages, PLACES_M, WIND_M_S)
    pairs = pair_delays(matrix, frequency_hz, PLACES_M, averages, travel)

    assert len(pairs) == 10
    for pair in pairs:
        assert abs(pair.delay_s - pair.distance_m / 28.0) < 4 * pair.deviation_s


@pytest.mark.parametrize(
    ("points", "order", "direction"),
    [
        ([(0.3, 0, 1.0), (-0.1, 0, 1.0), (0.1, 0, 1.1)], [1, 2, 0], "rearward"),
        ([(0.5, 0.2, 0.3), (0.5, -0.2, 0.3)], [1, 0], "to the right"),
        ([(0.55, 0, 0.1), (0.5, 0, 0.4)], [0, 1], "upward"),
    ],
)
def test_a_row_is_ordered_along_its_own_line(
    points: list[tuple[float, float, float]], order: list[int], direction: str
) -> None:
    """Rearward, to the right or upward; places add up along the line through the taps."""
    found, places, word = along(points)

    assert (found, word) == (order, direction)
    steps = np.linalg.norm(np.diff(np.array(points)[order], axis=0), axis=1)
    assert places == pytest.approx([0.0, *np.cumsum(steps)])
