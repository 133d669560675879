"""What a road does to the seat of the whole car: heave and pitch, and roll where tracks differ."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.vehicle.car import CarModel
from buffet.vehicle.lateral import LateralModel
from buffet.vehicle.rigid_body import motion_at
from buffet.vehicle.road import Road, seat_acceleration_psd
from buffet.vehicle.road_tracks import cross_slope_matrix, road_track_m
from buffet.vehicle.seat import seat_transfer

Array = NDArray[np.float64]

_UP = 2  # among the body's motions x, y, z, roll, pitch, yaw
_SIDEWAYS = [1, 3, 5]  # those of the lateral model


def road_seat_psds(
    car: CarModel, frequency_hz: ArrayLike, speeds_m_s: ArrayLike, road: Road
) -> Array:
    """Return the one-sided PSD of vertical seat acceleration, (n_speeds, n_frequencies).

    In (m/s²)²/Hz, unweighted, the seat's transfer in it; 0 at 0 Hz. The mean of both tracks heaves
    and pitches the car, their difference rolls it, and the two do not follow each other. Roll is
    left out where the car lacks what it needs, or is unstable.

    Raises
    ------
    ValueError
        If a speed is not positive.
    """
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    track = road_track_m(car.vehicle)
    speeds = np.asarray(speeds_m_s, dtype=np.float64)
    psd = seat_acceleration_psd(car.ride, frequency, speeds[:, None], road, track_m=track)
    lateral = car.lateral
    if lateral is not None and track is not None:
        stable = np.array([lateral.why_unstable(speed) is None for speed in speeds.tolist()])
        psd[stable] += _of_roll(car, lateral, frequency, speeds[stable], road, track)
    return np.asarray(psd * np.abs(seat_transfer(car.vehicle.seat, frequency)[:, _UP]) ** 2)


def _of_roll(
    car: CarModel,
    lateral: LateralModel,
    frequency_hz: Array,
    speeds_m_s: Array,
    road: Road,
    track_m: float,
) -> Array:
    """What the cross slope adds at speeds at which the car is stable, (n_speeds, n_frequencies)."""
    psd = np.zeros((len(speeds_m_s), len(frequency_hz)))
    if not len(speeds_m_s):
        return psd
    moving = frequency_hz > 0
    at = frequency_hz[moving]
    slopes = cross_slope_matrix(road, at, speeds_m_s[:, None], car.vehicle.wheelbase_m, track_m)
    body = lateral.body_acceleration_on_road(at, speeds_m_s)
    row = motion_at(car.vehicle.seat_at_m)[_UP, _SIDEWAYS] @ body  # (n_speeds, n, 2)
    psd[:, moving] = np.einsum("...a,...ab,...b->...", row, slopes, np.conj(row)).real
    return psd
