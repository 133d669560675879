"""The whole car over all six components: rigid motion, wheels, what is missing, measured modes."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import numpy as np
import pytest

from buffet.spectral.reduction import COMPONENTS
from buffet.vehicle import (
    CAR_OUTPUTS,
    CarModel,
    CarOutput,
    Cushion,
    LateralModel,
    RideModel,
    assumed,
    missing_for_lateral,
)
from buffet.vehicle.rigid_body import motion_at
from ingest.measured_response import MeasuredResponse
from ingest.vehicle import BODY_MOTIONS, MeasuredMode, Seat
from tests.buffet.cars import HATCHBACK
from tests.buffet.lateral_cars import SALOON, bicycle

FREQUENCIES_HZ = np.array([0.0, 0.4, 1.3, 3.0, 8.0, 20.0])
SPEED_M_S = 36.0
DRAG, SIDE, LIFT, ROLL, PITCH, YAW = range(6)
CAR = CarModel.of(SALOON)


def _rows(output: CarOutput, car: CarModel = CAR) -> np.ndarray:
    found = car.response(output, FREQUENCIES_HZ, SPEED_M_S)
    assert found.rows is not None, found.why
    return found.rows


def test_components_stand_in_the_order_of_the_body_motions() -> None:
    """Each force or moment works on the motion of the same place in the list."""
    words = dict(zip(BODY_MOTIONS, COMPONENTS, strict=True))

    assert words["x"] == "drag"
    assert (words["y"], words["z"]) == ("side force", "lift")
    assert all(words[m] == f"{m} moment" for m in ("roll", "pitch", "yaw"))


@pytest.mark.parametrize(
    ("motion", "axis"), [("roll", (-1, 0, 0)), ("pitch", (0, 1, 0)), ("yaw", (0, 0, -1))]
)
def test_points_turn_with_the_body(motion: str, axis: tuple[int, int, int]) -> None:
    """SAE J1594: roll about -x, pitch about +y, yaw about -z; a point moves by axis × r."""
    point = np.array([0.7, -0.4, 0.9])

    moved = motion_at(point)[:3, BODY_MOTIONS.index(motion)]  # type: ignore[arg-type]

    assert moved == pytest.approx(np.cross(axis, point))


def test_a_force_at_a_point_is_carried_to_the_origin() -> None:
    """The same matrix turned over gives the moments of a force, by r × F."""
    point, force = np.array([0.7, -0.4, 0.9]), np.array([3.0, -2.0, 5.0])
    x, y, z = np.cross(point, force)

    carried = motion_at(point).T @ [*force, 0, 0, 0]

    assert carried == pytest.approx([*force, -x, y, -z])


def test_the_seat_on_the_middle_line_rides_as_the_ride_model_says() -> None:
    """Vertical motion there is that of heave and pitch alone."""
    found = CAR.response("seat z", FREQUENCIES_HZ, SPEED_M_S, at_m=(0.4, 0.0, 0.6)).rows
    ride = RideModel.from_vehicle(SALOON).seat_acceleration_per_force(FREQUENCIES_HZ, seat_x_m=0.4)

    assert found is not None
    assert found[:, [DRAG, LIFT, PITCH]] == pytest.approx(ride)
    assert not found[:, [SIDE, ROLL, YAW]].any()


def test_a_seat_off_the_middle_goes_down_with_its_side() -> None:
    """Right side down lowers the right seat and raises the left one as much."""
    rolls = _rows("seat roll")[:, [SIDE, ROLL, YAW]]
    for y_m in (-0.4, 0.4):
        found = CAR.response("seat z", FREQUENCIES_HZ, SPEED_M_S, at_m=(0.0, y_m, 0.6)).rows
        assert found is not None
        assert found[:, [SIDE, ROLL, YAW]] == pytest.approx(-y_m * rolls)


def test_drag_slows_the_whole_car() -> None:
    """At the height of the sprung centre of gravity every point gets drag over mass, and no more.

    Above it pitch adds its height, nose up rearward.
    """
    height_m = (1500 * 0.55 - 156 * 0.3) / (1500 - 156)
    low = CAR.response("seat x", FREQUENCIES_HZ, SPEED_M_S, at_m=(0.0, 0.0, height_m)).rows
    high = CAR.response("seat x", FREQUENCIES_HZ, SPEED_M_S, at_m=(0.0, 0.0, height_m + 0.5)).rows
    assert low is not None
    assert high is not None

    assert low[:, DRAG] == pytest.approx(1 / 1500)
    assert low[:, [LIFT, PITCH]] == pytest.approx(0, abs=1e-12)
    assert high - low == pytest.approx(0.5 * _rows("seat pitch"))


def test_the_seat_across_is_that_of_the_lateral_model() -> None:
    """Across: the origin's, yaw by the distance ahead, roll by the height."""
    body = LateralModel.of(SALOON).body_acceleration(FREQUENCIES_HZ, SPEED_M_S)

    # The seat is 0.1 m ahead of the middle and 0.6 m high.
    expected = body[:, 0] + 0.1 * body[:, 2] + 0.6 * body[:, 1]
    assert _rows("seat y")[:, [SIDE, ROLL, YAW]] == pytest.approx(expected)
    assert _rows("seat yaw")[:, [SIDE, ROLL, YAW]] == pytest.approx(body[:, 2])


