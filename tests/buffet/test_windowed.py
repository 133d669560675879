"""The window's smoothing in closed form: against sums over the kernel, quadrature and scipy."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import integrate
from scipy.differentiate import derivative

from buffet.spectral.peak_model import BACKGROUND_TERMS, Grid, resonance
from buffet.spectral.search import _templates
from buffet.spectral.window import hann
from buffet.spectral.windowed import neighbours, windowed_resonance, windowed_slopes

Array = NDArray[np.float64]
STEP_HZ = 0.4
BINS = np.arange(2.0, 202.0)


@pytest.mark.parametrize("bin_number", [2, 17, 23, 60])
@pytest.mark.parametrize(("natural", "width"), [(20.2, 0.25), (20.0, 3.0), (3.1, 3.0), (47.5, 1.0)])
def test_a_resonance_is_the_transform_of_its_covariance(
    natural: float, width: float, bin_number: int
) -> None:
    """By quadrature, with the window's autocovariance from its samples' own correlation.

    r(τ) = σ² e^{-πBτ} (cos ωτ + (πB/ω) sin ωτ), ω² = (2πf0)² - (πB)², σ² = πB/2 at unit height
    (a lightly damped oscillator driven by white noise).
    """
    n = 4096
    spread = np.fft.irfft(np.abs(np.fft.rfft(hann(n), 2 * n)) ** 2)[:n]
    lag = np.arange(n) / n
    turn = np.sqrt((2 * np.pi * natural) ** 2 - (np.pi * width) ** 2)
    covariance = np.cos(turn * lag) + np.pi * width / turn * np.sin(turn * lag)
    covariance *= np.pi * width / 2 * np.exp(-np.pi * width * lag) * spread / spread[0]
    expected = 4 * integrate.simpson(covariance * np.cos(2 * np.pi * bin_number * lag), x=lag)

    found = windowed_resonance(BINS, np.array([natural]), np.array([width]))[0]
    assert found[bin_number - 2] == pytest.approx(expected, abs=2e-6 * found.max())


@pytest.mark.parametrize(("natural", "width"), [(20.13, 0.25), (50.0, 8.0), (4.0, 3.0)])
def test_its_slopes_are_those_of_differences(natural: float, width: float) -> None:
    """With log f0 and log B, by scipy's adaptive differences of the value alone."""

    def of_natural(log: Array) -> Array:
        return windowed_resonance(BINS, np.exp(log.ravel()), np.full(log.size, width))

    def of_width(log: Array) -> Array:
        return windowed_resonance(BINS, np.full(log.size, natural), np.exp(log.ravel()))

    own = windowed_slopes(BINS, natural, width)
    np.testing.assert_allclose(own[0], of_width(np.log([width]))[0], rtol=1e-10)
    for row, function, at in ((own[1], of_natural, natural), (own[2], of_width, width)):
        for bin_index in (1, 2, 17, 18, 48, 150):
            slope = derivative(
                lambda log, f=function, k=bin_index: f(log)[:, k].reshape(log.shape), np.log(at)
            )
            assert row[bin_index] == pytest.approx(float(slope.df), abs=1e-7 * np.abs(row).max())


@pytest.mark.parametrize("width", [1.0, 5.0, 40.0])
def test_a_resonance_is_the_sum_over_the_kernel(width: float) -> None:
    """To what lies beyond the kernel's four bins, 1e-5 of a peak."""
    grid = Grid(STEP_HZ * BINS, STEP_HZ)
    summed = grid.smooth(resonance(grid.fine_hz, 1.0, 90 * STEP_HZ, width * STEP_HZ)[None])[0]
    closed = windowed_resonance(grid.bins, np.array([90.0]), np.array([width]))[0]
    np.testing.assert_allclose(closed, summed, atol=2e-5)


@pytest.mark.parametrize("first_bin", [2, 40])
@pytest.mark.parametrize("slope", [0.0, -5 / 3, -4.0])
def test_a_background_from_its_bins_is_that_of_the_fine_grid(first_bin: int, slope: float) -> None:
    """Falling backgrounds with a wave on them: 2e-4 at all bins, in the slopes too."""
    grid = Grid(STEP_HZ * np.arange(first_bin, first_bin + 300.0), STEP_HZ)
    own = np.array([0.3, 0.0, 0.2, -0.1, 0.1, 0.05])
    own[1] = slope * np.log(grid.frequency_hz[-1] / grid.frequency_hz[0]) / 2
    expected = grid.smooth(np.exp(own @ grid.background_basis) * grid.background_basis)
    found = grid.background(own)
    assert found.shape == (BACKGROUND_TERMS, 300)
    np.testing.assert_allclose(found / expected[0], expected / expected[0], atol=2e-4)


def test_the_neighbours_weights_are_the_windows_power_at_whole_bins() -> None:
    """One bin alone: 1/6, 2/3 and 1/6, as the squared transform of the window's own samples."""
    n = 64
    power = np.abs(np.fft.fft(hann(n))) ** 2 / (n * np.sum(hann(n) ** 2))
    one = np.zeros(9)
    one[4] = 1.0
    np.testing.assert_allclose(neighbours(one)[2:5], power[[1, 0, 1]], atol=1e-15)
    np.testing.assert_allclose(power[2:-1], 0, atol=1e-15)


@pytest.mark.parametrize("n_bins", [31, 200])
def test_templates_by_blocks_are_templates_one_by_one(n_bins: int) -> None:
    """Sums with random columns against sums over each peak from the fine grid, 24 bins around."""
    low, step = 2 * STEP_HZ, STEP_HZ
    wanted = _templates(low, step, n_bins)
    grid = Grid(low + step * np.arange(n_bins), step)
    columns = np.random.default_rng(1).standard_normal((n_bins, 3))
    found = wanted @ columns
    narrow = int(wanted.filled.sum())
    for row in range(0, len(found), 7):
        natural, width = wanted.natural_hz[row], wanted.bandwidth_hz[row]
        shape = grid.smooth(resonance(grid.fine_hz, 1.0, natural, width)[None])[0]
        if row < narrow:
            shape[np.abs(np.arange(n_bins) - np.rint((natural - low) / step)) > 24] = 0
        np.testing.assert_allclose(found[row], shape @ columns, atol=2e-3)
