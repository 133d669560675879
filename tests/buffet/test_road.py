"""The road against a covariance equation, laws of its spectrum, and what a car makes of it."""

from dataclasses import replace
from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import solve_continuous_lyapunov

from buffet.perception import weighting
from buffet.vehicle import (
    GOOD_MOTORWAY,
    CarModel,
    Cushion,
    RideModel,
    Road,
    RoadClass,
    axle_load_psd,
    road_of_class,
    road_seat_psds,
    seat_acceleration_psd,
)
from ingest.vehicle import Axle
from tests.buffet.cars import CUSHIONED, HATCHBACK, four_quarter_cars

MOTORWAY_SPEED_M_S = 130 / 3.6
STEP_HZ = 0.01
GRID_HZ = np.arange(0, 100, STEP_HZ)


def _rms(psd: NDArray[np.float64]) -> float:
    return float(np.sqrt(psd.sum() * STEP_HZ))


def test_spectrum_at_and_above_the_reference_wavenumber() -> None:
    """A class C road has 256e-6 m³ at 0.1 cycle/m and a hundredth of it a decade up."""
    psd = road_of_class("C").displacement_psd([0.1, 1.0])

    assert psd == pytest.approx([256e-6, 2.56e-6])


def test_another_waviness_tilts_the_spectrum() -> None:
    """With w = 3 a decade costs a factor of 1000."""
    assert Road(1e-6, waviness=3).displacement_psd(1.0) == pytest.approx(1e-9)


def test_velocity_of_the_road_is_white() -> None:
    """For w = 2 the velocity under a wheel has the PSD (2π n0)² G(n0) V at every frequency."""
    frequency_hz = np.array([0.2, 3.0, 40.0])

    velocity_psd = (2 * np.pi * frequency_hz) ** 2 * GOOD_MOTORWAY.temporal_psd(frequency_hz, 30.0)

    assert velocity_psd == pytest.approx((2 * np.pi * 0.1) ** 2 * 4e-6 * 30.0)


def test_driving_keeps_the_energy_of_a_band() -> None:
    """Heights between two wavelengths hold the same variance over n and over f."""
    speed_m_s, step_cycle_m = 25.0, 1e-4
    wavenumber = np.arange(0.1, 1.0, step_cycle_m)

    over_n = GOOD_MOTORWAY.displacement_psd(wavenumber).sum() * step_cycle_m
    over_f = GOOD_MOTORWAY.temporal_psd(wavenumber * speed_m_s, speed_m_s).sum()

    assert over_f * step_cycle_m * speed_m_s == pytest.approx(over_n)


