"""The G-weighting of ISO 7196: how strongly infrasound of a frequency is perceived."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.cabin.levels import level_db, mean_square
from buffet.spectral.stated_psd import even_bins

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# ISO 7196:1995 Table 1 (transcribed): four zeros at 0 and these poles with their conjugates, in
# hertz.
ZEROS = 4
POLES_HZ = (-0.707 + 0.707j, -19.27 + 5.16j, -14.11 + 14.11j, -5.16 + 19.27j)
# At which the weighting is 0 dB.
UNITY_HZ = 10.0


def g_weighting(frequency_hz: ArrayLike) -> Complex:
    """Return the complex weighting of pressure at each frequency, of the input's shape.

    References
    ----------
    ISO 7196:1995 clause 4 with Table 1; within 0.05 dB of its Table 2.
    """
    gain = 1 / abs(complex(_shape(np.asarray(UNITY_HZ))))
    return gain * _shape(np.asarray(frequency_hz, dtype=np.float64))


def _shape(frequency_hz: Array) -> Complex:
    turn = 1j * frequency_hz
    response = turn**ZEROS
    for pole in POLES_HZ:
        response = response / ((turn - pole) * (turn - pole.conjugate()))
    return np.asarray(response)


def weights_g(frequency_hz: ArrayLike) -> Array:
    """Return the weights |G|² of each bin's mean square, ``(n_bins,)``.

    Raises
    ------
    SpectrumError
        The bins are not even.
    """
    frequency, _ = even_bins(frequency_hz)
    return np.asarray(np.abs(g_weighting(frequency)) ** 2)


def g_level_db(frequency_hz: ArrayLike, psd: ArrayLike) -> Array:
    """Return the G-weighted level of a one-sided pressure PSD, dB(G) re 20 µPa, ``(...)``.

    Over all bins. The weighting passes 1 to 100 Hz within 44 dB of its value at 10 Hz, and a
    spectrum is to reach from there to there.

    Parameters
    ----------
    psd : (..., n_bins), Pa²/Hz

    Raises
    ------
    SpectrumError
        The bins are not even, or the PSD has other bins or holds what is not a number.
    """
    return level_db(mean_square(frequency_hz, psd, weights_g(frequency_hz)))
