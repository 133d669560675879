"""Lateral motion, yaw and roll against closed forms, Newton's laws and a simulation in time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from buffet.vehicle import (
    ImpossibleCarError,
    LateralModel,
    MissingCarDataError,
    Mode,
    UnstableCarError,
)
from ingest.vehicle import Steering, Vehicle
from tests.buffet.lateral_cars import SALOON, bicycle
from tests.buffet.lateral_in_time import pushed_aside

SIDE, ROLL, YAW = range(3)
FREQUENCIES_HZ = np.array([0.1, 0.6, 1.2, 2.5, 6.0, 15.0])
# m 1500 kg, I 2500 kg m², a 1.2 m, b 1.5 m, C 80 and 90 kN/rad per axle.
TEXTBOOK = (1500.0, 2500.0, 1.2, 1.5, 80e3, 90e3)


def _mode(modes: tuple[Mode, ...], name: str) -> Mode:
    return next(mode for mode in modes if mode.name == name)


@pytest.mark.parametrize("speed_m_s", [10.0, 20.0, 100 / 3, 60.0])
@pytest.mark.parametrize("rear_n_rad", [90e3, 70e3])
def test_yaw_rate_of_steady_cornering(speed_m_s: float, rear_n_rad: float) -> None:
    """A steered front axle turns the car at V / (l + K V²), K = m (b/Cf - a/Cr) / l.

    Steering by δ is a side force Cf δ at the front axle: Gillespie, Fundamentals of Vehicle
    Dynamics (1992), chapter 6 (from memory).
    """
    mass, _, a, b, front_n_rad, _ = TEXTBOOK
    model = LateralModel.of(bicycle(*TEXTBOOK[:5], rear_n_rad, relaxation_m=0.5))
    load = front_n_rad * np.array([1.0, 0.0, (a + b) / 2])

    gain = model.yaw_rate(0.0, speed_m_s)[0] @ load

    understeer = mass * (b / front_n_rad - a / rear_n_rad) / (a + b)
    assert gain == pytest.approx(speed_m_s / (a + b + understeer * speed_m_s**2))
    assert model.understeer_rad_s2_m == pytest.approx(understeer)


# Derived from the same closed form in the project's reference values, apart from this program.
@pytest.mark.parametrize(
    ("speed_m_s", "frequency_hz", "damping"),
    [(20.0, "1.1320", "0.845"), (100 / 3, "0.8451", "0.679"), (40.0, "0.7853", "0.609")],
)
def test_bicycle_without_relaxation(speed_m_s: float, frequency_hz: str, damping: str) -> None:
    """Natural frequency and damping of the textbook's car, as derived apart from this program.

    And in closed form: ω² = Cf Cr l² / (m I V²) + (b Cr - a Cf) / I and
    2 ζ ω = ((Cf + Cr) / m + (a² Cf + b² Cr) / I) / V.
    """
    mass, inertia, a, b, front, rear = TEXTBOOK
    found = _mode(LateralModel.of(bicycle(*TEXTBOOK)).modes(speed_m_s), "lateral-yaw")

    omega = np.sqrt(
        front * rear * (a + b) ** 2 / (mass * inertia * speed_m_s**2)
        + (b * rear - a * front) / inertia
    )
    loss = ((front + rear) / mass + (a**2 * front + b**2 * rear) / inertia) / speed_m_s
    assert found.natural_frequency_hz == pytest.approx(omega / (2 * np.pi), rel=1e-6)
    assert found.damping_ratio == pytest.approx(loss / (2 * omega), rel=1e-6)
    assert found.natural_frequency_hz == pytest.approx(float(frequency_hz), abs=5e-5)
    assert found.damping_ratio == pytest.approx(float(damping), abs=5e-4)


def test_a_slow_bicycle_does_not_swing() -> None:
    """At low speed both eigenvalues are real: one mode with a damping above 1."""
    found = _mode(LateralModel.of(bicycle(*TEXTBOOK)).modes(5.0), "lateral-yaw")

    mass, inertia, a, b, front, rear = TEXTBOOK
    matrix = -np.array(
        [
            [(front + rear) / mass / 5, (a * front - b * rear) / mass / 5 + 5],
            [(a * front - b * rear) / inertia / 5, (a**2 * front + b**2 * rear) / inertia / 5],
        ]
    )
    values = np.linalg.eigvals(matrix)
    omega = np.sqrt(np.prod(values))
    assert found.damping_ratio == pytest.approx(-values.sum() / (2 * omega), rel=1e-6)
    assert found.natural_frequency_hz == pytest.approx(omega / (2 * np.pi), rel=1e-6)


def test_tyre_force_lags_by_its_relaxation_length() -> None:
    """Tyre force over slip is a first-order lag of relaxation length over speed."""
    speed_m_s, relaxation_m = 30.0, 0.6
    model = LateralModel.of(bicycle(*TEXTBOOK, relaxation_m=relaxation_m))
    omega = 2 * np.pi * FREQUENCIES_HZ

    force = model.lateral_force(FREQUENCIES_HZ, speed_m_s)[:, 0, SIDE]
    # Slip from the body's motion alone: the velocity across the front axle, by the acceleration of
    # the ground there less the turn of the car's own axes.
    body = model.body_acceleration(FREQUENCIES_HZ, speed_m_s)[:, :, SIDE]
    front_y = body[:, 0] + body[:, 2] * 1.35
    front_v = (front_y - speed_m_s * model.yaw_rate(FREQUENCIES_HZ, speed_m_s)[:, SIDE]) / (
        1j * omega
    )
    lag = 1 / (1 + 1j * omega * relaxation_m / speed_m_s)
    # The roll axis lies 0.5 m over the ground, and side force at the ground rolls the body there.
    across = front_v + 0.5 * body[:, 1] / (1j * omega)
    assert force == pytest.approx(-80e3 / speed_m_s * lag * across)


def test_roll_is_one_mass_on_a_spring() -> None:
    """With loose tyres in a level roll about the ground: (I + m h²) φ'' + C φ' + (K - m g h) φ.

    A roll axis through the body's centre of gravity leaves I alone, and no weight.
    """
    car = bicycle(*TEXTBOOK)
    arm_m2 = 1.5**2 / 2
    suspension, tyres = 20e3 * arm_m2 + 10e3, 200e3 * arm_m2
    stiffness = 2 * suspension * tyres / (suspension + tyres)
    damping = 2 * 1500 * arm_m2 * (tyres / (suspension + tyres)) ** 2
    omega = 2 * np.pi * FREQUENCIES_HZ

    found = LateralModel.of(car).roll_angle(FREQUENCIES_HZ, 30.0)[:, ROLL]
    mode = _mode(LateralModel.of(car).modes(30.0), "roll")

    expected = 1 / (stiffness + 1j * omega * damping - 500 * omega**2)
    assert found == pytest.approx(expected)
    assert mode.natural_frequency_hz == pytest.approx(np.sqrt(stiffness / 500) / (2 * np.pi))
    assert mode.damping_ratio == pytest.approx(damping / (2 * np.sqrt(stiffness * 500)))


def test_a_lean_body_weighs_on_its_springs() -> None:
    """Far below resonance a roll moment leans the body by 1 / (K - m g h)."""
    model = LateralModel.of(SALOON)
    stiffness = 0.0
    for axle, track_m in ((SALOON.front, 1.55), (SALOON.rear, 1.52)):
        suspension = axle.wheel_rate_n_m * track_m**2 / 2 + (axle.roll_stiffness_n_m_rad or 0)
        stiffness += 1 / (1 / suspension + 1 / (axle.tyre_stiffness_n_m * track_m**2 / 2))
    body_kg = 1500 - 156
    height_m = (1500 * 0.55 - 156 * 0.3) / body_kg - 0.08

    angle = model.roll_angle(0.0, 30.0)[0, ROLL]

    assert angle == pytest.approx(1 / (stiffness - body_kg * 9.80665 * height_m))


def test_a_steady_turn_is_held_by_the_tyres_and_moves_the_load() -> None:
    """In a steady turn tyres carry the mass times V r, and the wheels its height over the ground.

    The body's lean moves its weight as well.
    """
    model, speed_m_s = LateralModel.of(SALOON), 25.0
    turning = np.array([0.0, 0.0, 1000.0])
    lateral_m_s2 = speed_m_s * (model.yaw_rate(0.0, speed_m_s)[0] @ turning).real

    forces = model.lateral_force(0.0, speed_m_s)[0] @ turning
    right = model.load_transfer(0.0, speed_m_s)[0] @ turning
    lean = (model.roll_angle(0.0, speed_m_s)[0] @ turning).real

    assert forces.sum() == pytest.approx(1500 * lateral_m_s2)
    body_kg = 1500 - 156
    body_height_m = (1500 * 0.55 - 156 * 0.3) / body_kg
    weight_shift = body_kg * 9.80665 * (body_height_m - 0.08) * lean
    overturning = 1500 * lateral_m_s2 * 0.55 - weight_shift
    assert (right @ [1.55, 1.52]) == pytest.approx(-overturning)
    assert lean == pytest.approx(-model.roll_gradient_rad_s2_m * lateral_m_s2)


@pytest.mark.parametrize("load", [SIDE, ROLL, YAW])
def test_newton_holds_across_the_car(load: int) -> None:
    """Tyre forces and the applied force equal the masses times their accelerations."""
    model = LateralModel.of(SALOON)
    body = model.body_acceleration(FREQUENCIES_HZ, 35.0)[:, :, load]
    body_kg, body_x_m = 1500 - 156, (700 * 1.35 - 800 * 1.35 + 80 * 1.35 - 76 * 1.35) / (1500 - 156)
    body_z_m = (1500 * 0.55 - 156 * 0.3) / body_kg

    def across(x_m: float, z_m: float, rolls: bool) -> NDArray[np.complex128]:
        lean = (z_m if rolls else 0.08) * body[:, 1]  # what does not roll is at the roll axis
        return np.asarray(body[:, 0] - x_m * body[:, 2] + lean)

    inertia = body_kg * across(body_x_m, body_z_m, True)
    inertia = inertia + 80 * across(-1.35, 0.3, False) + 76 * across(1.35, 0.3, False)
    tyres = model.lateral_force(FREQUENCIES_HZ, 35.0)[:, :, load].sum(axis=1)
    assert tyres + (load == SIDE) == pytest.approx(inertia)


def test_forces_and_motions_are_reciprocal_without_tyre_forces_that_depend_on_yaw() -> None:
    """Motion by one load is that by another exchanged where nothing gyrates or circulates.

    At high frequency only masses, springs and dampers are left of the car, whose response is
    symmetric (Maxwell and Betti), with a sloping roll axis, too.
    """
    sloping = replace(
        SALOON,
        front=replace(SALOON.front, roll_centre_height_m=0.02),
        rear=replace(SALOON.rear, roll_centre_height_m=0.2),
    )
    body = LateralModel.of(sloping).body_acceleration(400.0, 20.0)[0]

    assert body == pytest.approx(body.T, rel=1e-3, abs=1e-3 * np.abs(body).max())
    # An accelerated body takes in no energy against its masses: the inverse is a positive mass.
    assert np.linalg.eigvalsh(np.linalg.inv(body).real).min() > 0


@pytest.mark.parametrize("load", [SIDE, ROLL, YAW])
def test_a_random_force_simulated_in_time_gives_the_same_rms(load: int) -> None:
    """RMS of seat, yaw, roll, tyres and wheel loads by spectra and by integration in time agree."""
    rng = np.random.default_rng(20 + load)
    step_s, n, speed_m_s = 0.002, 8192, 36.0
    noise = sosfilt(
        butter(4, [0.3, 12.0], "bandpass", fs=1 / step_s, output="sos"), rng.normal(size=2 * n)
    )
    force = np.zeros((n, 3))
    force[:, load] = 300 * noise[n:] * np.hanning(n)

    moved = pushed_aside(SALOON, speed_m_s, step_s, force, SALOON.seat_at_m)

    model = LateralModel.of(SALOON)
    grid = np.fft.rfftfreq(n, step_s)
    lines = np.fft.rfft(force[:, load])[:, np.newaxis]

    def rms(response: NDArray[np.complex128]) -> float:
        signal = np.fft.irfft(response * lines[:, 0], n)
        return float(np.sqrt(np.mean(signal**2)))

    body = model.body_acceleration(grid, speed_m_s)[:, :, load]
    seat = body[:, 0] + 0.1 * body[:, 2] + 0.6 * body[:, 1]
    assert rms(seat) == pytest.approx(np.std(moved.seat_y_m_s2), rel=2e-3)
    assert rms(model.yaw_rate(grid, speed_m_s)[:, load]) == pytest.approx(
        np.sqrt(np.mean(moved.yaw_rate_rad_s**2)), rel=2e-3
    )
    assert rms(model.roll_angle(grid, speed_m_s)[:, load]) == pytest.approx(
        np.sqrt(np.mean(moved.roll_rad**2)), rel=2e-3
    )
    for axle in (0, 1):
        assert rms(model.lateral_force(grid, speed_m_s)[:, axle, load]) == pytest.approx(
            np.sqrt(np.mean(moved.tyre_force_n[:, axle] ** 2)), rel=2e-3
        )
        assert rms(model.load_transfer(grid, speed_m_s)[:, axle, load]) == pytest.approx(
            np.sqrt(np.mean(moved.right_wheel_gain_n[:, axle] ** 2)), rel=2e-3
        )


def test_steering_torque_is_what_the_front_axle_leaves_the_hands() -> None:
    """Front lateral force times trail over ratio, less the assistance's share."""
    model = LateralModel.of(SALOON)

    torque = model.steering_torque(FREQUENCIES_HZ, 30.0)

    front = model.lateral_force(FREQUENCIES_HZ, 30.0)[:, 0]
    assert torque == pytest.approx(front * 0.03 / 15 * 0.4)
    without = LateralModel.of(replace(SALOON, steering=None))
    with pytest.raises(MissingCarDataError, match=r"no \[steering\] with ratio and trail"):
        without.steering_torque(1.0, 30.0)
    unaided = LateralModel.of(replace(SALOON, steering=Steering(15.0, 0.03, 0.0)))
    assert unaided.steering_torque(1.0, 30.0) == pytest.approx(
        model.steering_torque(1.0, 30.0) / 0.4
    )


