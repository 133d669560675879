"""The road under the car: unevenness of ISO 8608's form and what it does to the ride.

Heave and pitch feel the mean of both tracks (`road_tracks`). Where no track width is given both
are taken alike, which makes the road's share larger than it is at short waves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.vehicle.road_classes import ROAD_CLASSES, RoadClass, class_of
from buffet.vehicle.road_coherence import isotropic_coherence
from buffet.vehicle.road_tracks import mean_track_temporal_psd
from buffet.vehicle.roughness_index import roughness_index

if TYPE_CHECKING:
    from buffet.vehicle.ride import AxleName, RideModel

# ISO 8608:2016 states unevenness at 0.1 cycle/m and describes roads by an exponent of 2.
REFERENCE_WAVENUMBER_CYCLE_M = 0.1
WAVINESS = 2.0

# A good motorway (common practice, no source); its `roughness_index` is 1.09 m/km.
GOOD_MOTORWAY_M3 = 4e-6


@dataclass(frozen=True)
class Road:
    """A road of ISO 8608's form: G(n) = G(n0) (n/n0)^-w."""

    unevenness_m3: float = GOOD_MOTORWAY_M3  # G(n0), one-sided
    waviness: float = WAVINESS  # w
    name: str = "as stated"

    def __post_init__(self) -> None:
        if not self.unevenness_m3 > 0:
            raise ValueError(
                f"a road's unevenness G(n0) must be above 0 m³, got {self.unevenness_m3:g}: "
                "a good motorway has 4e-6, class A 16e-6"
            )

    @property
    def road_class(self) -> RoadClass:
        """ISO 8608's class in which G(n0) lies."""
        return class_of(self.unevenness_m3)

    @property
    def roughness_index(self) -> float:
        """International Roughness Index, m/m."""
        return roughness_index(self)

    @property
    def sha256(self) -> str | None:
        """Of the file it was measured in, hex; None where it was not."""
        return None

    @property
    def remark(self) -> str:
        """What else is to be said of it, as a sentence; empty where nothing is."""
        return ""

    @property
    def tracks_are(self) -> str:
        """How left and right track are told from each other."""
        return "as on an isotropic surface"

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

    def coherence(self, wavenumber_cycle_m: ArrayLike, distance_m: float) -> NDArray[np.float64]:
        """Return the cross-PSD of two parallel tracks over their PSD, as `isotropic_coherence`."""
        return isotropic_coherence(wavenumber_cycle_m, distance_m, self.waviness)


GOOD_MOTORWAY = Road(name="a good motorway")


def road_of_class(name: RoadClass) -> Road:
    """Return the mean road of an ISO 8608 class, A to H.

    Raises
    ------
    ValueError
        If there is no such class.
    """
    means = {one.name: one.mean_m3 for one in ROAD_CLASSES}
    if name not in means:
        raise ValueError(f"ISO 8608 has no road class {name!r}: choose A (smoothest) to H")
    return Road(means[name], name=f"the mean of ISO 8608's class {name}")


def seat_acceleration_psd(
    model: RideModel,
    frequency_hz: ArrayLike,
    speed_m_s: float | NDArray[np.float64],
    road: Road = GOOD_MOTORWAY,
    *,
    track_m: float | None = None,
) -> NDArray[np.float64]:
    """Return the one-sided PSD of vertical acceleration at the seat's base, (n_frequencies,).

    On a road, in (m/s²)²/Hz, unweighted; 0 at 0 Hz, which is its limit. Without a track width both
    tracks are alike. Of speeds ``(n_speeds, 1)``, ``(n_speeds, n_frequencies)``.

    Raises
    ------
    ValueError
        If speed or track are not positive.
    """
    response = model.seat_acceleration_per_road(frequency_hz, speed_m_s)
    return _through(response, frequency_hz, speed_m_s, road, track_m)


def axle_load_psd(
    model: RideModel,
    frequency_hz: ArrayLike,
    speed_m_s: float,
    axle: AxleName,
    road: Road = GOOD_MOTORWAY,
    *,
    track_m: float | None = None,
) -> NDArray[np.float64]:
    """Return the one-sided PSD of an axle's load on a road, (n_frequencies,), N²/Hz.

    It is 0 at 0 Hz, which is its limit. Without a track width both tracks are alike.

    Raises
    ------
    ValueError
        If the axle is neither front nor rear, or speed or track are not positive.
    """
    response = model.axle_load_per_road(frequency_hz, speed_m_s, axle)
    return _through(response, frequency_hz, speed_m_s, road, track_m)


def _through(
    response: NDArray[np.complex128],
    frequency_hz: ArrayLike,
    speed_m_s: float | NDArray[np.float64],
    road: Road,
    track_m: float | None,
) -> NDArray[np.float64]:
    """Return |response|² times the road's PSD; both responses vanish as f² or faster at 0 Hz."""
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    psd = np.zeros(response.shape)
    moving = frequency > 0
    heights = mean_track_temporal_psd(road, frequency[moving], speed_m_s, track_m)
    psd[..., moving] = np.abs(response[..., moving]) ** 2 * heights
    return psd
