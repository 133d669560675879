"""How much two parallel tracks of a road have in common, wavelength by wavelength."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Below this x the coherence is 1 to the last digit, and x^ν K_ν(x) runs into 0 times infinity.
_LONG_WAVES = 1e-8


def isotropic_coherence(
    wavenumber_cycle_m: ArrayLike, distance_m: float, waviness: float = 2.0
) -> NDArray[np.float64]:
    """Return the cross-PSD of two parallel tracks of an isotropic surface over their PSD.

    Real, from 1 at long waves to 0 at short ones. A surface alike in all directions, whose
    tracks have a PSD that falls as n^-w, has a two-dimensional one that falls as the radial
    wavenumber to the -(w + 1). Its integral over the lateral wavenumber is, with x = 2π n d and
    ν = w/2 (Basset's integral, Abramowitz & Stegun 1964, 9.6.25),

        γ = 2 / Γ(ν) (x/2)^ν K_ν(x),       for w = 2: γ = x K_1(x).

    Real roads are said to have rather more in common at short waves than an isotropic surface
    (Bogsjö 2007, from memory), which a profile measured in both tracks shows.

    Parameters
    ----------
    wavenumber_cycle_m : (n,), 0 or above
    distance_m : between the tracks
    waviness : exponent w of the tracks' PSD

    Raises
    ------
    ValueError
        If the distance is negative, or the waviness not positive.

    References
    ----------
    Dodds & Robson 1973, J. Sound Vib. 31(2), 175-183; Kamash & Robson 1977, J. Sound Vib. 54(1),
    131-145 (both from memory; the integral was derived afresh).
    """
    from scipy.special import gamma, k1, kv

    if not distance_m >= 0:
        raise ValueError(f"tracks cannot be {distance_m:g} m apart: wanted 0 m or more")
    if not waviness > 0:
        raise ValueError(f"isotropic tracks need a waviness above 0, got {waviness:g}; 2 is usual")
    x = 2 * np.pi * distance_m * np.asarray(wavenumber_cycle_m, dtype=np.float64)
    order = waviness / 2
    short = np.maximum(x, _LONG_WAVES)
    bessel = k1(short) if order == 1 else kv(order, short)  # the usual one is far quicker
    coherence = 2 / gamma(order) * (short / 2) ** order * bessel
    return np.asarray(np.where(x <= _LONG_WAVES, 1.0, coherence))
