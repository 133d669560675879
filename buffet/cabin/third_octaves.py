"""One-third-octave bands of IEC 61260-1 and their levels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log10

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.cabin.levels import level_db, mean_square, shares

Array = NDArray[np.float64]

# IEC 61260-1:2014: a band's edges lie at G^(±1/6) of its mid-band frequency, G = 10^(3/10).
HALF_BAND = 10**0.05
# Nominal mid-band frequencies of a decade (IEC 61260-1:2014 Annex E; ISO 266).
NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
BANDS_A_DECADE = len(NOMINAL)
# Of a band: how far a limit may lie beside a mid-band frequency that it names. Nominal ones lie up
# to 0.041 of a band beside.
SNAP = 0.05


@dataclass(frozen=True)
class ThirdOctave:
    """A one-third-octave band by its number n: its mid-band frequency is 10^(n/10) Hz."""

    number: int

    @property
    def centre_hz(self) -> float:
        """Exact mid-band frequency."""
        return float(10 ** (self.number / BANDS_A_DECADE))

    @property
    def low_hz(self) -> float:
        """Lower edge."""
        return self.centre_hz / HALF_BAND

    @property
    def high_hz(self) -> float:
        """Upper edge."""
        return self.centre_hz * HALF_BAND

    @property
    def label(self) -> str:
        """Nominal mid-band frequency in hertz, as one writes it."""
        decade, place = divmod(self.number, BANDS_A_DECADE)
        return f"{NOMINAL[place] * 10.0**decade:.4g}"


def third_octaves(low_hz: float, high_hz: float) -> tuple[ThirdOctave, ...]:
    """Return the bands whose mid-band frequencies lie between two, nominal or exact, both included.

    Raises
    ------
    ValueError
        If the limits are not above 0 and rising, or hold no band.

    References
    ----------
    IEC 61260-1:2014 5.2 to 5.5, base ten.
    """
    if not 0 < low_hz <= high_hz:
        raise ValueError(
            f"one-third octaves need limits above 0 Hz, the lower first, got {low_hz:g} and "
            f"{high_hz:g} Hz"
        )
    first = ceil(BANDS_A_DECADE * log10(low_hz) - SNAP)
    last = floor(BANDS_A_DECADE * log10(high_hz) + SNAP)
    if last < first:
        raise ValueError(
            f"no one-third octave has its mid-band frequency within {low_hz:g} to {high_hz:g} Hz: "
            "widen the limits"
        )
    return tuple(ThirdOctave(number) for number in range(first, last + 1))


def weights_third_octaves(frequency_hz: ArrayLike, bands: Sequence[ThirdOctave]) -> Array:
    """Return each bin's share inside each band, ``(n_bands, n_bins)``; edge bins count in part.

    A band that is narrower than a bin takes its width's share of that bin.

    Raises
    ------
    SpectrumError
        The bins are not even, or a band reaches beyond them.
    """
    low = np.array([band.low_hz for band in bands])
    high = np.array([band.high_hz for band in bands])
    return shares(frequency_hz, low, high)


def third_octave_levels_db(
    frequency_hz: ArrayLike, psd: ArrayLike, bands: Sequence[ThirdOctave]
) -> Array:
    """Return the bands' levels of a one-sided pressure PSD, dB re 20 µPa, ``(..., n_bands)``.

    Parameters
    ----------
    psd : (..., n_bins), Pa²/Hz

    Raises
    ------
    SpectrumError
        The bins are not even, a band reaches beyond them, or the PSD has other bins or holds what
        is not a number.
    """
    return level_db(mean_square(frequency_hz, psd, weights_third_octaves(frequency_hz, bands)))
