"""Two tracks of a road: closed forms, an integral over a surface, and one of random heights."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.signal import csd, welch

from buffet.vehicle import (
    GOOD_MOTORWAY,
    WHEELS,
    RideModel,
    Road,
    axle_load_psd,
    cross_slope_matrix,
    cross_slope_psd,
    cross_slope_temporal_psd,
    isotropic_coherence,
    mean_track_psd,
    mean_track_temporal_psd,
    road_track_m,
    seat_acceleration_psd,
    typical_car,
    wheel_height_matrix,
)
from tests.buffet.cars import HATCHBACK

Array = NDArray[np.float64]

TRACK_M = 1.5
WHEELBASE_M = 2.5
SPEED_M_S = 30.0
WAVENUMBER = np.geomspace(0.005, 3.0, 40)
FREQUENCY_HZ = WAVENUMBER * SPEED_M_S


def test_elementary_forms_of_the_bessel_function() -> None:
    """Half-integer orders: γ is exp(-x) for w = 1 and (1 + x) exp(-x) for w = 3."""
    x = 2 * np.pi * WAVENUMBER * TRACK_M

    assert isotropic_coherence(WAVENUMBER, TRACK_M, 1.0) == pytest.approx(np.exp(-x))
    assert isotropic_coherence(WAVENUMBER, TRACK_M, 3.0) == pytest.approx((1 + x) * np.exp(-x))


@pytest.mark.parametrize("wavenumber", [0.02, 0.1, 0.3])
def test_integral_over_the_surface(wavenumber: float) -> None:
    """For w = 2, the surface's PSD (n² + m²)^-3/2 summed over lateral wavenumbers m."""

    def surface(lateral: float) -> float:
        return float((wavenumber**2 + lateral**2) ** -1.5)

    cross, _ = quad(surface, 0, np.inf, weight="cos", wvar=2 * np.pi * TRACK_M)
    own, _ = quad(surface, 0, np.inf)

    assert isotropic_coherence(wavenumber, TRACK_M) == pytest.approx(cross / own, rel=1e-6)


def test_long_waves_are_shared_and_short_ones_are_not() -> None:
    """One at no distance and for waves of kilometres, nothing left at a decimetre; ever less."""
    coherence = isotropic_coherence(np.geomspace(1e-6, 10, 200), TRACK_M)

    assert coherence[0] == pytest.approx(1, abs=1e-6)
    assert coherence[-1] < 1e-30
    assert np.all(np.diff(coherence) < 0)
    assert isotropic_coherence([0.0, 0.1], 0.0).tolist() == [1.0, 1.0]
    assert isotropic_coherence(0.0, TRACK_M) == 1.0


def random_tracks(step_m: float, rows: int, columns: int) -> tuple[Array, Array]:
    """Two tracks, `TRACK_M` apart, down the middle of a surface of PSD ∝ radial wavenumber^-3."""
    radial = np.hypot(
        np.fft.fftfreq(rows, step_m)[:, None], np.fft.rfftfreq(columns, step_m)[None, :]
    )
    radial[0, 0] = np.inf
    noise = np.fft.rfft2(np.random.default_rng(5).standard_normal((rows, columns)))
    surface = np.fft.irfft2(noise * radial**-1.5, s=(rows, columns))
    return surface[0], surface[round(TRACK_M / step_m)]


def test_tracks_of_a_random_surface() -> None:
    """What two lines on an isotropic surface share lies within the scatter of its estimate.

    The surface is 64 m wide and repeats; averages of K segments scatter by about
    √((1 - γ²)² / 2K) (Bendat & Piersol 2010, table 9.6, for the real part as for the modulus).
    """
    step_m, length = 0.25, 256
    left, right = random_tracks(step_m, 256, 2**14)
    slopes = np.diff([left, right], axis=1)
    own = [welch(one, 1 / step_m, nperseg=length)[1] for one in slopes]
    wavenumber, cross = csd(*slopes, 1 / step_m, nperseg=length)
    found = cross.real / np.sqrt(own[0] * own[1])
    used = (wavenumber > 2 / (length * step_m)) & (wavenumber < 1.0)
    expected = isotropic_coherence(wavenumber[used], TRACK_M)

    # Half-overlapped Hann segments count for 0.95 each (Welch 1967).
    independent = 0.95 * (2 * left.size / length - 1)
    scatter = np.sqrt((1 - expected**2) ** 2 / (2 * independent))
    departure = (found[used] - expected) / (scatter + 0.01)
    assert np.abs(departure).max() < 4
    assert np.sqrt(np.mean(departure**2)) < 1.2
    assert np.ptp(expected) > 0.85


def test_mean_and_slope_hold_what_both_tracks_do() -> None:
    """Variances of two tracks add up: the mean's, and a quarter of the difference's."""
    mean = mean_track_psd(GOOD_MOTORWAY, WAVENUMBER, TRACK_M)
    slope = cross_slope_psd(GOOD_MOTORWAY, WAVENUMBER, TRACK_M)
    whole = 4e-6 * (WAVENUMBER / 0.1) ** -2.0

    assert mean + slope * TRACK_M**2 / 4 == pytest.approx(whole)
    assert mean[0] == pytest.approx(whole[0], rel=0.01)
    assert mean[-1] == pytest.approx(whole[-1] / 2)
    # Tracks that share nothing differ by 2 G.
    assert slope[-1] == pytest.approx(2 * whole[-1] / TRACK_M**2)
    assert mean_track_psd(GOOD_MOTORWAY, WAVENUMBER, None) == pytest.approx(whole)


