"""The heave-pitch model against textbooks, statics, Newton's laws and a simulation in time."""

import csv
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from buffet.vehicle import (
    GOOD_MOTORWAY,
    MODE_NAMES,
    AxleName,
    CarModel,
    Cushion,
    ImpossibleCarError,
    RideModel,
    road_seat_psds,
)
from ingest.vehicle import Axle, Vehicle
from tests.buffet.cars import CUSHIONED, HATCHBACK, four_quarter_cars, rigid_tyred, scaled

PUBLISHED = Path(__file__).parents[1] / "published" / "bounce_pitch.csv"
FREQUENCIES_HZ = np.array([0.1, 0.9, 1.3, 3.2, 5.0, 11.5, 30.0])
DRAG, LIFT, PITCH_MOMENT = range(3)


def _published() -> dict[str, str]:
    with PUBLISHED.open(newline="", encoding="utf-8") as stream:
        return {row["quantity"]: row["value"] for row in csv.DictReader(stream)}


def _model(vehicle: Vehicle = HATCHBACK) -> RideModel:
    return RideModel.from_vehicle(vehicle)


def test_bounce_and_pitch_of_a_textbook_car() -> None:
    """With rigid tyres and massless wheels the printed frequencies and shapes come out."""
    printed = _published()
    car = rigid_tyred(1000, 0.9, 1.0, 1.5, 18e3, 22e3)

    slow, quick = _model(car).modes[:2]

    for mode, number in ((slow, 1), (quick, 2)):
        omega_rad_s = 2 * np.pi * mode.natural_frequency_hz
        assert omega_rad_s == pytest.approx(float(printed[f"omega_{number}"]), abs=5e-5)
        # The textbook turns the body the other way round: nose down positive.
        ratio = -(mode.shape[0] / mode.shape[1]).real
        assert ratio == pytest.approx(float(printed[f"x_over_theta_{number}"]), abs=5e-5)
    assert (slow.name, quick.name) == ("heave", "pitch")
    assert slow.damping_ratio == pytest.approx(0, abs=1e-9)


def test_quarter_car_frequencies() -> None:
    """A symmetric car of four quarter cars has the quarter car's two frequencies."""
    printed = _published()
    car = four_quarter_cars(400, Axle(40, 20e3, 0.0, 180e3), inertia_factor=0.7)

    found = [mode.natural_frequency_hz for mode in _model(car).modes]

    for quantity in ("body", "wheel"):
        wanted = float(printed[quantity])
        assert min(found, key=lambda f: abs(f - wanted)) == pytest.approx(wanted, abs=5e-5)


def test_damping_of_a_single_degree_of_freedom() -> None:
    """On rigid tyres a symmetric body heaves with ζ = c / (2 √(k m)), over 1 too."""
    for damping_n_s_m in (2000.0, 40_000.0):
        car = rigid_tyred(1000, 0.9, 1.2, 1.2, 20e3, 20e3, damping_n_s_m)
        heave = next(mode for mode in _model(car).modes if mode.name == "heave")

        expected = 2 * damping_n_s_m / (2 * np.sqrt(40e3 * 1000))
        assert heave.damping_ratio == pytest.approx(expected, rel=1e-3)
        assert 2 * np.pi * heave.natural_frequency_hz == pytest.approx(np.sqrt(40), rel=1e-3)


def test_each_mode_has_its_own_name() -> None:
    """The four modes of a hatchback are named once each, body slow and wheels quick."""
    modes = _model().modes

    assert sorted(mode.name for mode in modes) == sorted(MODE_NAMES)
    assert {mode.name for mode in modes[:2]} == {"heave", "pitch"}
    # Body below 2 Hz, wheel hop at 10 to 15 Hz: Transport Research Laboratory, SR12UC (abstract).
    assert all(mode.natural_frequency_hz < 2 for mode in modes[:2])
    assert all(10 < mode.natural_frequency_hz < 15 for mode in modes[2:])
    for mode in modes:
        assert mode.participation.sum() == pytest.approx(1)
        assert mode.shape[MODE_NAMES.index(mode.name)] == pytest.approx(1)


