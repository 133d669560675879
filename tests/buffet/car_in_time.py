"""The car on its four springs, moved in time: the same motion by another way than the program's.

Newton's equations of body and wheels, solved by scipy.signal.lsim over a periodic history that is
played twice, so that the second time is the steady state and its Fourier lines are exact.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.signal import lsim, resample

from ingest import Vehicle

Array = NDArray[np.float64]

STANDARD_GRAVITY = 9.80665
FINER = 8  # steps of the simulation in one sample of the history
FACTORS = Path(__file__).parents[1] / "published" / "iso_8041_factors.csv"


@dataclass(frozen=True)
class Motion:
    """One period of a steady motion."""

    step_s: float
    seat_m_s2: Array
    rear_load_percent: Array  # of the static rear axle load
    pitch_rad_s2: Array  # acceleration, nose up

    def band_rms(self, signal: Array, low_hz: float, high_hz: float, weighted: bool) -> float:
        """From the Fourier lines between two frequencies, Wk weighted by the printed factors."""
        n = len(signal)
        frequency_hz = np.asarray(np.fft.rfftfreq(n, self.step_s), float)
        inside = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
        power = 2 * np.abs(np.fft.rfft(signal)[inside] / n) ** 2
        weight = printed_factors("Wk", frequency_hz[inside]) if weighted else np.ones(inside.sum())
        return float(np.sqrt(np.sum(power * weight**2)))

    def seat_rms(self, low_hz: float, high_hz: float) -> float:
        """Wk-weighted seat acceleration in a band, m/s²."""
        return self.band_rms(self.seat_m_s2, low_hz, high_hz, True)


def printed_factors(name: str, frequency_hz: Array) -> Array:
    """Factors of ISO 8041-1:2017 table B, smoothly between its one-third octaves."""
    with FACTORS.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["weighting"] == name]
    exponent = np.array([float(row["n"]) / 10 for row in rows])
    factor = np.array([float(row["factor"]) for row in rows])
    spline = CubicSpline(exponent, np.log(factor))
    return np.asarray(np.exp(spline(np.log10(frequency_hz))))


def pushed(car: Vehicle, step_s: float, drag_n: Array, lift_n: Array, pitch_n_m: Array) -> Motion:
    """The motion under a periodic wake; loads about the ground at mid-wheelbase."""
    back = _sprung_cg_behind_middle(car)
    turning = pitch_n_m + lift_n * back - drag_n * car.cg_height_m
    still = np.zeros_like(lift_n)
    return _moved(car, step_s, np.stack([lift_n, turning, still, still], axis=1))


def driven(car: Vehicle, step_s: float, speed_m_s: float, front_road_m: Array) -> Motion:
    """The motion over a periodic road, which the rear wheels meet later."""
    n = len(front_road_m)
    frequency_hz = np.fft.rfftfreq(n, step_s)
    delay = np.exp(-2j * np.pi * frequency_hz * car.wheelbase_m / speed_m_s)
    rear_road_m = np.fft.irfft(np.fft.rfft(front_road_m) * delay, n)
    still = np.zeros(n)
    front = 2 * car.front.tyre_stiffness_n_m * front_road_m
    rear = 2 * car.rear.tyre_stiffness_n_m * rear_road_m
    return _moved(car, step_s, np.stack([still, still, front, rear], axis=1), rear_road_m)


def _sprung_cg_behind_middle(car: Vehicle) -> float:
    """Levers about the front axle: the sprung mass alone carries what the scales leave it."""
    unsprung_front, unsprung_rear = 2 * car.front.unsprung_mass_kg, 2 * car.rear.unsprung_mass_kg
    sprung = car.mass_kg - unsprung_front - unsprung_rear
    on_rear_springs = car.mass_kg - car.front_axle_mass_kg - unsprung_rear
    return car.wheelbase_m * on_rear_springs / sprung - car.wheelbase_m / 2


def _moved(car: Vehicle, step_s: float, forces: Array, rear_road_m: Array | None = None) -> Motion:
    """Forces on heave (N), pitch (N m, nose up), front and rear wheels (N), ``(n, 4)``."""
    n = FINER * len(forces)
    fine = np.asarray(resample(forces, n, axis=0))
    step_s = step_s / FINER
    system = _equations(car)
    twice = np.vstack([fine, fine])
    a, b = system
    every = (a, b, np.eye(8), np.zeros((8, 4)))
    _, _, states = lsim(every, twice, np.asarray(step_s * np.arange(2 * n), float))
    state = states[n:]
    rate = state @ a.T + fine @ b.T
    back = _sprung_cg_behind_middle(car)
    seat = rate[:, 4] + (back - car.seat_at_m[0]) * rate[:, 5]
    road = 0.0 if rear_road_m is None else np.asarray(resample(rear_road_m, n))
    load = 2 * car.rear.tyre_stiffness_n_m * (road - state[:, 3])
    static = (car.mass_kg - car.front_axle_mass_kg) * STANDARD_GRAVITY
    return Motion(step_s, seat, 100 * load / static, rate[:, 5])


def _equations(car: Vehicle) -> tuple[Array, Array]:
    """Newton for body and wheels; state: heave, pitch, wheels, and their rates."""
    front, rear = car.front, car.rear
    back = _sprung_cg_behind_middle(car)
    to_front, to_rear = car.wheelbase_m / 2 + back, car.wheelbase_m / 2 - back
    wheels = (2 * front.unsprung_mass_kg, 2 * rear.unsprung_mass_kg)
    masses = np.array([car.mass_kg - sum(wheels), car.pitch_inertia_kg_m2, *wheels])
    spring = np.zeros((4, 4))
    damper = np.zeros((4, 4))
    for axle, arm, wheel in ((front, to_front, 2), (rear, -to_rear, 3)):
        for matrix, per_wheel in ((spring, axle.wheel_rate_n_m), (damper, axle.damping_n_s_m)):
            # The strut pulls the body down by its rate times heave + arm · pitch - wheel.
            stretch = np.zeros(4)
            stretch[[0, 1, wheel]] = 1.0, arm, -1.0
            for row, lever in ((0, 1.0), (1, arm), (wheel, -1.0)):
                matrix[row] -= 2 * per_wheel * lever * stretch
        spring[wheel, wheel] -= 2 * axle.tyre_stiffness_n_m
    a = np.zeros((8, 8))
    a[:4, 4:] = np.eye(4)
    a[4:, :4] = spring / masses[:, None]
    a[4:, 4:] = damper / masses[:, None]
    b = np.vstack([np.zeros((4, 4)), np.diag(1 / masses)])
    return a, b
