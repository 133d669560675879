"""Block lengths, block bootstrap and intervals on the log scale."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal, stats

from buffet.spectral.uncertainty import (
    FEWEST_BLOCKS,
    LogEstimate,
    Unseen,
    half_value,
    log_estimate,
    politis_white_length,
    resample,
    run_seed,
    variance_of_mean,
)

Array = NDArray[np.float64]


def autoregressive(phi: float, n: int, rng: np.random.Generator) -> Array:
    """AR(1) with unit innovations, its start forgotten."""
    return np.asarray(signal.lfilter([1.0], [1.0, -phi], rng.standard_normal(n + 200))[200:])


@pytest.mark.parametrize("n", [50, 128, 1000])
def test_white_noise_needs_blocks_of_about_one(n: int) -> None:
    """Median over 200 records."""
    rng = np.random.default_rng(1)
    lengths = [politis_white_length(rng.standard_normal(n)) for _ in range(200)]
    assert 1 <= np.median(lengths) < 2


@pytest.mark.parametrize("phi", [0.3, 0.6, 0.8])
def test_correlated_noise_gets_the_optimal_length(phi: float) -> None:
    """Politis & White 2004: b = (2 G² / D)^(1/3) n^(1/3) of the AR(1)'s own covariance.

    R(k) = φ^k / (1 - φ²), so G = Σ|k|R = 2φ / ((1-φ)² (1-φ²)), g(0) = 1/(1-φ)², D = 4/3 g(0)².
    The estimate from 1000 values scatters and is known to lie somewhat low.
    """
    rng = np.random.default_rng(2)
    n = 1000
    spectrum = 1 / (1 - phi) ** 2
    moment = 2 * phi / ((1 - phi) ** 2 * (1 - phi**2))
    optimal = (2 * moment**2 / (4 / 3 * spectrum**2) * n) ** (1 / 3)
    lengths = [politis_white_length(autoregressive(phi, n, rng)) for _ in range(200)]
    assert 0.6 * optimal < np.median(lengths) < 1.4 * optimal


@pytest.mark.parametrize(
    "values", [np.zeros(50), np.full(20, 3.0), np.arange(3.0), np.array([1.0])]
)
def test_values_that_tell_nothing_get_a_length_of_one(values: Array) -> None:
    """Constant or hardly any values."""
    assert politis_white_length(values) == 1.0


def test_the_length_leaves_blocks_enough() -> None:
    """A trend asks for endless blocks; the length stops at a third of the values."""
    assert politis_white_length(np.arange(30.0)) <= 10
    assert politis_white_length(np.arange(900.0)) <= 90


def test_the_bootstrap_spread_of_a_mean_is_the_closed_form() -> None:
    """AR(1), φ = 0.5, n = 400: var(mean) = Σ_k (1 - |k|/n) R(k) / n, about 1/((1-φ)² n) = 0.01.

    The block bootstrap lies a few per cent low, since blocks cut correlations at their ends.
    """
    phi, n = 0.5, 400
    lags = np.arange(1, n)
    covariance = phi**lags / (1 - phi**2)
    expected = (1 / (1 - phi**2) + 2 * np.sum((1 - lags / n) * covariance)) / n
    rng = np.random.default_rng(3)
    variances = []
    for _ in range(60):
        values = autoregressive(phi, n, rng)
        resampling = resample(np.ones(n), values[:, None], rng, 300)
        variances.append(resampling.means(values)[1:].var())
    assert np.mean(variances) == pytest.approx(expected, rel=0.25)
    assert np.mean(variances) > 2 * 1 / (1 - phi**2) / n  # what ignoring correlation would give


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8])
def test_the_variance_of_a_mean_is_the_closed_form(phi: float) -> None:
    """AR(1), n = 400: var(mean) → 1 / ((1 - φ)² n), with χ² of as many degrees as terms."""
    rng = np.random.default_rng(9)
    series = np.array([autoregressive(phi, 400, rng) for _ in range(1000)]).T
    expected = 1 / ((1 - phi) ** 2 * 400)
    found = variance_of_mean(series, 8)
    assert found.mean() == pytest.approx(expected, rel=0.08)
    assert 2 * found.mean() ** 2 / found.var() == pytest.approx(8, rel=0.2)


def test_unseen_variance_widens_by_its_own_freedom() -> None:
    """0.01 by 4 degrees beside hardly any scatter: Student's t of 4, 2.776 (any table)."""
    samples = np.exp(1e-4 * np.random.default_rng(11).standard_normal((500, 1)))
    samples[0] = 1.0
    low, high = log_estimate(samples, 1000.0, [Unseen(0.01, 0.01, 4)]).limits()
    assert np.log(high) == pytest.approx(0.2776, abs=2e-4)
    assert low * high == pytest.approx(1.0)


def test_the_variance_of_a_mean_is_blind_to_the_mean() -> None:
    """Cosines sum to zero over the record."""
    values = np.random.default_rng(10).standard_normal((40, 2))
    shifted = variance_of_mean(values + np.array([5.0, -1e3]), 4)
    np.testing.assert_allclose(shifted, variance_of_mean(values, 4), rtol=1e-6)


@pytest.mark.parametrize("n_groups", [1, 2, 3, 7, 47, 128])
def test_weights_are_those_of_whole_circular_blocks(n_groups: int) -> None:
    """Each row sums to one and holds as many groups as the record; row 0 is the record."""
    rng = np.random.default_rng(4)
    values = autoregressive(0.7, n_groups, rng)
    resampling = resample(np.ones(n_groups), values[:, None], rng, 50)
    np.testing.assert_allclose(resampling.weights.sum(axis=1), 1)
    counts = resampling.weights * n_groups
    np.testing.assert_allclose(counts, np.round(counts), atol=1e-12)
    np.testing.assert_allclose(resampling.weights[0], 1 / n_groups)
    assert 1 <= resampling.blocks <= n_groups