def test_static_axle_loads() -> None:
    """The axles carry the weight as the scales read it, unsprung masses included."""
    front_n, rear_n = _model().static_axle_load_n

    assert front_n == pytest.approx(700 * 9.80665)
    assert rear_n == pytest.approx(450 * 9.80665)


def test_slow_forces_unload_the_axles_by_statics() -> None:
    """At 0 Hz lift and moment unload the axles by front and rear lift, drag by h/wheelbase."""
    front, rear = (_model().axle_load_per_force(0.0, axle)[0] for axle in ("front", "rear"))
    wheelbase_m = HATCHBACK.wheelbase_m

    # Front lift is L/2 + M/wheelbase, rear lift L/2 - M/wheelbase (SAE J1594 axes).
    assert front[LIFT] == pytest.approx(-0.5)
    assert rear[LIFT] == pytest.approx(-0.5)
    assert front[PITCH_MOMENT] == pytest.approx(-1 / wheelbase_m)
    assert rear[PITCH_MOMENT] == pytest.approx(1 / wheelbase_m)
    # A car slowed at ground level pitches onto its front axle.
    assert front[DRAG] == pytest.approx(HATCHBACK.cg_height_m / wheelbase_m)
    assert rear[DRAG] == pytest.approx(-HATCHBACK.cg_height_m / wheelbase_m)


def test_slow_lift_stretches_springs_in_series() -> None:
    """At 0 Hz a lift at mid-wheelbase raises each end by half of it over spring and tyre."""
    model = _model()
    heave, pitch = model.response_to_force(0.0)[0, :2, LIFT]

    for axle, x_m in ((HATCHBACK.front, -1.29), (HATCHBACK.rear, 1.29)):
        compliance = (1 / axle.wheel_rate_n_m + 1 / axle.tyre_stiffness_n_m) / 2
        end_m = heave - pitch * (x_m - model.sprung_cg_x_m)
        assert end_m == pytest.approx(0.5 * compliance)


def test_sprung_centre_of_gravity_balances_the_whole_car() -> None:
    """Sprung mass and wheels together balance at the whole car's centre of gravity."""
    moment_kg_m = (1150 - 2 * 38 - 2 * 35) * _model().sprung_cg_x_m + 2 * 35 * 1.29 - 2 * 38 * 1.29

    assert moment_kg_m == pytest.approx(1150 * HATCHBACK.cg_x_m)


@pytest.mark.parametrize("force", [DRAG, LIFT, PITCH_MOMENT])
def test_newton_holds_at_every_frequency(force: int) -> None:
    """Tyre forces and applied force equal mass times acceleration, in heave and in pitch."""
    model = _model()
    response = model.response_to_force(FREQUENCIES_HZ)[:, :, force]
    front, rear = (
        model.axle_load_per_force(FREQUENCIES_HZ, axle)[:, force] for axle in ("front", "rear")
    )
    acceleration = -((2 * np.pi * FREQUENCIES_HZ[:, np.newaxis]) ** 2) * response
    to_front_m = 1.29 + model.sprung_cg_x_m
    to_rear_m = 1.29 - model.sprung_cg_x_m
    lift_n = 1.0 if force == LIFT else 0.0
    moment_n_m = (-HATCHBACK.cg_height_m, model.sprung_cg_x_m, 1.0)[force]

    inertia_n = acceleration @ np.array([1150 - 146, 0, 76, 70])
    assert front + rear + lift_n == pytest.approx(inertia_n, abs=1e-9)
    from_front_n = front - 76 * acceleration[:, 2]
    from_rear_n = rear - 70 * acceleration[:, 3]
    turning_n_m = moment_n_m + to_front_m * from_front_n - to_rear_m * from_rear_n
    assert turning_n_m == pytest.approx(1500 * acceleration[:, 1], abs=1e-9)


