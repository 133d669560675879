"""The Whittle fit: model against closed forms, gradient against differences, spread as stated."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import integrate, optimize

from buffet.spectral.engine import SegmentEngine
from buffet.spectral.peak_model import (
    BACKGROUND_TERMS,
    Grid,
    Shape,
    evaluate,
    mode_gain,
    resonance,
    resonance_variance,
    seen_variance,
)
from buffet.spectral.segments import SegmentSettings
from buffet.spectral.whittle import background_start, fit, relative_deviance
from buffet.spectral.window import HANN_BIN_INFORMATION, effective_segments, hann
from tests.thorough.records import RATE_HZ, Resonance, from_density

Array = NDArray[np.float64]
STEP_HZ = 0.4


def grid(n_bins: int = 200) -> Grid:
    """Bins from the third up."""
    return Grid(np.asarray(STEP_HZ * np.arange(2, n_bins + 2), float), STEP_HZ)


def parameters(*peaks: tuple[float, float, float]) -> Array:
    """A flat background of one and peaks by height, natural frequency and bandwidth."""
    return np.concatenate([np.zeros(BACKGROUND_TERMS), *(np.log(peak) for peak in peaks)])


@pytest.mark.parametrize("quality", [1.5, 6.0, 40.0])
def test_the_variance_of_a_resonance_is_its_integral(quality: float) -> None:
    """A π B / 2 against numerical integration from zero to infinity."""
    natural, width = 10.0, 10.0 / quality

    def density(frequency_hz: float) -> float:
        return float(resonance(np.array(frequency_hz), 3.0, natural, width))

    below, _ = integrate.quad(density, 0, 2 * natural, points=[natural], limit=500)
    above, _ = integrate.quad(density, 2 * natural, np.inf, limit=500)
    assert resonance_variance(3.0, width) == pytest.approx(below + above, rel=1e-6)


def test_a_resonance_falls_to_half_across_its_bandwidth() -> None:
    """Q = 50: half the height at f0 ± B/2 (exact to 1/Q); the height itself at f0."""
    value = resonance(np.array([9.9, 10.0, 10.1]), 2.0, 10.0, 0.2)
    np.testing.assert_allclose(value, [1.0, 2.0, 1.0], rtol=0.02)


@pytest.mark.parametrize("quality", [4.0, 12.0, 40.0])
def test_the_smoothed_model_is_the_expected_periodogram(quality: float) -> None:
    """E|DFT|² of the windowed process from its autocovariance, bin by bin.

    The covariance of a resonance is σ² e^{-πBt} (cos ωt + (πB/ω) sin ωt), ω² = (2πf0)² - (πB)²
    (a lightly damped oscillator driven by white noise). Sampled densely enough that aliasing
    stays below the tolerance.
    """
    natural, width, rate = 20.0, 20.0 / quality, 2000.0
    n = round(rate / STEP_HZ)
    time = np.arange(n) / rate
    decay = np.pi * width
    turn = np.sqrt((2 * np.pi * natural) ** 2 - decay**2)
    covariance = np.exp(-decay * time) * (np.cos(turn * time) + decay / turn * np.sin(turn * time))
    window = hann(n)
    overlap = np.fft.irfft(np.abs(np.fft.rfft(window, 2 * n)) ** 2)[:n]  # Σ w_i w_{i+k}
    folded = covariance * overlap
    bins = 2 * np.real(np.fft.fft(folded)) - folded[0]
    expected = 2 * bins / (rate * np.sum(window**2))
    where = grid()
    ours = where.smooth(resonance(where.fine_hz, 2 / (np.pi * width), natural, width)[None])[0]
    near = np.abs(where.frequency_hz - natural) < max(5 * width, 3.0)
    index = np.round(where.frequency_hz[near] / STEP_HZ).astype(int)
    np.testing.assert_allclose(ours[near], expected[index], rtol=0.01)


def test_smoothing_keeps_a_flat_spectrum_and_its_energy() -> None:
    """The kernel's weights sum to one, at the ends of the band too."""
    where = grid()
    flat = where.smooth(np.ones((1, len(where.fine_hz))))
    np.testing.assert_allclose(flat, 1, rtol=1e-12)