def test_wheels_carry_what_their_axles_do() -> None:
    """Left and right add up to the axle's load, and differ by what roll transfers."""
    for axle in ("front", "rear"):
        left = _rows(cast("CarOutput", f"{axle} left wheel load"))
        right = _rows(cast("CarOutput", f"{axle} right wheel load"))
        whole = _rows(cast("CarOutput", f"{axle} axle load"))
        assert left + right == pytest.approx(whole)
        # A steady moment right side down loads the right wheels.
        assert (right - left)[0, ROLL].real > 0


def test_steady_loads_stand_on_four_wheels() -> None:
    """At 0 Hz the wheels carry lift, pitch and roll moment by statics, the lean of the body aside.

    Roll moment over the tracks: the leaning body's weight adds to it.
    """
    wheels = {
        (axle, side): _rows(cast("CarOutput", f"{axle} {side} wheel load"))[0]
        for axle in ("front", "rear")
        for side in ("left", "right")
    }
    every = np.sum(list(wheels.values()), axis=0).real

    assert every[LIFT] == pytest.approx(-1)
    assert every[[DRAG, SIDE, ROLL, PITCH, YAW]] == pytest.approx(0, abs=1e-9)
    gains = np.array([wheels[axle, "right"][ROLL].real for axle in ("front", "rear")])
    body_kg = 1500 - 156
    arm_m = (1500 * 0.55 - 156 * 0.3) / body_kg - 0.08
    lean = _rows("roll angle")[0, ROLL].real
    assert gains @ [1.55, 1.52] == pytest.approx(1 + body_kg * 9.80665 * arm_m * lean)


def test_every_output_has_rows_and_a_unit() -> None:
    """A car with all data answers everything, over six components."""
    for output in CAR_OUTPUTS:
        found = CAR.response(output, FREQUENCIES_HZ, SPEED_M_S)
        assert found.rows is not None
        assert found.rows.shape == (6, 6)
        assert found.why is None
        assert found.unit
    yaw = CAR.response("yaw rate", FREQUENCIES_HZ, SPEED_M_S)
    assert yaw.components == ("side force", "roll moment", "yaw moment")