@dataclass(frozen=True)
class _SineRun:
    """The hatchback under a sine road and sine forces, written out spring by spring.

    Its wheels are dragged along at a height of their own, so that nothing is shared with the
    matrices under test.
    """

    frequency_hz: float
    road_m: float = 0.0
    drag_n: float = 0.0
    lift_n: float = 0.0
    speed_m_s: float = 30.0

    # Sprung mass, wheels and where they are; half a wheelbase is 1.29 m.
    body_kg, front_kg, rear_kg, wheel_height_m = 1150 - 76 - 70, 76.0, 70.0, 0.3
    cg_x_m = (1150 * HATCHBACK.cg_x_m - (70 - 76) * 1.29) / (1150 - 76 - 70)
    cg_height_m = (1150 * HATCHBACK.cg_height_m - (76 + 70) * 0.3) / (1150 - 76 - 70)

    def wave(self, t: float, delay_s: float = 0.0) -> float:
        return float(np.sin(2 * np.pi * self.frequency_hz * (t - delay_s)))

    def tyre_forces_n(self, t: float, y: NDArray[np.float64]) -> tuple[float, float]:
        road_rear_m = self.road_m * self.wave(t, 2.58 / self.speed_m_s)
        return 380e3 * (self.road_m * self.wave(t) - y[2]), 370e3 * (road_rear_m - y[3])

    def spring_forces_n(self, y: NDArray[np.float64]) -> tuple[float, float]:
        z, pitch, front, rear, dz, dpitch, dfront, drear = y
        a, b = 1.29 + self.cg_x_m, 1.29 - self.cg_x_m
        return (
            40e3 * (front - z - a * pitch) + 3000 * (dfront - dz - a * dpitch),
            44e3 * (rear - z + b * pitch) + 3200 * (drear - dz + b * dpitch),
        )

    def force_moment_n_m(self, wave: float) -> float:
        """Return the moment about the body's own centre of gravity, nose up."""
        drag_n = self.drag_n * wave
        wheels_pull_n = -(self.front_kg + self.rear_kg) * drag_n / 1150  # rearward positive
        below_m = self.cg_height_m - self.wheel_height_m
        return (
            self.lift_n * wave * self.cg_x_m - drag_n * self.cg_height_m - wheels_pull_n * below_m
        )

    def rates(self, t: float, y: NDArray[np.float64]) -> list[float]:
        wave = self.wave(t)
        front_n, rear_n = self.spring_forces_n(y)
        tyre_front_n, tyre_rear_n = self.tyre_forces_n(t, y)
        turning_n_m = (1.29 + self.cg_x_m) * front_n - (1.29 - self.cg_x_m) * rear_n
        return [
            *y[4:],
            (front_n + rear_n + self.lift_n * wave) / self.body_kg,
            (turning_n_m + self.force_moment_n_m(wave)) / 1500,
            (tyre_front_n - front_n) / self.front_kg,
            (tyre_rear_n - rear_n) / self.rear_kg,
        ]

    def seat_acceleration_m_s2(self, t: float, y: NDArray[np.float64]) -> float:
        *_, heave, pitch, _, _ = self.rates(t, y)
        return heave - pitch * (HATCHBACK.seat_at_m[0] - self.cg_x_m)


def _simulate(run: _SineRun) -> tuple[complex, complex]:
    """Integrate in time; return the amplitudes of seat acceleration and rear tyre force."""
    settle_s, periods = 6.0, 4
    t = settle_s + np.arange(256) / 256 * periods / run.frequency_hz
    moving = solve_ivp(run.rates, (0, t[-1]), np.zeros(8), t_eval=t, rtol=1e-8, atol=1e-10)
    states = list(zip(t, moving.y.T, strict=True))
    seat = np.array([run.seat_acceleration_m_s2(*state) for state in states])
    rear = np.array([run.tyre_forces_n(*state)[1] for state in states])
    # Amplitude of exp(iωt) whose imaginary part is the sine.
    tone = 2j * np.exp(-2j * np.pi * run.frequency_hz * t) / len(t)
    return complex(tone @ seat), complex(tone @ rear)