@pytest.mark.parametrize(
    ("peaks", "shapes"),
    [
        ((), ()),
        (((3.0, 20.0, 2.0),), ("resonance",)),
        (((3.0, 20.3, 1.0),), ("line",)),
        (((3.0, 20.0, 2.0), (9.0, 45.1, 1.0)), ("resonance", "line")),
        (((1.0, 15.0, 5.0), (2.0, 18.0, 0.8)), ("resonance", "resonance")),
        (((0.5, 30.0, 3.0),), ("mode",)),
        (((3.0, 15.0, 2.0), (0.01, 30.0, 1.0), (9.0, 45.1, 1.0)), ("resonance", "mode", "line")),
    ],
)
def test_the_gradient_is_that_of_finite_differences(
    peaks: tuple[tuple[float, float, float], ...], shapes: tuple[Shape, ...]
) -> None:
    """Every parameter against a central difference."""
    where = grid()
    start = parameters(*peaks)
    start[:BACKGROUND_TERMS] = [0.1, -1.0, 0.3, 0.2, -0.1, 0.05]

    _, gradient = evaluate(where, start, shapes)
    for row, nudge in zip(gradient, 1e-5 * np.eye(len(start)), strict=True):
        above, below = (evaluate(where, start + sign * nudge, shapes)[0] for sign in (1, -1))
        np.testing.assert_allclose(row, (above - below) / 2e-5, atol=1e-5 * np.abs(gradient).max())


def test_the_likelihood_is_highest_at_the_truth() -> None:
    """Fitted to its own expectation, the model returns what was planted."""
    where = grid()
    planted = parameters((3.0, 20.0, 2.0))
    planted[:3] = [0.2, -1.0, 0.3]
    expected, _ = evaluate(where, planted, ("resonance",))
    start = np.append(background_start(where, expected), np.log([1.0, 21.0, 3.0]))
    found = fit(where, expected, start, 10.0, ("resonance",))
    np.testing.assert_allclose(found.parameters, planted, atol=2e-3)


def test_a_bandwidth_at_its_limit_keeps_nothing_else_back() -> None:
    """A line fitted as a resonance: as likely as scipy's bounded optimiser makes it."""
    own = grid()
    truth = parameters((1e-3, 30.0, 5.0))
    spectrum, _ = evaluate(own, truth, ("resonance",))
    spectrum = spectrum * (1 + 0.4 * own.frequency_hz[0] / own.frequency_hz)
    spectrum[50] += 40.0
    draws = np.random.default_rng(4).gamma(20.0, 1 / 20.0, len(spectrum))
    psd, weight = spectrum * draws, 20 * HANN_BIN_INFORMATION
    start = parameters((5.0, own.frequency_hz[50] * 1.001, 0.5))
    ours = fit(own, psd, start, weight, ("resonance",))
    assert np.exp(ours.parameters[-1]) == pytest.approx(0.25 * STEP_HZ)  # the limit

    def against(values: Array) -> tuple[float, Array]:
        model, slopes = evaluate(own, values, ("resonance",))
        loss = weight * np.sum(np.log(model) + psd / model)
        return float(loss), -weight * (slopes / model) @ (psd / model - 1)

    low, high = np.log(own.frequency_hz[[0, -1]])
    limits = [(None, None)] * (BACKGROUND_TERMS + 1) + [(low, high), (np.log(0.1), high)]
    theirs = optimize.minimize(
        against, start, jac=True, method="L-BFGS-B", bounds=limits, options={"maxiter": 2000}
    )
    assert ours.log_likelihood == pytest.approx(-theirs.fun, abs=2e-3)


def test_a_mode_multiplies_by_its_response() -> None:
    """Flat force through one degree of freedom: 1 at rest, (f0/B)² at f0, a floor added."""
    gain = mode_gain(np.array([1e-6, 30.0, 60.0]), 30.0, 2.0)
    np.testing.assert_allclose(gain, [1, 225, 1 / (9 + (2 * 2 / 30) ** 2)])
    where = grid()
    flat = np.log([7.0, 30.0, 8.0])
    spectrum, _ = evaluate(where, np.concatenate([np.zeros(BACKGROUND_TERMS), flat]), ("mode",))
    assert spectrum[0] == pytest.approx(8, rel=1e-3)


def test_what_resounds_in_a_mode_is_the_integral_of_its_response() -> None:
    """A flat force of density 2: numerical integration of |H|² from zero to infinity."""
    natural, width = 30.0, 3.0
    planted = np.concatenate([np.zeros(BACKGROUND_TERMS), np.log([1e-9, natural, width])])
    planted[0] = np.log(2.0)
    frequency = np.concatenate([np.linspace(0, 300, 300_001), np.geomspace(300.01, 1e5, 10_000)])
    response = 1 / ((1 - (frequency / natural) ** 2) ** 2 + (width * frequency / natural**2) ** 2)
    expected = 2 * float(np.trapezoid(response, frequency))
    assert seen_variance(planted, grid(), ("mode",), 0) == pytest.approx(expected, rel=1e-3)


