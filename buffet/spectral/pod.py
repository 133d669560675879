"""Proper orthogonal decomposition of taps: in space over a band, and at each frequency.

Space: the modes are the eigenvectors of the taps' covariance (Lumley 1967; Berkooz, Holmes &
Lumley 1993, Annual Review of Fluid Mechanics 25, 539-575). Frequency: those of the cross-spectral
matrix (spectral POD: Lumley 1970; Towne, Schmidt & Colonius 2018, J. Fluid Mech. 847, 821-867).
All taps count alike, since the area that each stands for is not known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Spectral modes that are kept of each frequency; more are rarely looked at.
KEPT_MODES = 3
# Simulated matrices of unrelated taps: the 95 % quantile is then known to about a twentieth of the
# spread, which shows in no digit that is printed.
CHANCE_DRAWS = 200
CHANCE_LEVEL = 0.95


@dataclass(frozen=True)
class SpaceModes:
    """Eigenvalues and eigenvectors of the taps' covariance, the largest first."""

    variance: Array  # (n_modes,), eigenvalues; those of noise alone may be below zero
    shape: Array  # (n_taps, n_modes), columns of length 1, the largest entry positive
    share: Array  # (n_modes,), of the sum of all variances
    share_deviation: Array  # (n_modes,), standard deviation of `share`
    samples: Array  # (n_modes,), independent samples that the record is worth for each
    apart: NDArray[np.bool_]  # (n_modes,), told from the next one (North et al. 1982)
    frequency_hz: Array  # (n_modes,), where the mode's own spectrum is highest


def space_modes(
    matrix: Array,
    frequency_hz: Array,
    duration_s: float,
    averages: float,
    noise: Array | None = None,
    first_bin: int = 0,
) -> SpaceModes:
    """Modes of the covariance that the bins of a cross-spectral matrix sum up to.

    Sampling errors follow the rule of North, Bell, Cahalan & Moeng 1982 (Monthly Weather Review
    110, 699-706): δλ = λ √(2/N), and modes nearer to one another than that are mixed by chance.
    N is each mode's own, 2 T (∫S df)² / ∫S² df for its spectrum S over the record's length T
    (Bendat & Piersol 2010, Random Data, 4th ed., section 8.3), with the scatter of S itself taken
    out of ∫S².

    Parameters
    ----------
    matrix : (n_bins, n_taps, n_taps), real parts of one-sided densities E[X_i conj(X_j)]
    frequency_hz : (n_bins,), evenly spaced
    averages : independent segments behind each bin
    noise : (n_taps, n_taps), covariance to be taken out
    first_bin : below it no mode's highest frequency is looked for
    """
    step_hz = float(frequency_hz[1] - frequency_hz[0])
    covariance = matrix.sum(axis=0) * step_hz
    if noise is not None:
        covariance = covariance - noise
    values, vectors = np.linalg.eigh(covariance)
    variance, shape = values[::-1], vectors[:, ::-1]
    largest = np.argmax(np.abs(shape), axis=0)
    shape = shape * np.sign(shape[largest, np.arange(len(variance))])
    spectra = np.einsum("fik,ik->kf", matrix @ shape, shape)
    squares = np.sum(spectra**2, axis=1) * step_hz / (1 + 1 / averages)
    sums = np.sum(spectra, axis=1) * step_hz
    samples = 2 * duration_s * sums**2 / np.where(squares > 0, squares, 1.0)
    relative = np.sqrt(2 / np.maximum(samples, 1.0))
    total = float(np.trace(covariance))
    share = variance / total if total > 0 else np.zeros_like(variance)
    gap = np.append(variance[:-1] - variance[1:], variance[-1])
    return SpaceModes(
        variance,
        shape,
        share,
        _share_deviation(share, relative),
        samples,
        gap > variance * relative,
        frequency_hz[first_bin + np.argmax(spectra[:, first_bin:], axis=1)],
    )


def _share_deviation(share: Array, relative: Array) -> Array:
    """To first order, the modes' variances scattering independently."""
    own = share * relative
    others = np.sum(own**2) - own**2
    return np.asarray(np.sqrt((1 - share) ** 2 * own**2 + share**2 * others))


@dataclass(frozen=True)
class SpectralModes:
    """Leading eigenvalues of the cross-spectral matrix at each frequency."""

    frequency_hz: Array  # (n_bins,)
    density: Array  # (n_kept, n_bins), the largest first
    total: Array  # (n_bins,), sum over all modes: that of the taps' PSDs

    def share(self, low_hz: float, high_hz: float) -> Array | None:
        """Share of each kept mode in a band, ``(n_kept,)``; None where no bin lies in it."""
        inside = (self.frequency_hz >= low_hz) & (self.frequency_hz < high_hz)
        total = float(self.total[inside].sum())
        return self.density[:, inside].sum(axis=1) / total if total > 0 else None


def spectral_modes(matrix: Complex, frequency_hz: Array) -> SpectralModes:
    """Eigenvalues of every bin of a cross-spectral matrix ``(n_bins, n_taps, n_taps)``."""
    values = np.linalg.eigvalsh(matrix)[:, ::-1]
    return SpectralModes(
        frequency_hz, np.maximum(values[:, :KEPT_MODES].T, 0.0), np.einsum("fii->f", matrix).real
    )


@dataclass(frozen=True)
class ModeAtFrequency:
    """The leading spectral mode over a few bins around one frequency."""

    frequency_hz: float
    shape: Complex  # (n_taps,), largest amplitude 1 with phase 0; a positive phase is ahead of it
    share: float  # of all taps' power there
    chance: float  # share that unrelated taps of these levels would show in one case of 20
    averages: float


def mode_at(
    matrix: Complex, frequency_hz: float, averages: float, rng: np.random.Generator
) -> ModeAtFrequency:
    """The leading mode of one cross-spectral matrix ``(n_taps, n_taps)``."""
    values, vectors = np.linalg.eigh(matrix)
    vector = vectors[:, -1]
    total = float(np.trace(matrix).real)
    levels = np.diag(matrix).real
    return ModeAtFrequency(
        frequency_hz,
        vector / vector[np.argmax(np.abs(vector))],
        float(values[-1]) / total if total > 0 else 0.0,
        float(np.quantile(unrelated_shares(levels, averages, rng), CHANCE_LEVEL)),
        averages,
    )


def unrelated_shares(
    levels: Array, averages: float, rng: np.random.Generator, draws: int = CHANCE_DRAWS
) -> Array:
    """Share of the first mode where nothing is related, ``(draws,)``, by simulation.

    Of few averages the largest eigenvalue is biased high: for equal levels it tends to
    (1 + √(n_taps / averages))² of one tap's level (Marchenko & Pastur 1967; Johnstone 2001, Annals
    of Statistics 29, 295-327). Levels that differ are simulated: complex Gaussian samples.

    Parameters
    ----------
    levels : (n_taps,), PSD of each tap
    """
    n = max(int(averages), 1)
    size = np.sqrt(np.maximum(levels, 0.0))
    shares = np.empty(draws)
    for draw in range(draws):
        parts = rng.standard_normal((2, len(levels), n))
        samples = size[:, None] * (parts[0] + 1j * parts[1])
        # the smaller of the two products has the same eigenvalues
        product = samples @ samples.conj().T if len(levels) <= n else samples.conj().T @ samples
        total = float(np.trace(product).real)
        shares[draw] = float(np.linalg.eigvalsh(product)[-1]) / total if total > 0 else 0.0
    return shares