def test_what_the_sheet_does_not_tell_is_missing_with_the_reason() -> None:
    """A car of ride data alone keeps its ride, and says why there is no more."""
    car = CarModel.of(HATCHBACK)

    yaw = car.response("yaw rate", FREQUENCIES_HZ, SPEED_M_S)
    assert yaw.rows is None
    assert "does not state vehicle.roll_inertia, vehicle.yaw_inertia, front.track" in str(yaw.why)
    assert car.response("rear left wheel load", 1.0, SPEED_M_S).rows is None
    assert car.response("rear axle load", 1.0, SPEED_M_S).rows is not None
    seat = car.response("seat z", FREQUENCIES_HZ, SPEED_M_S)  # 0.35 m off the middle
    assert seat.rows is not None
    assert seat.left_out == "roll"
    assert str(seat.why).startswith("the car's sheet does not state vehicle.roll_inertia")
    assert seat.components == ("drag", "lift", "pitch moment")
    pitch = car.response("seat pitch", FREQUENCIES_HZ, SPEED_M_S)
    assert (pitch.why, pitch.left_out) == (None, None)
    assert missing_for_lateral(HATCHBACK)[:2] == ("vehicle.roll_inertia", "vehicle.yaw_inertia")
    assert len(car.modes(SPEED_M_S)) == 4


def test_a_car_without_steering_has_no_torque_only() -> None:
    """All else stands."""
    car = CarModel.of(replace(SALOON, steering=None))

    torque = car.response("steering torque", 1.0, SPEED_M_S)
    assert (torque.rows, torque.why) == (
        None,
        "the car's sheet has no [steering] with ratio and trail",
    )
    assert car.response("front lateral force", 1.0, SPEED_M_S).rows is not None


def test_an_unstable_car_has_no_lateral_response() -> None:
    """Beyond its critical speed a car that oversteers says so; its ride goes on."""
    car = CarModel.of(bicycle(1500, 2500, 1.2, 1.5, 90e3, 50e3))

    found = car.response("yaw rate", 1.0, 60.0)
    assert found.rows is None
    assert "the car is unstable at 216 km/h" in str(found.why)
    assert car.response("seat z", 1.0, 60.0).rows is not None
    assert "lateral-yaw" not in {mode.name for mode in car.modes(60.0)}


def test_assumptions_are_told() -> None:
    """What the sheet leaves open and the model takes for granted."""
    bare = replace(
        SALOON,
        front=replace(SALOON.front, roll_centre_height_m=None),
        rear=replace(SALOON.rear, relaxation_length_m=None),
    )

    told = assumed(bare)

    assert told[0] == "front.roll_centre_height is not stated: taken on the ground"
    assert told[1].startswith("rear.relaxation_length is not stated")
    assert told[2].startswith("no seat transfer is stated")


def test_a_stated_cushion_passes_vertical_motion_alone() -> None:
    """Its transmissibility multiplies z and nothing else."""
    car = CarModel.of(replace(SALOON, seat=Seat(5.0, 0.25)))
    passed = Cushion(5.0, 0.25).transmissibility(FREQUENCIES_HZ)[:, np.newaxis]

    assert _rows("seat z", car) == pytest.approx(_rows("seat z") * passed)
    assert _rows("seat y", car) == pytest.approx(_rows("seat y"))
    assert _rows("seat pitch", car) == pytest.approx(_rows("seat pitch"))


def test_a_measured_transfer_passes_its_own_axis() -> None:
    """Gain and phase at its frequencies are those of the table."""
    table = MeasuredResponse("seat.csv", (0.4, 3.0, 20.0), (1.0, 1.5, 0.3), (0.0, -0.5, -2.0))
    car = CarModel.of(replace(SALOON, seat=Seat(x=table)))

    assert _rows("seat x", car)[3] == pytest.approx(_rows("seat x")[3] * 1.5 * np.exp(-0.5j))
    assert _rows("seat z", car) == pytest.approx(_rows("seat z"))


def _as_measured(mass_kg: float, inertia: float) -> tuple[MeasuredMode, ...]:
    """A free rigid body at the origin: each motion a mode of no stiffness."""
    every = np.eye(6)
    masses = (mass_kg, mass_kg, mass_kg, inertia, inertia, inertia)
    return tuple(
        MeasuredMode(name, 0.0, 0.0, mass, tuple(shape))
        for name, mass, shape in zip(BODY_MOTIONS, masses, every, strict=True)
    )