def test_a_resonance_seen_through_a_mode_grows_by_its_response() -> None:
    """At half the mode's frequency by 1 / (1 - 1/4)², damping aside."""
    mode = np.log([1e-9, 40.0, 0.4])
    planted = np.concatenate([np.zeros(BACKGROUND_TERMS), np.log([3.0, 20.0, 1.0]), mode])
    seen = seen_variance(planted, grid(), ("resonance", "mode"), 0)
    assert seen == pytest.approx(3 * np.pi / 2 / (9 / 16), rel=1e-3)


@pytest.mark.parametrize("segments", [3.0, 40.0])
def test_the_deviance_of_a_right_model_is_one(segments: float) -> None:
    """Independent gamma ratios over a known flat spectrum: 1, within four standard errors."""
    where = grid()
    rng = np.random.default_rng(9)
    model = fit(where, np.ones(200), np.zeros(BACKGROUND_TERMS), segments)
    deviances = [
        relative_deviance(model, rng.gamma(segments, 1 / segments, 200), segments)
        for _ in range(400)
    ]
    values, scatter = np.array([value for value, _ in deviances]), deviances[0][1]
    left = 1 - BACKGROUND_TERMS / 200  # the model was not fitted to them
    assert values.mean() * left == pytest.approx(1, abs=4 * scatter / np.sqrt(400))
    independent = scatter / np.sqrt(1 + 2 * (2 / 3) ** 4 + 2 * (1 / 6) ** 4)
    assert values.std() * left == pytest.approx(independent, rel=0.15)


def test_the_deviance_of_a_wrong_model_is_above_one() -> None:
    """A line that the model lacks."""
    psd = np.random.default_rng(10).gamma(40.0, 1 / 40.0, 200)
    psd[100:103] *= 3
    model = fit(grid(), psd, np.zeros(BACKGROUND_TERMS), 40.0 * HANN_BIN_INFORMATION)
    deviance, scatter = relative_deviance(model, psd, 40.0)
    assert deviance > 1 + 4 * scatter


def test_a_background_start_follows_a_power_law() -> None:
    """f^-5/3 is a straight line in logarithms, which the basis holds exactly."""
    where = grid()
    psd = where.frequency_hz ** (-5 / 3)
    start = background_start(where, psd)
    at_bins = np.interp(where.frequency_hz, where.fine_hz, np.exp(start @ where.background_basis))
    np.testing.assert_allclose(at_bins, psd, rtol=1e-2)


def spread_over_records(n_records: int, seed: int) -> tuple[Array, Array]:
    """Fitted log A, log f0, log B and their stated variances over records, ``(n, 3)`` each."""
    planted = Resonance(20.0, 2.0, 0.7)
    rng = np.random.default_rng(seed)
    samples = from_density(
        lambda f: planted.density(f) + np.full(f.shape, 0.003), n_records, 60.0, rng
    )
    engine = SegmentEngine(n_records, SegmentSettings(RATE_HZ, round(RATE_HZ / STEP_HZ)))
    engine.push(samples)
    spectra = engine.finish()
    where = grid()
    weight = effective_segments(spectra.n_segments) * HANN_BIN_INFORMATION
    height = 2 * planted.variance / (np.pi * planted.bandwidth_hz)
    start = np.append(np.full(1, np.log(0.003)), np.zeros(BACKGROUND_TERMS - 1))
    start = np.append(start, np.log([height, 20.0, 2.0]))
    fits = [fit(where, psd[2:202], start, weight, ("resonance",)) for psd in spectra.psd]
    return (
        np.array([f.peak(0) for f in fits]),
        np.array([np.diag(f.peak_covariance(0)) for f in fits]),
    )


def test_standard_errors_are_the_scatter_over_records() -> None:
    """200 records: stated over observed standard deviation (itself known to 5 %), and no bias."""
    values, variances = spread_over_records(200, 18)
    observed = values.std(axis=0, ddof=1)
    ratio = np.sqrt(variances.mean(axis=0)) / observed
    assert ((ratio > 0.85) & (ratio < 1.2)).all(), ratio
    truth = np.log([2 * 0.7 / (np.pi * 2.0), 20.0, 2.0])
    bias = (values.mean(axis=0) - truth) / observed
    assert np.abs(bias).max() < 0.35, bias
