"""The Morlet wavelet transform and what red noise would give.

All equations and the numbers of the Morlet wavelet: Torrence & Compo 1998, A practical guide to
wavelet analysis, Bull. Am. Meteorol. Soc. 79, 61-78, with the authors' errata (equation 17 has no
factor of one half on its left). Written out here since PyWavelets samples its wavelets on a fixed
grid and moves them by half a sample: it misses the authors' printed results by up to a half at
large scales.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

OMEGA_0 = 6.0  # the Morlet wavelet's frequency, without a dimension
# Fourier period over scale (Table 1): 1.03.
PERIOD_PER_SCALE = 4 * np.pi / (OMEGA_0 + np.sqrt(2 + OMEGA_0**2))
# Time over scale in which a jump's or an end's effect falls to 1/e² in power (Table 1).
INFLUENCE_PER_SCALE = np.sqrt(2.0)
# Table 2: reconstruction, decorrelation in time, decorrelation over scales.
RECONSTRUCTION = 0.776
TIME_DECORRELATION = 2.32
SCALE_DECORRELATION = 0.60
# From its middle to where a wavelet's power over frequency falls to one half, over its frequency:
# exp(-(s ω - ω0)²) = 1/2.
HALF_WIDTH = np.sqrt(np.log(2.0)) / OMEGA_0
LEVEL = 0.95
# s ω - ω0 beyond which a wavelet's amplitude is below 1e-4 and its bins are left out.
REACH = np.sqrt(2 * np.log(1e4))


def scale_s(frequency_hz: float) -> float:
    """Scale whose Fourier period is that of a frequency."""
    return float(1 / (frequency_hz * PERIOD_PER_SCALE))


def scales_between(low_hz: float, high_hz: float, per_octave: int) -> Array:
    """Scales from the highest frequency down, both ends in, shape ``(n,)``; evenly in logarithm."""
    n = max(2, int(np.ceil(per_octave * np.log2(high_hz / low_hz) - 1e-9)) + 1)
    return np.asarray(np.geomspace(scale_s(high_hz), scale_s(low_hz), n))


def frequency_hz(scales_s: Array) -> Array:
    """Fourier frequency of scales, the same shape."""
    return np.asarray(1 / (PERIOD_PER_SCALE * scales_s))


def wavelets(scales_s: Array, bins_hz: Array, step_s: float) -> Array:
    """The wavelets' transforms at frequencies from zero up, ``(n_scales, n_bins)``; eqs 5 and 6.

    Normalised to unit energy, so that |W|² of white noise is its variance at every scale.
    """
    scales = np.asarray(scales_s)[:, None]
    shape = np.exp(-0.5 * (2 * np.pi * scales * bins_hz - OMEGA_0) ** 2) * np.pi**-0.25
    return np.asarray(np.where(bins_hz > 0, np.sqrt(2 * np.pi * scales / step_s) * shape, 0.0))


def transform(samples: Array, step_s: float, scales_s: Array, length: int | None = None) -> Complex:
    """Wavelet coefficients at all times, ``(n_scales, n)``; eq. 4.

    Parameters
    ----------
    samples : (n,), their mean is taken out
    length : zeros are added up to here (even), twice the samples unless told
    """
    from scipy.fft import ifft, next_fast_len, rfft

    length = length or 2 * int(next_fast_len(len(samples), real=True))
    bins = rfft(samples - samples.mean(), length)
    bins_hz = np.arange(len(bins)) * np.float64(1 / (length * step_s))
    spectrum = np.zeros((len(scales_s), length), complex)
    spectrum[:, : len(bins)] = bins * wavelets(scales_s, bins_hz, step_s)
    return np.asarray(ifft(spectrum, axis=1)[:, : len(samples)])


def average_weights(scales_s: Array, step_s: float) -> Array:
    """What sums |W|² over scales to their mean in units of the signal's variance; eq. 24.

    Shape ``(n_scales,)``; the scales are evenly spaced in logarithm.
    """
    return np.asarray(_octaves(scales_s) * step_s / RECONSTRUCTION / scales_s)


def _octaves(scales_s: Array) -> float:
    """Distance of neighbouring scales in octaves."""
    return float(np.log2(scales_s[1] / scales_s[0]))


def global_freedom(scales_s: Array, averaged_s: Array | float) -> Array:
    """Degrees of freedom of |W|² averaged over a time, ``(n_scales,)``; eq. 23."""
    return np.asarray(2 * np.sqrt(1 + (averaged_s / (TIME_DECORRELATION * scales_s)) ** 2))


def average_freedom(scales_s: Array) -> float:
    """Degrees of freedom of power averaged over scales; eqs 25 and 28."""
    total = 1 / np.sum(1 / scales_s)
    middle = np.sqrt(scales_s[0] * scales_s[-1])
    n = len(scales_s)
    widened = np.sqrt(1 + (n * _octaves(scales_s) / SCALE_DECORRELATION) ** 2)
    return float(2 * n * total / middle * widened)


def exceeded(freedom: Array | float, level: float = LEVEL) -> Array:
    """What noise of unit power exceeds with a probability of 1 - level: χ²_ν / ν; eqs 17 to 21."""
    from scipy.special import gammaincinv

    half = np.asarray(freedom) / 2
    return np.asarray(gammaincinv(half, level) / half)


def average_level(scales_s: Array, step_s: float, background: Array, level: float = LEVEL) -> float:
    """Level that scale-averaged power of noise exceeds by chance, unit²; eqs 26 and 27.

    `background` ``(n_scales,)``: |W|² that the noise has in expectation.
    """
    expected = float(np.sum(average_weights(scales_s, step_s) * background))
    return expected * float(exceeded(average_freedom(scales_s), level))


@dataclass(frozen=True)
class RedNoise:
    """A first-order autoregressive process, the background of a wavelet spectrum."""

    lag_one: float
    variance: float
    step_s: float

    def density(self, bins_hz: Array) -> Array:
        """One-sided, unit² / Hz, the same shape; eq. 16."""
        return np.asarray(2 * self.step_s * self.power(bins_hz))

    def power(self, bins_hz: Array) -> Array:
        """|W|² in expectation at wavelets' frequencies, the same shape; eqs 16 and 17."""
        turn = np.cos(2 * np.pi * bins_hz * self.step_s)
        shape = (1 - self.lag_one**2) / (1 + self.lag_one**2 - 2 * self.lag_one * turn)
        return np.asarray(self.variance * shape)


