"""Gaussian time histories of a stated cross-spectral matrix."""

from __future__ import annotations

from math import ceil, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.spectral.stated_psd import SpectrumError, even_bins

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Of the largest eigenvalue of a bin's matrix: what rounding leaves below zero, or off Hermitian.
ROUNDING = 1e-8


def gaussian_histories(
    frequency_hz: ArrayLike,
    cross_psd: ArrayLike,
    duration_s: float,
    sample_rate_hz: float,
    generator: np.random.Generator,
) -> Array:
    """Return stationary Gaussian histories without a mean, ``(n, n_samples)``.

    Every line of a period longer than the record by a bin's 1/Δf, so that its ends do not know of
    each other, gets independent complex normal amplitudes times a root of its bin's matrix; the
    inverse transform is cut to the record. Amplitudes are drawn, not phases alone: the record's
    own r.m.s. values scatter as a measured record's do.

    Parameters
    ----------
    frequency_hz : (n_bins,), evenly spaced centres up to half the sample rate
    cross_psd : (n_bins, n, n), one-sided, [i, j] = E[X_i conj(X_j)], flat within a bin; a bin at
        0 Hz belongs to the mean and gives its upper half alone
    generator : numpy's, seeded by the caller

    Raises
    ------
    SpectrumError
        The bins are not even or reach above half the sample rate, or a matrix is not a cross-
        spectral one: Hermitian and without negative eigenvalues.
    ValueError
        Duration or rate are not above 0, or hold fewer than two samples.

    References
    ----------
    Shinozuka and Jan 1972, J. Sound and Vibration 25, 111-128, with random amplitudes (from
    memory).
    """
    if not (duration_s > 0 and sample_rate_hz > 0 and round(duration_s * sample_rate_hz) > 1):
        raise ValueError(
            f"a record needs a duration and a rate above 0 and two samples, got {duration_s:g} s "
            f"at {sample_rate_hz:g} Hz"
        )
    from scipy.fft import irfft, next_fast_len, rfftfreq

    frequency, step = even_bins(frequency_hz)
    roots = _roots(frequency, np.asarray(cross_psd, dtype=np.complex128))
    if frequency[-1] > sample_rate_hz / 2 * (1 + 1e-9):
        raise SpectrumError(
            f"a spectrum up to {frequency[-1]:g} Hz needs {2 * frequency[-1]:g} samples a second, "
            f"got {sample_rate_hz:g}: raise the rate or end the spectrum earlier"
        )
    n_samples = round(duration_s * sample_rate_hz)
    period = next_fast_len(n_samples + ceil(sample_rate_hz / step), real=True)
    line_hz = rfftfreq(period, 1 / sample_rate_hz)
    bins = np.floor((line_hz - frequency[0]) / step + 0.5).astype(int)
    filled = (bins >= 0) & (bins < len(frequency)) & (line_hz > 0)
    filled &= line_hz < sample_rate_hz / 2  # the last line of an even period is real
    shape = (int(filled.sum()), roots.shape[1])
    drawn = generator.standard_normal(shape) + 1j * generator.standard_normal(shape)
    # E|drawn|² = 2, and a line of amplitude X adds 2|X|² / period² to the variance.
    scale = period / 2 * sqrt(sample_rate_hz / period)
    transform = np.zeros((roots.shape[1], len(line_hz)), complex)
    transform[:, filled] = scale * np.einsum("kij,kj->ik", roots[bins[filled]], drawn)
    return np.ascontiguousarray(irfft(transform, period, axis=-1)[:, :n_samples])


def _roots(frequency: Array, matrix: Complex) -> Complex:
    """L with L L* the matrix, each bin, ``(n_bins, n, n)``.

    From the eigenvectors: Cholesky's stops at matrices of less than full rank, such as those of
    two places that one source moves.
    """
    if matrix.ndim != 3 or matrix.shape[1] != matrix.shape[2] or len(matrix) != len(frequency):
        raise SpectrumError(
            f"cross-spectra of {len(frequency)} bins were to come with shape ({len(frequency)}, n, "
            f"n), got {matrix.shape}: give a square matrix for each frequency"
        )
    if not np.isfinite(matrix).all():
        worst = int(np.argmin(np.isfinite(matrix).all(axis=(1, 2))))
        raise SpectrumError(
            f"the cross-spectra at {frequency[worst]:g} Hz hold what is not a number: leave such "
            "bins out or set them to 0"
        )
    value, vector = np.linalg.eigh(matrix)
    size = np.abs(matrix).max(axis=(1, 2))
    skew = np.abs(matrix - matrix.conj().transpose(0, 2, 1)).max(axis=(1, 2))
    wrong = (value[:, 0] < -ROUNDING * size) | (skew > ROUNDING * size)
    if wrong.any():
        worst = int(np.argmax(wrong))
        raise SpectrumError(
            f"the matrix at {frequency[worst]:g} Hz is no cross-spectral one: its lowest "
            f"eigenvalue is {value[worst, 0]:.3g} and it is {skew[worst]:.3g} off Hermitian; both "
            "were to be 0 or above within rounding. Average more segments than channels, or take "
            "noise off without going below zero"
        )
    return np.asarray(vector * np.sqrt(np.maximum(value, 0))[:, None, :])
