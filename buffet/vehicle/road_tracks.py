"""The road's two tracks under four wheels: what heaves the car, and what rolls it.

Left and right track have the same PSD G and the cross-PSD γ G, so their mean has G (1 + γ)/2 and
the cross slope (left less right over the track width: positive where the road's right side lies
lower, as the car's roll angle is) G (1 - γ)/2 · (2 / track)². Rear wheels run in the front wheels'
tracks and meet the same road later, by wheelbase over speed. One track width serves both axles:
those of a car differ by a few percent. Speeds ``(n_speeds, 1)`` at once give results of as many.

Element (i, j) of a cross-spectral matrix is the mean of X_i X_j*, one-sided.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from buffet.vehicle.road import Road
    from ingest import Vehicle

WHEELS = ("front left", "front right", "rear left", "rear right")


def road_track_m(vehicle: Vehicle) -> float | None:
    """Return the mean of the tracks that the car's axles state; None where none is."""
    stated = [axle.track_m for axle in (vehicle.front, vehicle.rear) if axle.track_m is not None]
    return sum(stated) / len(stated) if stated else None


def mean_track_psd(
    road: Road, wavenumber_cycle_m: ArrayLike, track_m: float | None
) -> NDArray[np.float64]:
    """Return the one-sided PSD of the mean of both tracks' heights, m³; G itself without a track.

    Raises
    ------
    ValueError
        If the track is not positive.
    """
    psd = road.displacement_psd(wavenumber_cycle_m)
    return psd if track_m is None else psd * (1 + _coherence(road, wavenumber_cycle_m, track_m)) / 2


def cross_slope_psd(
    road: Road, wavenumber_cycle_m: ArrayLike, track_m: float
) -> NDArray[np.float64]:
    """Return the one-sided PSD of the cross slope over wavenumber, m: G (1 - γ)/2 · 4/track².

    Raises
    ------
    ValueError
        If the track is not positive.
    """
    psd = road.displacement_psd(wavenumber_cycle_m)
    return psd * (1 - _coherence(road, wavenumber_cycle_m, track_m)) * 2 / track_m**2


def mean_track_temporal_psd(
    road: Road,
    frequency_hz: ArrayLike,
    speed_m_s: float | NDArray[np.float64],
    track_m: float | None,
) -> NDArray[np.float64]:
    """Return the same at a speed over frequency above 0, m²/Hz.

    Raises
    ------
    ValueError
        If speed or track are not positive.
    """
    wavenumber = _wavenumber(frequency_hz, speed_m_s)
    return mean_track_psd(road, wavenumber, track_m) / speed_m_s


def cross_slope_temporal_psd(
    road: Road, frequency_hz: ArrayLike, speed_m_s: float | NDArray[np.float64], track_m: float
) -> NDArray[np.float64]:
    """Return the same at a speed over frequency above 0, 1/Hz.

    Raises
    ------
    ValueError
        If speed or track are not positive.
    """
    wavenumber = _wavenumber(frequency_hz, speed_m_s)
    return cross_slope_psd(road, wavenumber, track_m) / speed_m_s


def cross_slope_matrix(
    road: Road,
    frequency_hz: ArrayLike,
    speed_m_s: float | NDArray[np.float64],
    wheelbase_m: float,
    track_m: float,
) -> NDArray[np.complex128]:
    """Return the cross-spectra of the cross slopes under front and rear axle, (..., n, 2, 2), 1/Hz.

    Raises
    ------
    ValueError
        If speed or track are not positive.
    """
    psd = cross_slope_temporal_psd(road, frequency_hz, speed_m_s, track_m)
    delayed = _delayed(frequency_hz, wheelbase_m / speed_m_s)
    return np.asarray(delayed * np.atleast_1d(psd)[..., None, None])


def wheel_height_matrix(
    road: Road, frequency_hz: ArrayLike, speed_m_s: float, wheelbase_m: float, track_m: float
) -> NDArray[np.complex128]:
    """Return the cross-spectra of the heights under the four `WHEELS`, (n, 4, 4), m²/Hz.

    Raises
    ------
    ValueError
        If speed or track are not positive.
    """
    wavenumber = np.atleast_1d(_wavenumber(frequency_hz, speed_m_s))
    psd = road.displacement_psd(wavenumber) / speed_m_s
    shared = psd * _coherence(road, wavenumber, track_m)
    sides = np.stack([np.stack([psd, shared], -1), np.stack([shared, psd], -1)], -2)
    axles = _delayed(frequency_hz, wheelbase_m / speed_m_s)
    whole = np.einsum("fab,fij->faibj", axles, sides)
    return np.asarray(whole.reshape(len(psd), len(WHEELS), len(WHEELS)))


def _delayed(
    frequency_hz: ArrayLike, delay_s: float | NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Return the matrix of a signal of unit PSD and of the same, later, (..., n, 2, 2)."""
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    later = np.exp(-2j * np.pi * frequency * delay_s)
    rows = np.stack([np.ones_like(later), later], axis=-1)
    return np.asarray(rows[..., :, None] * rows[..., None, :].conj())


def _coherence(road: Road, wavenumber_cycle_m: ArrayLike, track_m: float) -> NDArray[np.float64]:
    if not track_m > 0:
        raise ValueError(f"two tracks need a width between them above 0 m, got {track_m:g} m")
    return road.coherence(wavenumber_cycle_m, track_m)


def _wavenumber(
    frequency_hz: ArrayLike, speed_m_s: float | NDArray[np.float64]
) -> NDArray[np.float64]:
    slowest = np.min(speed_m_s)
    if not slowest > 0:
        raise ValueError(
            f"a road shakes at a speed above 0 m/s, got {slowest:g} m/s: "
            "wavenumber is frequency over speed"
        )
    return np.asarray(np.asarray(frequency_hz, dtype=np.float64) / speed_m_s)