def _quarter_car_covariance(
    body_kg: float, axle: Axle, velocity_psd: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return state matrix and covariance of (spring, body rate, tyre, wheel rate) on white road.

    One-sided PSD W of the input's rate makes A P + P Aᵀ + B Bᵀ W/2 = 0 (Lyapunov).
    """
    k, c, kt, mu = (
        axle.wheel_rate_n_m,
        axle.damping_n_s_m,
        axle.tyre_stiffness_n_m,
        axle.unsprung_mass_kg,
    )
    state = np.array(
        [
            [0, 1, 0, -1],
            [-k / body_kg, -c / body_kg, 0, c / body_kg],
            [0, 0, 0, 1],
            [k / mu, c / mu, -kt / mu, -c / mu],
        ],
        dtype=np.float64,
    )
    road_in = np.array([[0.0], [0.0], [-1.0], [0.0]])
    covariance = solve_continuous_lyapunov(state, -road_in @ road_in.T * velocity_psd / 2)
    return state, np.asarray(covariance, dtype=np.float64)


def test_load_and_acceleration_agree_with_the_covariance_equation() -> None:
    """A car whose ends do not interact has the quarter car's variances, solved without spectra."""
    axle, speed_m_s = Axle(35, 20e3, 1500, 190e3), 30.0
    model = RideModel.from_vehicle(four_quarter_cars(250, axle))
    velocity_psd = (2 * np.pi * 0.1) ** 2 * 4e-6 * speed_m_s
    state, covariance = _quarter_car_covariance(250, axle, velocity_psd)
    fine_hz = np.arange(0, 1000, 0.02)

    load = axle_load_psd(model, fine_hz, speed_m_s, "front").sum() * 0.02
    over_front_axle = model.seat_acceleration_per_road(fine_hz, speed_m_s, seat_x_m=-1.25)
    moving = fine_hz > 0
    acceleration = (
        np.abs(over_front_axle[moving]) ** 2 * GOOD_MOTORWAY.temporal_psd(fine_hz[moving], 30.0)
    ).sum() * 0.02

    # Above 1 kHz only the tyre follows the road: the rest of the load is kt² (2π n0)² G V/(4π² f).
    beyond = (2 * 190e3) ** 2 * velocity_psd / (4 * np.pi**2 * 1000)
    # Both wheels of an axle push alike: twice the force.
    assert load + beyond == pytest.approx((2 * 190e3) ** 2 * covariance[2, 2], rel=1e-4)
    assert acceleration == pytest.approx(state[1] @ covariance @ state[1], rel=1e-3)


def test_a_road_four_times_as_uneven_shakes_twice_as_much() -> None:
    """Acceleration and load grow with the root of the unevenness."""
    model = RideModel.from_vehicle(HATCHBACK)

    speed_m_s, class_a = MOTORWAY_SPEED_M_S, road_of_class("A")
    seat = seat_acceleration_psd(model, GRID_HZ, speed_m_s)
    load = axle_load_psd(model, GRID_HZ, speed_m_s, "rear")

    assert _rms(seat_acceleration_psd(model, GRID_HZ, speed_m_s, class_a)) == pytest.approx(
        2 * _rms(seat)
    )
    assert _rms(axle_load_psd(model, GRID_HZ, speed_m_s, "rear", class_a)) == pytest.approx(
        2 * _rms(load)
    )


def test_spectra_vanish_at_zero_frequency() -> None:
    """At 0 Hz, where heights have no bound, acceleration and load have none."""
    model = RideModel.from_vehicle(HATCHBACK)

    for psd in (
        seat_acceleration_psd(model, [0.0, 1e-3], 30.0),
        axle_load_psd(model, [0.0, 1e-3], 30.0, "rear"),
    ):
        assert psd[0] == 0
        assert 0 < psd[1] < 1e-2


def test_motorway_moves_the_rear_load_by_about_a_twentieth() -> None:
    """The motorway gives about 5 % rear load variation (engineering judgement, no source)."""
    model = RideModel.from_vehicle(HATCHBACK)
    band = GRID_HZ <= 15

    load = axle_load_psd(model, GRID_HZ[band], MOTORWAY_SPEED_M_S, "rear")

    assert _rms(load) / model.static_axle_load_n[1] == pytest.approx(0.05, abs=0.01)


def test_motorway_ride_is_comfortable() -> None:
    """A good motorway at 130 km/h stays below ISO 2631-1's lowest range, 0.315 m/s², but felt."""
    model = RideModel.from_vehicle(HATCHBACK)
    psd = seat_acceleration_psd(model, GRID_HZ, MOTORWAY_SPEED_M_S)

    weighted = _rms(psd * np.abs(weighting("Wk", GRID_HZ)) ** 2)

    assert 0.011 < weighted < 0.315


def test_cushion_reaches_the_road_too() -> None:
    """The road's acceleration passes the cushion as the wake's does."""
    grid_hz = np.array([2.0, 4.5, 9.0])

    plain, soft = (
        road_seat_psds(CarModel.of(replace(HATCHBACK, seat=seat)), grid_hz, [30.0], GOOD_MOTORWAY)[
            0
        ]
        for seat in (HATCHBACK.seat, CUSHIONED)
    )

    assert soft / plain == pytest.approx(np.abs(Cushion().transmissibility(grid_hz)) ** 2)


def test_unevenness_must_be_positive() -> None:
    """A road without unevenness is refused, with values that would do."""
    with pytest.raises(ValueError, match=r"above 0 m³, got 0: a good motorway has 4e-6"):
        Road(0.0)


def test_unknown_class_is_refused() -> None:
    """Only A to H are classes."""
    with pytest.raises(ValueError, match="no road class 'Z': choose A"):
        road_of_class(cast("RoadClass", "Z"))