def test_damping_falls_with_speed() -> None:
    """The lateral-yaw mode swings longer the faster the car is; all names are there."""
    modes = [LateralModel.of(SALOON).modes(speed_m_s) for speed_m_s in (30.0, 45.0, 60.0)]

    dampings = [_mode(own, "lateral-yaw").damping_ratio for own in modes]
    assert dampings == sorted(dampings, reverse=True)
    assert {mode.name for mode in modes[0]} == {"lateral-yaw", "roll", "tyre lag"}
    # Roll at 1.5 to 2.5 Hz (typical, from memory).
    assert 1.2 < _mode(modes[0], "roll").natural_frequency_hz < 2.8
    for mode in modes[0]:
        assert mode.participation is not None
        assert mode.participation.sum() == pytest.approx(1)


def test_a_car_that_oversteers_has_a_critical_speed() -> None:
    """Above √(-l/K) the car is unstable, and says from which speed on."""
    mass, _, a, b, front, rear = *TEXTBOOK[:4], 90e3, 60e3
    car = bicycle(*TEXTBOOK[:4], front, rear)
    critical_m_s = np.sqrt((a + b) ** 2 / mass / (a / rear - b / front))
    model = LateralModel.of(car)

    assert model.why_unstable(0.99 * critical_m_s) is None
    with pytest.raises(UnstableCarError, match=rf"critical speed is {critical_m_s * 3.6:.0f} km/h"):
        model.modes(1.01 * critical_m_s)


