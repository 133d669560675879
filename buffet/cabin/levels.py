"""Sound pressure levels of a one-sided PSD, through weights over its bins.

A level's mean square is Σ w PSD Δf with weights w that depend on the bins alone, so that a
bootstrap over segments' spectra can use the same weights.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.interval import Interval
from buffet.road_speed import bin_shares
from buffet.spectral.stated_psd import SpectrumError, checked_psd, even_bins

Array = NDArray[np.float64]

# Of sound in air (ISO 1683).
REFERENCE_PRESSURE_PA = 20e-6
# Of a bin: how far a band may reach beyond the spectrum, for rounding.
ROUNDING = 1e-6


def level_db(mean_square_pa2: ArrayLike) -> Array:
    """Return the level of a mean square pressure, dB re 20 µPa, of the input's shape.

    Minus infinity where it is 0 or below, as noise that was subtracted may leave it.
    """
    relative = np.asarray(mean_square_pa2, np.float64) / REFERENCE_PRESSURE_PA**2
    level = np.full_like(relative, -np.inf)
    np.log10(relative, out=level, where=relative > 0)
    return np.asarray(10 * level)


def rms_pressure_pa(level_db: float) -> float:
    """Return the r.m.s. pressure of a level in dB re 20 µPa."""
    return float(REFERENCE_PRESSURE_PA * 10 ** (level_db / 20))


def level_interval(rms_pa: Interval) -> Interval:
    """Return the level of an r.m.s. pressure with its limits, dB re 20 µPa.

    Its logarithm is the level, so that limits stay limits. What lies below 0 dB is told as 0 dB.
    """
    level = [
        None if pa is None else max(float(level_db(pa**2)), 0.0)
        for pa in (rms_pa.value, rms_pa.low, rms_pa.high)
    ]
    return Interval(level[0] or 0.0, level[1], level[2], rms_pa.level)


def weights_band(frequency_hz: ArrayLike, low_hz: float, high_hz: float) -> Array:
    """Return each bin's share inside a band, ``(n_bins,)``; bins at its edges count in part.

    Raises
    ------
    SpectrumError
        The bins are not even, or the band is empty or reaches beyond them.
    """
    return shares(frequency_hz, np.array([low_hz]), np.array([high_hz])).ravel()


def shares(frequency_hz: ArrayLike, low_hz: Array, high_hz: Array) -> Array:
    """Return each bin's share inside each band, ``(n_bands, n_bins)``.

    Raises
    ------
    SpectrumError
        The bins are not even, or a band is empty or reaches beyond them.
    """
    frequency, step = even_bins(frequency_hz)
    bottom, top = frequency[0] - step / 2, frequency[-1] + step / 2
    reach = ROUNDING * step
    for low, high in zip(low_hz, high_hz, strict=True):
        if not (low < high and low >= bottom - reach and high <= top + reach):
            raise SpectrumError(
                f"a band of {low:g} to {high:g} Hz cannot be taken from a spectrum of "
                f"{max(bottom, 0):g} to {top:g} Hz: choose a band inside it, its lower edge first"
            )
    return np.asarray(bin_shares(frequency[None], np.array([step]), low_hz, high_hz)[0])


def mean_square(frequency_hz: ArrayLike, psd: ArrayLike, weights: ArrayLike) -> Array:
    """Return Σ w PSD Δf, Pa² of a PSD in Pa²/Hz, ``(..., n_bands)`` or ``(...)``.

    Parameters
    ----------
    psd : (..., n_bins); values below zero, left by noise that was subtracted, count as they are
    weights : (n_bands, n_bins) or (n_bins,)

    Raises
    ------
    SpectrumError
        The bins are not even, or the PSD has other bins or holds what is not a number.
    """
    _, density, step = checked_psd(frequency_hz, psd, below_zero=True)
    return np.asarray(density @ np.asarray(weights, np.float64).T * step)


def band_level_db(frequency_hz: ArrayLike, psd: ArrayLike, low_hz: float, high_hz: float) -> Array:
    """Return the level of a one-sided pressure PSD in a band, dB re 20 µPa, ``(...)``.

    Parameters
    ----------
    psd : (..., n_bins), Pa²/Hz

    Raises
    ------
    SpectrumError
        As `mean_square` and `weights_band`.
    """
    return level_db(mean_square(frequency_hz, psd, weights_band(frequency_hz, low_hz, high_hz)))