@pytest.mark.parametrize("frequency_hz", [1.4, 5.0, 11.0])
def test_a_sine_road_simulated_in_time_gives_the_same(frequency_hz: float) -> None:
    """Integrated step by step, a sine road gives the predicted amplitude and phase."""
    seat, rear = _simulate(_SineRun(frequency_hz, road_m=1.0))

    model = _model()
    assert seat == pytest.approx(model.seat_acceleration_per_road(frequency_hz, 30.0)[0], rel=1e-4)
    assert rear == pytest.approx(model.axle_load_per_road(frequency_hz, 30.0, "rear")[0], rel=1e-4)


@pytest.mark.parametrize(("drag_n", "lift_n"), [(1e3, 0.0), (0.0, 1e3)])
def test_a_sine_force_simulated_in_time_gives_the_same(drag_n: float, lift_n: float) -> None:
    """Drag that slows body and wheels, and lift, give the predicted amplitude and phase."""
    seat, rear = _simulate(_SineRun(3.2, drag_n=drag_n, lift_n=lift_n))

    force = np.array([drag_n, lift_n, 0.0])
    model = _model()
    assert seat == pytest.approx(model.seat_acceleration_per_force(3.2)[0] @ force, rel=1e-4)
    assert rear == pytest.approx(model.axle_load_per_force(3.2, "rear")[0] @ force, rel=1e-4)


def test_a_car_twice_as_heavy_and_stiff_moves_half_as_much() -> None:
    """Doubling masses, rates and damping keeps the modes and halves the motion."""
    light, heavy = _model(), _model(scaled(HATCHBACK, mass=2, rate=2))

    for one, other in zip(light.modes, heavy.modes, strict=True):
        assert other.natural_frequency_hz == pytest.approx(one.natural_frequency_hz)
        assert other.damping_ratio == pytest.approx(one.damping_ratio)
    assert heavy.seat_acceleration_per_force(FREQUENCIES_HZ) == pytest.approx(
        light.seat_acceleration_per_force(FREQUENCIES_HZ) / 2
    )


def test_a_car_twice_as_long_turns_as_its_lengths_say() -> None:
    """Doubling the unit of length halves acceleration per moment, keeps it per force."""
    short = _model().seat_acceleration_per_force(FREQUENCIES_HZ)
    long = _model(scaled(HATCHBACK, length=2)).seat_acceleration_per_force(FREQUENCIES_HZ)

    assert long[:, [DRAG, LIFT]] == pytest.approx(short[:, [DRAG, LIFT]])
    assert long[:, PITCH_MOMENT] == pytest.approx(short[:, PITCH_MOMENT] / 2)


def test_a_slow_road_lifts_the_whole_car() -> None:
    """On a very long wave the car rises with the road, level, at unchanged load."""
    response = _model().response_to_road(1e-4, 50.0)[0]

    assert response[[0, 2, 3]] == pytest.approx(1, abs=1e-4)
    assert abs(response[1]) < 1e-4
    assert abs(_model().axle_load_per_road(0.0, 50.0, "front")[0]) < 1e-6


def test_wheelbase_filters_the_road() -> None:
    """A symmetric car pitches not on waves of its wheelbase and heaves not on twice these."""
    model = _model(four_quarter_cars(250, Axle(35, 20e3, 1500, 190e3), inertia_factor=0.8))
    speed_m_s = 25.0

    whole = model.response_to_road(speed_m_s / 2.5, speed_m_s)[0]
    half = model.response_to_road(speed_m_s / 5.0, speed_m_s)[0]

    assert abs(whole[1]) < 1e-9 < abs(whole[0])
    assert abs(half[0]) < 1e-9 < abs(half[1])