def test_a_car_without_dampers_is_not_called_unstable() -> None:
    """Its roll swings for ever, at √(K / I), and no further."""
    car = bicycle(*TEXTBOOK)
    loose = replace(
        car,
        front=replace(car.front, damping_n_s_m=0.0),
        rear=replace(car.rear, damping_n_s_m=0.0),
    )
    model = LateralModel.of(loose)

    assert model.why_unstable(30.0) is None
    assert _mode(model.modes(30.0), "roll").damping_ratio == pytest.approx(0, abs=1e-9)


def test_one_axle_alone_may_lag() -> None:
    """With one relaxation length the modes are two, and the response is in between."""
    both = replace(SALOON, rear=replace(SALOON.rear, relaxation_length_m=None))
    model = LateralModel.of(both)

    assert {mode.name for mode in model.modes(30.0)} == {"lateral-yaw", "roll"}
    # The tyre that does not lag answers its slip in phase.
    body = model.body_acceleration(FREQUENCIES_HZ, 30.0)[:, :, YAW]
    omega = 2j * np.pi * FREQUENCIES_HZ
    rear_y = body[:, 0] - 1.35 * body[:, 2] + 0.08 * body[:, 1]
    rear_v = (rear_y - 30.0 * model.yaw_rate(FREQUENCIES_HZ, 30.0)[:, YAW]) / omega
    rear = model.lateral_force(FREQUENCIES_HZ, 30.0)[:, 1, YAW]
    assert rear == pytest.approx(-130e3 / 30.0 * rear_v)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"yaw_inertia_kg_m2": None}, "does not state vehicle.yaw_inertia, which"),
        ({"roll_inertia_kg_m2": 0.0}, r"roll_inertia \(kg m²\) is 0; wanted a value above 0"),
        ({"cg_height_m": 5.0}, "it would fall over; correct roll_stiffness"),
        ({"front_axle_mass_kg": 60.0}, "the front axle carries 60 kg"),
    ],
)
def test_cars_that_cannot_be_are_refused(change: dict[str, float | None], message: str) -> None:
    """What is missing or contradicts itself is named with its value."""
    with pytest.raises((ImpossibleCarError, MissingCarDataError), match=message):
        LateralModel.of(replace(SALOON, **change))  # type: ignore[arg-type]