def test_a_block_wraps_around_the_end() -> None:
    """With blocks as long as a third, first and last groups are drawn as often as others."""
    rng = np.random.default_rng(5)
    trend = np.arange(30.0)
    weights = resample(np.ones(30), trend[:, None], rng, 20_000).weights[1:]
    drawn = weights.mean(axis=0) * 30
    assert drawn == pytest.approx(1, abs=0.05)


def test_groups_weigh_by_their_segments() -> None:
    """The last group may hold fewer segments than the others."""
    segments = np.array([4.0, 4.0, 1.0])
    resampling = resample(segments, np.ones((3, 1)), np.random.default_rng(6), 5)
    np.testing.assert_allclose(resampling.weights[0], segments / 9)


def test_quantities_that_belong_together_share_their_length() -> None:
    """Ten copies of a slow quantity ask for what one asks for, ten white ones rarely for more."""
    rng = np.random.default_rng(7)
    slow = autoregressive(0.9, 120, rng)
    assert politis_white_length(np.stack([slow] * 10, axis=1)) == pytest.approx(
        politis_white_length(slow)
    )
    lengths = [politis_white_length(rng.standard_normal((60, 10))) for _ in range(200)]
    assert np.quantile(lengths, 0.95) <= 2  # 60 groups keep 30 blocks or more


def test_the_same_run_is_resampled_alike_each_time() -> None:
    """The seed depends on the names only."""
    assert run_seed("014").random() == run_seed("014").random()
    assert run_seed("014").random() != run_seed("015").random()


def lognormal(value: float, spread: float, n: int = 40_000) -> Array:
    """Bootstrap samples whose logarithm is exactly normal, row 0 the value."""
    logs = stats.norm.ppf((np.arange(n) + 0.5) / n) * spread
    return np.concatenate([[value], value * np.exp(logs)])


def test_the_interval_is_students_on_the_logarithm() -> None:
    """Value 4, log spread 0.1, 11 blocks: 4 exp(±2.228 · 0.1 · √(11/10)); 2.228 from t tables."""
    low, high = log_estimate(lognormal(4.0, 0.1), 11.0).limits()
    half = 2.228 * 0.1 * np.sqrt(1.1)
    assert low == pytest.approx(4 * np.exp(-half), rel=1e-3)
    assert high == pytest.approx(4 * np.exp(half), rel=1e-3)


def test_run_to_run_variance_widens_the_interval() -> None:
    """Variances add on the log scale."""
    estimate = log_estimate(lognormal(1.0, 0.3), 1e6, [Unseen(0.16)])
    assert estimate.spread == pytest.approx(0.5, rel=1e-3)


def test_an_rms_has_half_the_spread_of_its_variance() -> None:
    """Square root on the log scale."""
    rms = half_value(log_estimate(lognormal(9.0, 0.2), 1e6))
    assert rms.value == pytest.approx(3)
    assert rms.spread == pytest.approx(0.1, rel=1e-3)


@pytest.mark.parametrize(("limit", "expected"), [(1.0, 0.5), (np.exp(0.2228), 0.025), (0.0001, 1)])
def test_probabilities_come_from_the_same_distribution(limit: float, expected: float) -> None:
    """Half above the value itself, 2.5 % above the upper 95 % limit (t_10 = 2.228)."""
    estimate = LogEstimate(np.array(1.0), np.array(0.1), 11.0)
    assert estimate.probability_above(limit) == pytest.approx(expected, abs=2e-4)


def test_a_value_below_zero_exceeds_a_limit_as_its_own_scale_says() -> None:
    """Noise taken from nothing: -1 with a deviation of 2 passes 1² with P(t_19 > 1) = 0.165."""
    rng = np.random.default_rng(4)
    drawn = rng.standard_normal(4000)
    deviation = 2 * np.sqrt(19 / 20)  # times √(n_b / (n_b - 1)) is 2
    samples = np.concatenate([[-1.0], -1 + deviation * (drawn - drawn.mean()) / drawn.std(ddof=1)])
    estimate = half_value(log_estimate(samples, 20.0))
    assert estimate.probability_above(1.0) == pytest.approx(0.1649, abs=2e-4)  # t table, ν = 19
    interval = estimate.interval()
    assert (interval.value, interval.low) == (0.0, 0.0)
    assert interval.high == pytest.approx(np.sqrt(-1 + 2.093 * 2), rel=1e-3)  # t_19; 97.5 %


def test_a_value_hardly_above_noise_is_not_even_odds_of_anything() -> None:
    """A few resamples below zero: a limit ten times higher is not reached with probability 1/2."""
    rng = np.random.default_rng(8)
    samples = np.concatenate([[1.0], rng.normal(1.0, 0.4, 1000)])
    assert (samples < 0).any()
    estimate = log_estimate(samples, 30.0)
    assert estimate.spread == pytest.approx(0.4, rel=0.1)
    assert estimate.probability_above(10.0) < 1e-3
    assert estimate.probability_above(0.9) > 0.5


@pytest.mark.parametrize(("blocks", "reliable"), [(FEWEST_BLOCKS, True), (7.9, False)])
def test_few_blocks_are_marked(blocks: float, reliable: bool) -> None:
    """Below eight independent blocks the spread itself is not known."""
    assert LogEstimate(np.array(1.0), np.array(0.1), blocks).reliable is reliable


def test_certainty_has_no_spread() -> None:
    """Equal samples: probability 0 or 1, one half on the limit itself."""
    estimate = log_estimate(np.full(10, 2.0), 5.0)
    assert [float(estimate.probability_above(x)) for x in (1.0, 2.0, 3.0)] == [1.0, 0.5, 0.0]
