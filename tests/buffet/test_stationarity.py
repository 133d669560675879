"""Reverse arrangements against exact moments, another library's test and simulated records."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal, stats

from buffet.stationarity import reverse_arrangements, reverse_arrangements_p, trends

Array = NDArray[np.float64]


def test_moments_of_reverse_arrangements() -> None:
    """Over all orders of 6: mean N (N - 1) / 4 = 7.5, variance N (2N + 5) (N - 1) / 72 = 7.083.

    Bendat & Piersol, Random Data, 4th ed., equations 4.54 and 4.55 (numbers from memory).
    """
    counts = [reverse_arrangements(np.array(order)) for order in permutations(range(6))]

    assert np.mean(counts) == pytest.approx(7.5)
    assert np.var(counts) == pytest.approx(6 * 17 * 5 / 72)


def test_one_order_by_hand() -> None:
    """Of 5, 3, 8, 9, 4, 1, 7, 5 there are 3 + 1 + 4 + 4 + 1 + 0 + 1 = 14 reverse arrangements."""
    assert reverse_arrangements(np.array([5.0, 3.0, 8.0, 9.0, 4.0, 1.0, 7.0, 5.0])) == 14


@pytest.mark.parametrize("n", [8, 9, 10, 20])
@pytest.mark.parametrize("seed", range(5))
def test_probability_is_that_of_kendalls_tau(n: int, seed: int) -> None:
    """Both count pairs in order (scipy's exact test)."""
    values = np.random.default_rng(seed).standard_normal(n) + 0.15 * seed * np.arange(n)
    expected = stats.kendalltau(np.arange(n), values, method="exact").pvalue

    assert reverse_arrangements_p(values) == pytest.approx(expected, rel=1e-9)


def test_a_straight_line() -> None:
    """From 0 to 45 in 45 groups: nine stretches, the outer thirds 2/3 of it apart; p = 2 / 9!."""
    (trend,) = trends(np.arange(45.0)[:, None], np.ones(45))

    assert trend.change == pytest.approx(30.0)
    assert trend.p_value == pytest.approx(2 / 362_880)


def test_larger_groups_weigh_more() -> None:
    """In each stretch a group of three segments at 1 and one of one segment at 0 make 0.75."""
    values = np.tile([1.0, 0.0], 10) * np.repeat(np.arange(10.0), 2)
    (trend,) = trends(values[:, None], np.tile([3.0, 1.0], 10))

    assert trend.change == pytest.approx(0.75 * (8.0 - 1.0))


@pytest.mark.parametrize("n", [0, 1, 15])
def test_few_groups_have_no_trend(n: int) -> None:
    """Seven stretches and fewer cannot tell a trend from chance."""
    assert trends(np.zeros((n, 2)), np.ones(n)) == ()


def windowed(records: Array, segment: int) -> tuple[Array, Array]:
    """Means and variances under Hann windows that overlap by half, ``(n_segments, n_records)``."""
    window = signal.get_window("hann", segment)
    cut = np.lib.stride_tricks.sliding_window_view(records, segment, axis=1)[:, :: segment // 2]
    means = cut @ window / window.sum()
    return means.T, ((cut - means[..., None]) ** 2 @ window).T


def noise(rng: np.random.Generator, n: int) -> Array:
    """White, 500 records of n samples."""
    return rng.standard_normal((500, n))


def switching(rng: np.random.Generator, n: int) -> Array:
    """Two states of 2 s on average, at 20 samples a second, with a little noise."""
    changes = np.cumsum(rng.random((500, n)) < 1 / 40, axis=1)
    return np.asarray(2.0 * (changes % 2) + 0.1 * noise(rng, n))


def bursting(rng: np.random.Generator, n: int) -> Array:
    """Noise whose amplitude switches between 0.5 and 2.5."""
    return np.asarray((0.5 + switching(rng, n)) * rng.standard_normal((500, n)))


def resonating(rng: np.random.Generator, n: int) -> Array:
    """A peak of Q 40 at 2 Hz."""
    radius, angle = np.exp(-np.pi * 2 / 40 / 20), 2 * np.pi * 2 / 20
    feedback = [1.0, -2 * radius * np.cos(angle), radius**2]
    driven = signal.lfilter([1.0], feedback, noise(rng, n + 2000), axis=1)
    return np.asarray(driven[:, 2000:])


@pytest.mark.parametrize("kind", [noise, switching, bursting, resonating])
@pytest.mark.parametrize("level", [0.01, 0.002])
def test_steady_records_are_called_drifting_no_oftener_than_stated(kind, level: float) -> None:  # type: ignore[no-untyped-def]
    """2,000 records of 60 s in segments of 2.6 s; four standard errors above the level at most."""
    rng = np.random.default_rng(20260302)
    found, told = 0, 0
    for _ in range(4):
        for groups in windowed(kind(rng, 1200), 52):
            values = [trend.p_value for trend in trends(groups, np.ones(len(groups)))]
            found, told = found + sum(p < level for p in values), told + len(values)

    assert told == 4000
    assert found / told < level + 4 * np.sqrt(level * (1 - level) / told)