def red_noise_of(samples: Array, step_s: float) -> RedNoise:
    """Of a record without peaks: its variance and (α1 + √α2) / 2, the paper's own estimate."""
    about = samples - samples.mean()
    variance = float(np.mean(about**2))
    first, second = (float(about[lag:] @ about[:-lag]) / len(about) / variance for lag in (1, 2))
    return RedNoise((first + np.sqrt(max(second, 0.0))) / 2, variance, step_s)


class BandFilter:
    """Power of a few scales, averaged, at no more instants than the band needs.

    Wavelets reach few bins, so that their coefficients are transformed back from these alone: a
    shift in frequency leaves |W|² as it is. The record is taken as periodic, which only the cone
    of influence notices.
    """

    def __init__(self, n: int, step_s: float, scales_s: Array, weights: Array) -> None:
        from scipy.fft import next_fast_len

        bins_hz = np.arange(n // 2 + 1) * np.float64(1 / (n * step_s))
        low, high = (OMEGA_0 + side * REACH for side in (-1, 1))
        first = np.searchsorted(bins_hz, low / (2 * np.pi * scales_s.max()))
        last = np.searchsorted(bins_hz, high / (2 * np.pi * scales_s.min()), side="right")
        self.kept = slice(int(first), int(last))  # of the record's bins
        inside = bins_hz[self.kept]
        scaled = np.sqrt(weights)[:, None] * wavelets(scales_s, inside, step_s)
        self.count = int(min(next_fast_len(max(len(inside), 1)), n))  # instants of the record
        self._wavelets = scaled * (self.count / n)
        self.step_s = n * step_s / self.count

    def power(self, bins: Complex) -> Array:
        """Of the record's bins that are kept, ``(..., n_kept)``, shape ``(..., count)``."""
        from scipy.fft import ifft

        total = np.zeros((*bins.shape[:-1], self.count))
        for wavelet in self._wavelets:
            coefficients = ifft(bins * wavelet, self.count, axis=-1)
            total += coefficients.real**2 + coefficients.imag**2
        return total
