"""Laws that any spectrum obeys, over kinds of signal, lengths and segment lengths."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segments import SegmentSettings, SegmentSpectra

Array = NDArray[np.float64]
Signal = Callable[[int], Array]
RATE_HZ = 250.0


def white(n: int) -> Array:
    """Unit variance."""
    return np.random.default_rng(1).standard_normal((2, n))


def red(n: int) -> Array:
    """Smoothed over 20 samples."""
    rng = np.random.default_rng(2)
    return np.array([np.convolve(row, np.ones(20) / 20)[:n] for row in rng.standard_normal((2, n))])


def tones(n: int) -> Array:
    """Two sines and weak noise."""
    time = np.arange(n) / RATE_HZ
    sines = [np.sin(2 * np.pi * 17.3 * time), 2 * np.cos(2 * np.pi * 61.0 * time + 0.4)]
    return np.asarray(np.array(sines) + 0.01 * white(n))


SIGNALS = (white, red, tones)


def spectra_of(samples: Array, length: int) -> SegmentSpectra:
    """One pass in uneven blocks."""
    engine = SegmentEngine(len(samples), SegmentSettings(RATE_HZ, length, (0, 1)))
    for start in range(0, samples.shape[1], 777):
        engine.push(samples[:, start : start + 777])
    return engine.finish()


@pytest.mark.parametrize("signal", SIGNALS)
@pytest.mark.parametrize("n", [20_000, 20_001])
@pytest.mark.parametrize("length", [128, 250, 1000])
class TestLaws:
    """A grid of signals, lengths of the record and lengths of the segment."""

    def test_bins_sum_to_the_variance(self, signal: Signal, n: int, length: int) -> None:
        """Within the end effects: the outer half-segments count less, and some scatter is lost.

        The sum of the bins is the mean of x² weighted by the segments' windows, which is even
        but for a segment at each end; its scatter is that of the variance over two segments.
        """
        samples = signal(n)
        spectra = spectra_of(samples, length)
        bins = spectra.psd.sum(axis=1) * spectra.frequency_step_hz
        np.testing.assert_allclose(bins, samples.var(axis=1), rtol=2 * length / n + 0.02)

    def test_parseval_holds_to_the_last_digit(self, signal: Signal, n: int, length: int) -> None:
        """The bin sum is the window-weighted mean square of the record less its mean."""
        samples = signal(n)
        spectra = spectra_of(samples, length)
        bins = spectra.psd.sum(axis=1) * spectra.frequency_step_hz
        window = np.sin(np.pi * np.arange(length) / length) ** 4
        weight = np.zeros(n)
        for start in range(0, n - length + 1, length // 2):
            weight[start : start + length] += window
        centred = samples - samples.mean(axis=1, keepdims=True)
        np.testing.assert_allclose(bins, centred**2 @ weight / weight.sum(), rtol=1e-9)

    def test_doubling_the_signal_quadruples_the_psd(
        self, signal: Signal, n: int, length: int
    ) -> None:
        """Moments and cross-spectra too; the coherence stays."""
        samples = signal(n)
        once, twice = spectra_of(samples, length), spectra_of(2 * samples, length)
        for name in ("psd", "cross", "covariance", "group_psd"):
            np.testing.assert_allclose(getattr(twice, name), 4 * getattr(once, name), rtol=1e-12)

    def test_a_shift_of_the_mean_moves_the_mean_alone(
        self, signal: Signal, n: int, length: int
    ) -> None:
        """By a thousand times the fluctuation."""
        samples = signal(n)
        plain, shifted = spectra_of(samples, length), spectra_of(samples + 1e3, length)
        np.testing.assert_allclose(shifted.mean, plain.mean + 1e3, rtol=1e-12)
        for name in ("psd", "covariance", "group_psd"):
            reference = getattr(plain, name)
            tolerance = 1e-10 * np.abs(reference).max()
            np.testing.assert_allclose(getattr(shifted, name), reference, atol=tolerance)

    def test_coherence_lies_between_zero_and_one(self, signal: Signal, n: int, length: int) -> None:
        """In every bin; one of a channel with itself scaled."""
        samples = signal(n)
        spectra = spectra_of(samples, length)
        coherence = np.abs(spectra.cross_psd(0, 1)) ** 2 / (spectra.psd[0] * spectra.psd[1])
        assert (coherence >= 0).all()
        assert (coherence <= 1 + 1e-12).all()
        same = spectra_of(np.array([samples[0], -3 * samples[0]]), length)
        own = np.abs(same.cross_psd(0, 1)) ** 2 / (same.psd[0] * same.psd[1])
        np.testing.assert_allclose(own, 1, rtol=1e-9)


@pytest.mark.parametrize("unit", [1e-3, 1e3])
def test_another_unit_of_time_scales_density_inversely(unit: float) -> None:
    """Rate in another unit: PSD per frequency goes the other way, bin sums stay."""
    samples = white(5000)
    engines = [SegmentEngine(2, SegmentSettings(rate, 100)) for rate in (1.0, unit)]
    for engine in engines:
        engine.push(samples)
    one, other = (engine.finish() for engine in engines)
    np.testing.assert_allclose(other.psd, one.psd / unit, rtol=1e-12)
    np.testing.assert_allclose(other.frequency_hz, one.frequency_hz * unit, rtol=1e-12)


def test_incoherent_signals_stay_below_the_coherence_threshold() -> None:
    """K = 19: the 95 % point is 1 - 0.05^{1/(n_eff - 1)} = 0.1611, the mean 1/n_eff = 0.0554.

    200 pairs of 29 bins. Goodman 1957 and Carter (from memory) with Welch's n_eff = 18.05; with
    K itself the threshold would be 0.1533.
    """
    rng = np.random.default_rng(1957)
    values = []
    for _ in range(10):
        engine = SegmentEngine(40, SegmentSettings(1.0, 64, tuple(range(40))))
        engine.push(rng.standard_normal((40, 32 * 20)))
        spectra = engine.finish()
        for first in range(0, 40, 2):
            cross = np.abs(spectra.cross_psd(first, first + 1)) ** 2
            values.append((cross / (spectra.psd[first] * spectra.psd[first + 1]))[2:-2])
    assert np.quantile(values, 0.95) == pytest.approx(0.1611, abs=0.005)
    assert np.mean(values) == pytest.approx(0.0554, rel=0.03)
