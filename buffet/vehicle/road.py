"""The road under the car: unevenness of ISO 8608's form and what it does to the ride.

Both tracks are taken alike. Real tracks differ from about half a wavelength per track width on,
which makes the true heave of the car smaller there; a comparison with this road is on the mild
side for the wake.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from buffet.vehicle.ride import AxleName, RideModel
    from buffet.vehicle.seat import Cushion

# ISO 8608:2016 states unevenness at 0.1 cycle/m and describes roads by an exponent of 2.
REFERENCE_WAVENUMBER_CYCLE_M = 0.1
WAVINESS = 2.0

# A good motorway: about 1.1 m/km on the International Roughness Index (common practice, no source).
GOOD_MOTORWAY_M3 = 4e-6

RoadClass = Literal["A", "B", "C", "D", "E", "F", "G", "H"]
# Geometric means of ISO 8608:2016 Table C.1 (from memory): 16e-6 m³ for A, times 4 per class.
CLASS_UNEVENNESS_M3: dict[RoadClass, float] = {
    name: 16e-6 * 4**k for k, name in enumerate(get_args(RoadClass))
}


@dataclass(frozen=True)
class Road:
    """A road of ISO 8608's form: G(n) = G(n0) (n/n0)^-w."""

    unevenness_m3: float = GOOD_MOTORWAY_M3  # G(n0), one-sided
    waviness: float = WAVINESS  # w

    def __post_init__(self) -> None:
        if not self.unevenness_m3 > 0:
            raise ValueError(
                f"a road's unevenness G(n0) must be above 0 m³, got {self.unevenness_m3:g}: "
                "a good motorway has 4e-6, class A 16e-6"
            )

    def displacement_psd(self, wavenumber_cycle_m: ArrayLike) -> NDArray[np.float64]:
        """Return the one-sided PSD of height over wavenumber (cycle/m, above 0), m³.

        References
        ----------
        ISO 8608:2016 section 5 and Annex C.
        """
        relative = np.asarray(wavenumber_cycle_m, dtype=np.float64) / REFERENCE_WAVENUMBER_CYCLE_M
        psd: NDArray[np.float64] = self.unevenness_m3 * relative**-self.waviness
        return psd

    def temporal_psd(self, frequency_hz: ArrayLike, speed_m_s: float) -> NDArray[np.float64]:
        """Return the one-sided PSD of height under a wheel at a speed, m²/Hz, f above 0.

        Driving turns wavenumber n into f = n V, and keeps the energy: G(f) = G(n)/V.
        """
        frequency = np.asarray(frequency_hz, dtype=np.float64)
        return self.displacement_psd(frequency / speed_m_s) / speed_m_s


GOOD_MOTORWAY = Road()


def road_of_class(name: RoadClass) -> Road:
    """Return the mean road of an ISO 8608 class, A to H.

    Raises
    ------
    ValueError
        If there is no such class.
    """
    if name not in CLASS_UNEVENNESS_M3:
        raise ValueError(f"ISO 8608 has no road class {name!r}: choose A (smoothest) to H")
    return Road(CLASS_UNEVENNESS_M3[name])


def seat_acceleration_psd(
    model: RideModel,
    frequency_hz: ArrayLike,
    speed_m_s: float,
    road: Road = GOOD_MOTORWAY,
    *,
    cushion: Cushion | None = None,
) -> NDArray[np.float64]:
    """Return the one-sided PSD of vertical seat acceleration on a road, (n_frequencies,).

    In (m/s²)²/Hz, unweighted; 0 at 0 Hz, which is its limit.

    Raises
    ------
    ValueError
        If the speed is not positive.
    """
    response = model.seat_acceleration_per_road(frequency_hz, speed_m_s, cushion=cushion)
    return _through(response, frequency_hz, speed_m_s, road)


def axle_load_psd(
    model: RideModel,
    frequency_hz: ArrayLike,
    speed_m_s: float,
    axle: AxleName,
    road: Road = GOOD_MOTORWAY,
) -> NDArray[np.float64]:
    """Return the one-sided PSD of an axle's load on a road, (n_frequencies,), N²/Hz.

    It is 0 at 0 Hz, which is its limit.

    Raises
    ------
    ValueError
        If the axle is neither front nor rear, or the speed is not positive.
    """
    response = model.axle_load_per_road(frequency_hz, speed_m_s, axle)
    return _through(response, frequency_hz, speed_m_s, road)


def _through(
    response: NDArray[np.complex128], frequency_hz: ArrayLike, speed_m_s: float, road: Road
) -> NDArray[np.float64]:
    """Return |response|² times the road's PSD; both responses vanish as f² or faster at 0 Hz."""
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    psd = np.zeros_like(frequency)
    moving = frequency > 0
    psd[moving] = np.abs(response[moving]) ** 2 * road.temporal_psd(frequency[moving], speed_m_s)
    return psd
