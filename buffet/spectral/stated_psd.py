"""Spectra handed in from outside: what they must be before anything is computed from them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.errors import BuffetError

Array = NDArray[np.float64]

# Of a bin's width: how far bins may lie from even steps, which is more than rounding does.
UNEVEN = 1e-3


class SpectrumError(BuffetError):
    """A spectrum that nothing can be computed from."""


def even_bins(frequency_hz: ArrayLike) -> tuple[Array, float]:
    """Return the bins' centres, ``(n_bins,)``, and their width in hertz.

    Raises
    ------
    SpectrumError
        The frequencies are not a rising row of two or more with even steps from 0 Hz or above.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if frequency.ndim != 1 or len(frequency) < 2:
        raise SpectrumError(
            f"a spectrum needs a row of two frequencies or more, got shape {frequency.shape}: "
            "give the centre of every bin in hertz"
        )
    steps = np.diff(frequency)
    step = float(frequency[-1] - frequency[0]) / (len(frequency) - 1)
    if not (frequency[0] >= 0 and step > 0 and np.abs(steps - step).max() < UNEVEN * step):
        raise SpectrumError(
            f"a spectrum's bins must rise from 0 Hz or above in even steps, got {frequency[0]:g} "
            f"to {frequency[-1]:g} Hz in steps of {steps.min():g} to {steps.max():g} Hz: "
            "interpolate it onto even bins"
        )
    return frequency, step


def checked_psd(
    frequency_hz: ArrayLike, psd: ArrayLike, *, below_zero: bool = False
) -> tuple[Array, Array, float]:
    """Return bins ``(n_bins,)``, a one-sided PSD ``(..., n_bins)`` and the bins' width in hertz.

    Parameters
    ----------
    below_zero : values below zero, which noise that was subtracted leaves, are let through

    Raises
    ------
    SpectrumError
        The bins are not even, the PSD has another number of them, or a value is not a number or
        is below zero.
    """
    frequency, step = even_bins(frequency_hz)
    density = np.asarray(psd, dtype=np.float64)
    if density.ndim < 1 or density.shape[-1] != len(frequency):
        raise SpectrumError(
            f"a PSD of {len(frequency)} bins was to come with shape (..., {len(frequency)}), got "
            f"{density.shape}: give one value for each frequency, bins last"
        )
    wrong = ~np.isfinite(density) if below_zero else ~(np.isfinite(density) & (density >= 0))
    if wrong.any():
        place = tuple(int(i) for i in np.argwhere(wrong)[0])
        wanted = "a number" if below_zero else "0 or above"
        raise SpectrumError(
            f"the PSD at {frequency[place[-1]]:g} Hz is {density[place]:g} and was to be {wanted}: "
            "leave such bins out or set them to 0"
        )
    return frequency, density, step