def test_a_standing_car_has_no_lateral_motion() -> None:
    """A speed of zero is refused with the reason."""
    model = LateralModel.of(SALOON)

    with pytest.raises(ValueError, match="needs a speed above 0 m/s, got 0 m/s"):
        model.yaw_rate(1.0, 0.0)


def _scaled(length: float) -> Vehicle:
    """The car in another unit of length, forces and seconds kept."""
    axles = [
        replace(
            axle,
            track_m=length * (axle.track_m or 0),
            unsprung_mass_kg=axle.unsprung_mass_kg / length,
            wheel_rate_n_m=axle.wheel_rate_n_m / length,
            damping_n_s_m=axle.damping_n_s_m / length,
            tyre_stiffness_n_m=axle.tyre_stiffness_n_m / length,
            relaxation_length_m=length * (axle.relaxation_length_m or 0),
            roll_stiffness_n_m_rad=length * (axle.roll_stiffness_n_m_rad or 0),
        )
        for axle in (SALOON.front, SALOON.rear)
    ]
    return replace(
        SALOON,
        mass_kg=SALOON.mass_kg / length,
        front_axle_mass_kg=SALOON.front_axle_mass_kg / length,
        wheelbase_m=length * SALOON.wheelbase_m,
        roll_inertia_kg_m2=length * 500,
        yaw_inertia_kg_m2=length * 2300,
        front=axles[0],
        rear=axles[1],
    )


def test_yaw_follows_the_units_of_length() -> None:
    """In twice the unit of length yaw rate per moment halves; the height is left out of it."""
    flat = {"cg_height_m": 0.3}
    axle = {"roll_centre_height_m": 0.3}
    one, two = (
        LateralModel.of(
            replace(car, front=replace(car.front, **axle), rear=replace(car.rear, **axle), **flat)  # type: ignore[arg-type]
        )
        for car in (SALOON, _scaled(2.0))
    )

    assert two.yaw_rate(FREQUENCIES_HZ, 60.0)[:, YAW] == pytest.approx(
        one.yaw_rate(FREQUENCIES_HZ, 30.0)[:, YAW] / 2
    )
