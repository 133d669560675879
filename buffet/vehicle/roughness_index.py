"""The International Roughness Index of a road from its spectrum.

The index is the mean travel of the suspension of a reference quarter car over the distance driven
at 80 km/h. On a Gaussian road the mean of |x| is √(2/π) of its standard deviation, which linear
theory gives from the PSD.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from buffet.vehicle.road import Road

# The reference quarter car over its sprung mass, its speed, and the length over which the profile
# is averaged first (Sayers 1995, Transportation Research Record 1501, 1-12; from memory).
SPRING_1_S2 = 63.3
TYRE_1_S2 = 653.0
DAMPING_1_S = 6.0
WHEEL_MASS_RATIO = 0.15
INDEX_SPEED_M_S = 80 / 3.6
AVERAGED_M = 0.25

# Wavelengths from 500 m to 5 cm: beyond lies less than 1e-4 of the travel's variance.
_LOWEST_CYCLE_M, _HIGHEST_CYCLE_M, _POINTS = 0.002, 20.0, 3000


def roughness_index(road: Road, averaged_m: float = AVERAGED_M) -> float:
    """Return the International Roughness Index, m/m (0.001 is 1 m/km), of one track of a road.

    The road is taken as Gaussian and alike all along; where tracks were measured, their mean PSD
    counts. `averaged_m` is the length over which heights are averaged first; 0 for none.

    References
    ----------
    Sayers, Gillespie & Queiroz 1986 (World Bank Technical Paper 45) and Sayers 1995 for the index;
    the mean from the spectrum is that of a rectified Gaussian signal.
    """
    wavenumber = np.geomspace(_LOWEST_CYCLE_M, _HIGHEST_CYCLE_M, _POINTS)
    averaging = np.sinc(wavenumber * averaged_m)
    # Over distance: the rate of the travel is its slope times the speed, which cancels.
    travel = np.abs(suspension_travel(wavenumber * INDEX_SPEED_M_S) * averaging) ** 2
    density = (2 * np.pi * wavenumber) ** 2 * travel * road.displacement_psd(wavenumber)
    variance = np.trapezoid(density * wavenumber, np.log(wavenumber))
    return float(np.sqrt(2 / np.pi * variance))


def suspension_travel(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return body less wheel height of the reference quarter car per height of the road, (n,)."""
    omega = 2 * np.pi * frequency_hz
    link = SPRING_1_S2 + 1j * omega * DAMPING_1_S
    body = link - omega**2
    wheel = TYRE_1_S2 / (TYRE_1_S2 + link - WHEEL_MASS_RATIO * omega**2 - link**2 / body)
    return np.asarray(wheel * omega**2 / body)
