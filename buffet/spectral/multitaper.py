"""Thomson's multitaper: spectrum and test for lines of one stretch of samples.

Source: Thomson 1982, Spectrum estimation and harmonic analysis, Proc. IEEE 70, 1055-1096; adaptive
weights and degrees of freedom as Percival & Walden 1993, eqs. 368a and 370b (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Time-bandwidth product NW and number of tapers K. With few stretches the threshold of the F-test
# falls fast with K (a p of 1e-5 wants F(2, 6) = 136, F(2, 12) = 35), and 2 NW - 1 tapers keep
# their energy in the band (the last one 94 %); a wider band would bring no less and smear more.
HALF_BANDWIDTH_BINS = 4.0
TAPERS = 7
# Where between two bins a line is looked for: a line off its template is residual to the test, and
# caps F at 310 for a twelfth of a bin (at 31 for a quarter, less than a threshold may be).
OFFSETS_BINS = (np.arange(6) - 2.5) / 6
# Adaptive weights settle within a few steps; relative change that is none.
MOST_STEPS = 20
SETTLED = 1e-3


@dataclass(frozen=True)
class Tapers:
    """Discrete prolate spheroidal sequences and what they make of a line near a bin."""

    windows: Array  # (n_tapers, n_samples), unit energy
    concentration: Array  # (n_tapers,), share of each one's energy within the half-bandwidth
    templates: Complex  # (n_offsets, n_tapers), transform of a unit line off a bin by an offset

    @property
    def energy(self) -> Array:
        """Σ |U_k|² of each template, ``(n_offsets,)``; n_samples for a line fully taken up."""
        return np.asarray(np.sum(np.abs(self.templates) ** 2, axis=1))


@lru_cache(maxsize=4)
def tapers(
    n_samples: int, half_bandwidth: float = HALF_BANDWIDTH_BINS, count: int = TAPERS
) -> Tapers:
    """Tapers of a stretch of `n_samples`."""
    from scipy.signal.windows import dpss

    windows, concentration = dpss(n_samples, half_bandwidth, count, return_ratios=True)
    turns = OFFSETS_BINS[:, None] * np.arange(n_samples) / n_samples
    made = Tapers(windows, concentration, np.exp(2j * np.pi * turns) @ windows.T)
    for value in vars(made).values():
        value.setflags(write=False)
    return made


def transforms(samples: Array, made: Tapers, bins: slice) -> Complex:
    """Transforms of tapered samples ``(n_samples,)`` at some of the bins, ``(n_tapers, n)``."""
    from scipy.fft import rfft

    return np.asarray(rfft(samples * made.windows, axis=1)[:, bins])


def adaptive_psd(
    coefficients: Complex, made: Tapers, variance: float, sample_rate_hz: float
) -> tuple[Array, Array]:
    """One-sided PSD with adaptive weights and its degrees of freedom, each ``(n_bins,)``.

    The weights trust a taper where what it may leak, its unconcentrated share of the whole
    variance, lies below the spectrum. On average the PSD integrates to the variance.

    Parameters
    ----------
    coefficients : (n_tapers, n_bins), of bins between zero and Nyquist's
    variance : of the samples, which bounds what leaks
    """
    power = np.abs(coefficients) ** 2 / sample_rate_hz  # two-sided
    kept = made.concentration[:, None]
    leaked = (1 - kept) * variance / sample_rate_hz
    density = power[:2].mean(axis=0)
    for _ in range(MOST_STEPS):
        weight = kept * (density / np.maximum(kept * density + leaked, 1e-300)) ** 2
        total = np.maximum(weight.sum(axis=0), 1e-300)
        before, density = density, (weight * power).sum(axis=0) / total
        if (np.abs(density - before) <= SETTLED * before).all():
            break
    squares = np.maximum((weight**2).sum(axis=0), 1e-300)
    return 2 * density, 2 * weight.sum(axis=0) ** 2 / squares


def line_power(coefficients: Complex, made: Tapers) -> Array:
    """Power that a line explains at each offset from each bin, ``(n_offsets, n_bins)``.

    The regression of the tapers' transforms on a line's template, Σ U* y, squared, over Σ |U|².
    Of the sum of |y|² over the tapers it leaves the rest to noise: in a spectrum that is flat
    over the band both are independent, of 2 and 2 K - 2 degrees of freedom.
    """
    projected = np.abs(np.conj(made.templates) @ coefficients) ** 2
    return np.asarray(projected / made.energy[:, None])


def f_ratio(explained: Array, total: Array, count: int = TAPERS) -> Array:
    """Thomson's F, of 2 and 2 K - 2 degrees of freedom, of a line's share of the tapers' power."""
    rest = np.maximum(total - explained, np.finfo(float).tiny)
    return np.asarray((count - 1) * explained / rest)


def minus_log_p(ratio: Array, count: int = TAPERS) -> Array:
    """-log of the probability of a larger F(2, 2 K - 2), which is (1 + F / (K - 1))^-(K - 1)."""
    return np.asarray((count - 1) * np.log1p(ratio / (count - 1)))


def curvature_allowance(bandwidth_bins: float) -> float:
    """What the top of a resonance lends F, which a line must exceed: 1 or more.

    F holds the middle of the tapers' band against the rest of it. Where a resonance of this
    half-power bandwidth has its top, the middle holds more: the ratio of both expectations.
    """
    n_samples, reach = 256, 64
    made = tapers(n_samples)
    offset = np.arange(-reach * 8, reach * 8 + 1) / 8
    turns = np.outer(offset, np.arange(n_samples)) / n_samples
    at = made.windows @ np.exp(2j * np.pi * turns).T  # (n_tapers, n_offsets)
    on_bin = made.windows.sum(axis=1)
    middle = np.abs(on_bin @ at) ** 2 / (on_bin @ on_bin)
    rest = np.sum(np.abs(at) ** 2, axis=0) - middle
    density = 1 / (1 + (2 * offset / bandwidth_bins) ** 2)
    flat = middle.sum() / rest.sum()
    return float((density @ middle) / (density @ rest) / flat)


def frequency_scatter() -> float:
    """Variance of a line's frequency, times A² T³ / S; 3 / π² would be the least (Rife & Boorstyn).

    Of the maximum of |∫ h x e^(-iωt)|², with h the window that the line's template makes of the
    tapers: the phase's slope over the stretch, 1 / (2 π)² · ∫ h² t² / (∫ h t²)² (Rife & Boorstyn
    1974, IEEE Trans. Inf. Theory 20, 591-598, give the bound for a flat h).
    """
    n_samples = 256
    made = tapers(n_samples)
    on_bin = made.windows.sum(axis=1)
    window = on_bin @ made.windows / (on_bin @ on_bin)
    time = (np.arange(n_samples) - (n_samples - 1) / 2) / n_samples
    slope = np.sum(window**2 * time**2) * n_samples / np.sum(window * time**2) ** 2
    return float(slope / (2 * np.pi) ** 2)