def test_the_seat_stands_where_it_is_told_to() -> None:
    """Behind the centre of gravity a nose-up pitch sinks, ahead of it it rises."""
    model = _model()
    heave, pitch = model.response_to_force(2.0)[0, :2, PITCH_MOMENT]
    omega_squared = (4 * np.pi) ** 2

    for x_m in (-1.0, 1.0):
        found = model.seat_acceleration_per_force(2.0, seat_x_m=x_m)[0, PITCH_MOMENT]
        behind_m = x_m - model.sprung_cg_x_m
        assert found == pytest.approx(-omega_squared * (heave - pitch * behind_m))


def test_wake_of_a_small_hatchback_at_motorway_speed() -> None:
    """33 N at 5 Hz are felt as about 0.04 m/s² (an order, common practice, no source)."""
    gain = _model().seat_acceleration_per_force(5.0)[0, LIFT]

    assert 33 * abs(gain) == pytest.approx(0.04, rel=0.15)


def test_cushion_amplifies_at_its_resonance() -> None:
    """A cushion passes slow motion, √(1+4ζ²)/2ζ of its own frequency, unity at √2 of it."""
    passed = np.abs(Cushion(4.5, 0.3).transmissibility([0.0, 4.5, 4.5 * np.sqrt(2)]))

    assert passed == pytest.approx([1.0, np.sqrt(1.36) / 0.6, 1.0])


def test_cushion_is_off_unless_asked() -> None:
    """With a cushion, and only then, seat acceleration carries its transmissibility."""
    plain, soft = CarModel.of(HATCHBACK), CarModel.of(replace(HATCHBACK, seat=CUSHIONED))
    passed = Cushion().transmissibility(FREQUENCIES_HZ)
    by_force = [car.response("seat z", FREQUENCIES_HZ, 30.0).rows for car in (plain, soft)]
    by_road = [
        road_seat_psds(car, FREQUENCIES_HZ, [30.0], GOOD_MOTORWAY)[0] for car in (plain, soft)
    ]

    assert by_force[0] is not None
    assert by_force[0][:, [0, 2, 4]] == pytest.approx(
        _model().seat_acceleration_per_force(FREQUENCIES_HZ)
    )
    assert by_force[1] == pytest.approx(by_force[0] * passed[:, np.newaxis])
    assert by_road[1] == pytest.approx(by_road[0] * np.abs(passed) ** 2)


def test_matrices_are_locked() -> None:
    """Nobody changes the car after it is built."""
    with pytest.raises(ValueError, match="read-only"):
        _model().mass[0, 0] = 1.0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"front_axle_mass_kg": 70.0}, r"the front axle carries 70 kg .* of 76 kg, both wheels"),
        ({"front_axle_mass_kg": 1100.0}, r"the rear axle carries 50 kg .* above 0: correct mass"),
        ({"front": Axle(0.0, 20e3, 1500, 190e3)}, "unsprung masses of 0 kg"),
        ({"rear": Axle(35, 0.0, 1600, 185e3)}, r"rear wheel_rate \(N/m\) is 0; wanted"),
        ({"pitch_inertia_kg_m2": -1.0}, r"pitch_inertia \(kg m²\) is -1; wanted"),
    ],
)
def test_impossible_cars_are_refused(change: dict[str, object], message: str) -> None:
    """Masses that contradict each other are named with their values."""
    with pytest.raises(ImpossibleCarError, match=message):
        _model(replace(HATCHBACK, **change))  # type: ignore[arg-type]


def test_a_standing_car_has_no_road_response() -> None:
    """A speed of zero is refused with the reason."""
    with pytest.raises(ValueError, match="needs a speed above 0 m/s, got 0 m/s"):
        _model().response_to_road(1.0, 0.0)


def test_unknown_axle_is_refused() -> None:
    """Only front and rear are axles."""
    with pytest.raises(ValueError, match="no axle is called 'middle': choose front or rear"):
        _model().axle_load_per_force(1.0, cast("AxleName", "middle"))