def test_measured_modes_of_a_free_body_are_newton() -> None:
    """Six modes without stiffness give force over mass and moment over inertia."""
    car = CarModel.of(replace(SALOON, modes=_as_measured(1200.0, 2000.0)))

    body = car.body_acceleration(FREQUENCIES_HZ, SPEED_M_S)

    assert body == pytest.approx(
        np.broadcast_to(np.diag([1 / 1200] * 3 + [1 / 2000] * 3), body.shape)
    )
    assert _rows("seat z", car)[:, ROLL] == pytest.approx(0.38 / 2000)  # the left seat rises


def test_a_measured_mode_is_a_single_degree_of_freedom() -> None:
    """At resonance the motion is the work over 2ζ modal masses, along the whole shape.

    And reciprocal: motion i by force k is motion k by force i.
    """
    shape = (0.0, 0.1, 1.0, 0.05, 0.2, -0.3)
    mode = MeasuredMode("bounce", 1.4, 0.2, 900.0, shape)
    car = CarModel.of(replace(SALOON, modes=(mode,)))

    body = car.body_acceleration([1.4], SPEED_M_S)[0]

    # -ω²/(m 2iζω²) = i / (2 ζ m)
    assert body[2, PITCH] == pytest.approx(1.0 * 0.2 * 1j / (2 * 0.2 * 900))
    assert body == pytest.approx(body.T)
    rate = car.response("yaw rate", [1.4], SPEED_M_S).rows
    assert rate is not None
    assert rate[0] == pytest.approx(body[5] / (2j * np.pi * 1.4))
    (told,) = car.modes(SPEED_M_S)
    assert (told.name, told.damping_ratio, told.participation) == ("bounce", 0.2, None)


def test_modes_measured_on_a_model_give_the_model_back() -> None:
    """The ride without damping, as its modes on the body, moves the body as the ride itself does.

    Modal masses by the shapes: φᵀ M φ of the whole car, wheels included.
    """
    loose = replace(
        SALOON,
        front=replace(SALOON.front, damping_n_s_m=0.0),
        rear=replace(SALOON.rear, damping_n_s_m=0.0),
    )
    car = CarModel.of(loose)
    mass, behind_m = car.ride.mass, car.masses.sprung_x_m
    modes = []
    for mode in car.ride.modes:
        own = mode.shape.real
        at_origin = (0.0, 0.0, own[0] + own[1] * behind_m, 0.0, own[1], 0.0)
        modal_mass = float(own @ mass @ own)
        modes.append(MeasuredMode(mode.name, mode.natural_frequency_hz, 0.0, modal_mass, at_origin))
    measured = CarModel.of(replace(loose, modes=tuple(modes)))

    for row in (2, 4):
        for column in (LIFT, PITCH):
            assert measured.body_acceleration(FREQUENCIES_HZ, SPEED_M_S)[
                :, row, column
            ] == pytest.approx(car.body_acceleration(FREQUENCIES_HZ, SPEED_M_S)[:, row, column])


def test_measured_modes_tell_nothing_of_wheels_and_steering() -> None:
    """These are missing with the reason."""
    car = CarModel.of(replace(SALOON, modes=_as_measured(1200.0, 2000.0)))

    for output in ("rear axle load", "front left wheel load", "steering torque", "roll angle"):
        found = car.response(cast("CarOutput", output), 1.0, SPEED_M_S)
        assert found.rows is None
        assert "measured on the body and tell nothing of wheels and steering" in str(found.why)


def test_unknown_outputs_are_refused() -> None:
    """With those there are."""
    with pytest.raises(ValueError, match="no output is called 'smell': choose seat x, seat y"):
        CAR.response(cast("CarOutput", "smell"), 1.0, SPEED_M_S)
