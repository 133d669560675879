"""The Hann window at half overlap: its constants and what they do to statistics."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

# Equivalent noise bandwidth in bins (Harris 1978, Table I).
HANN_NOISE_BANDWIDTH_BINS = 1.5
# Correlation of the windowed noise of half-overlapping segments (Harris 1978, Table I: 16.7 %).
HANN_OVERLAP_CORRELATION = 1 / 6
# One minus the information lost because neighbouring Hann bins are correlated:
# 1 / (1 + 2 Σ ρ_k²), with bin-to-bin coherence ρ_1 = 2/3 and ρ_2 = 1/6.
HANN_BIN_INFORMATION = 18 / 35
# Variance of a mean over bins of what is quadratic in their departures, over that of independent
# bins: departures correlate by ρ², their squares by ρ⁴, 1 + 2 Σ ρ_k⁴.
HANN_DEVIANCE_CORRELATION = 1 + 2 * ((2 / 3) ** 4 + (1 / 6) ** 4)

# Bins on either side of its own that a pure line reaches above 1 % of its power.
LOBE_BINS = 2


def hann(n_samples: int) -> NDArray[np.float64]:
    """Periodic Hann window, shape ``(n_samples,)``.

    Periodic, because a constant then falls into bins 0 and 1 alone, so that the record's mean
    can be taken out of the transforms afterwards.
    """
    return 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n_samples) / n_samples)


def effective_segments(n_segments: int) -> float:
    """Independent segments that half-overlapping Hann segments are worth.

    Source: Welch 1967 (IEEE Trans. Audio Electroacoust. 15, 70-73), K_eff = 18 K² / (19 K - 1)
    for the overlap correlation of 1/6.
    """
    overlap = HANN_OVERLAP_CORRELATION**2
    return n_segments / (1 + 2 * (1 - 1 / n_segments) * overlap) if n_segments else 0.0


def degrees_of_freedom(n_segments: int) -> float:
    """Degrees of freedom of one bin of the averaged periodogram (Welch 1967)."""
    return 2 * effective_segments(n_segments)


def chi2_factors(degrees_of_freedom: float, level: float = 0.95) -> tuple[float, float]:
    """Factors that take a PSD estimate to its lower and upper confidence limit.

    Source: ν/χ²_{ν; 1-α/2} and ν/χ²_{ν; α/2} (Bendat & Piersol, Random Data, 4th ed., ch. 8).
    """
    from scipy.special import gammaincinv

    tail = (1 - level) / 2
    half = degrees_of_freedom / 2
    return (
        float(half / gammaincinv(half, 1 - tail)),
        float(half / gammaincinv(half, tail)),
    )


def line_shape(offset_bins: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of a line's power per bin, at `offset_bins` from the line; whole bins sum to 1.

    The window's transform is sin(πx) / (πx (1 - x²)), whose square sums to 1.5 over whole
    bins (Harris 1978).
    """
    at_pole = np.isclose(np.abs(offset_bins), 1.0)
    safe = np.where(at_pole, 0.5, offset_bins)
    shape = np.where(at_pole, 0.5, np.sinc(safe) / (1 - safe**2))
    return np.asarray(shape**2 / HANN_NOISE_BANDWIDTH_BINS)


@lru_cache(maxsize=4)
def spectral_kernel(oversampling: int) -> NDArray[np.float64]:
    """The window's smoothing of a spectrum given `oversampling` times a bin; sums to 1.

    Shape ``(8 · oversampling + 1,)``, centred; beyond four bins lies less than 1e-5 of it.
    """
    steps = np.arange(-4 * oversampling, 4 * oversampling + 1)
    kernel = line_shape(steps / oversampling)
    kernel /= kernel.sum()
    kernel.setflags(write=False)
    return kernel