def test_driving_keeps_the_energy_of_both() -> None:
    """Between two wavelengths lies the same variance over n and over f."""
    for over_n, over_f in (
        (mean_track_psd, mean_track_temporal_psd),
        (cross_slope_psd, cross_slope_temporal_psd),
    ):
        along = np.trapezoid(over_n(GOOD_MOTORWAY, WAVENUMBER, TRACK_M), WAVENUMBER)
        in_time = np.trapezoid(
            over_f(GOOD_MOTORWAY, FREQUENCY_HZ, SPEED_M_S, TRACK_M), FREQUENCY_HZ
        )
        assert in_time == pytest.approx(along)


def test_wheels_in_front_and_behind() -> None:
    """Heights of four wheels: the same PSD each, the rear later, left and right by coherence."""
    matrix = wheel_height_matrix(GOOD_MOTORWAY, FREQUENCY_HZ, SPEED_M_S, WHEELBASE_M, TRACK_M)
    psd = GOOD_MOTORWAY.temporal_psd(FREQUENCY_HZ, SPEED_M_S)
    front_left, front_right, rear_left, rear_right = map(WHEELS.index, WHEELS)
    # X_front X_rear* of a rear wheel that is late by T: G exp(+2πi f T).
    late = np.exp(2j * np.pi * FREQUENCY_HZ * WHEELBASE_M / SPEED_M_S)
    shared = psd * isotropic_coherence(WAVENUMBER, TRACK_M)

    for wheel in range(4):
        assert matrix[:, wheel, wheel] == pytest.approx(psd)
    assert matrix[:, front_left, rear_left] == pytest.approx(psd * late)
    assert matrix[:, rear_right, front_right] == pytest.approx(psd * late.conj())
    assert matrix[:, front_left, front_right] == pytest.approx(shared)
    assert matrix[:, front_left, rear_right] == pytest.approx(shared * late)
    assert np.linalg.eigvalsh(matrix).min() > -1e-12 * psd.max()


def test_slopes_under_the_axles_are_those_of_the_wheels() -> None:
    """Left less right over the track, worked out from the four wheels' matrix."""
    wheels = wheel_height_matrix(GOOD_MOTORWAY, FREQUENCY_HZ, SPEED_M_S, WHEELBASE_M, TRACK_M)
    to_slopes = np.array([[1, -1, 0, 0], [0, 0, 1, -1]]) / TRACK_M

    found = cross_slope_matrix(GOOD_MOTORWAY, FREQUENCY_HZ, SPEED_M_S, WHEELBASE_M, TRACK_M)

    assert found == pytest.approx(to_slopes @ wheels @ to_slopes.T)


def test_four_wheels_ride_as_the_mean_track_does() -> None:
    """Heave of the axles' middles, from the wheels' matrix, is the mean track's, twice."""
    wheels = wheel_height_matrix(GOOD_MOTORWAY, FREQUENCY_HZ, SPEED_M_S, WHEELBASE_M, TRACK_M)
    front = np.array([0.5, 0.5, 0, 0])

    middle = np.einsum("i,fij,j->f", front, wheels, front).real

    mean = mean_track_temporal_psd(GOOD_MOTORWAY, FREQUENCY_HZ, SPEED_M_S, TRACK_M)
    assert middle == pytest.approx(mean)


def test_a_track_width_makes_the_ride_smoother_at_short_waves_only() -> None:
    """Half the PSD where tracks share nothing, all of it where they share everything."""
    model = RideModel.from_vehicle(HATCHBACK)
    grid_hz = np.array([0.05, 60.0])

    for psd in (
        lambda track: seat_acceleration_psd(model, grid_hz, 30.0, track_m=track),
        lambda track: axle_load_psd(model, grid_hz, 30.0, "rear", track_m=track),
    ):
        ratio = psd(TRACK_M) / psd(None)
        assert ratio[0] == pytest.approx(1, abs=0.01)
        assert ratio[1] == pytest.approx(0.5, rel=1e-3)


def test_track_of_a_car_is_the_mean_of_its_axles() -> None:
    """1.48 m in front and 1.46 m behind; none where none is stated."""
    assert road_track_m(typical_car(2.58)) == pytest.approx(1.47)
    assert road_track_m(HATCHBACK) is None


def test_what_makes_no_sense_is_refused() -> None:
    """Distances, tracks, exponents and speeds out of range."""
    with pytest.raises(ValueError, match="tracks cannot be -1 m apart"):
        isotropic_coherence(0.1, -1.0)
    with pytest.raises(ValueError, match="need a waviness above 0, got 0; 2 is usual"):
        Road(1e-6, waviness=0.0).coherence(0.1, 1.5)
    with pytest.raises(ValueError, match="a width between them above 0 m, got 0 m"):
        cross_slope_psd(GOOD_MOTORWAY, 0.1, 0.0)
    with pytest.raises(ValueError, match="a road shakes at a speed above 0 m/s, got 0 m/s"):
        wheel_height_matrix(GOOD_MOTORWAY, 1.0, 0.0, WHEELBASE_M, TRACK_M)
