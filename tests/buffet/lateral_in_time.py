"""The car across its path, moved in time: the same motion by another way than the program's.

Newton and Euler for one body that carries its axles along, written out force by force about the
centre of gravity of the body, and solved by scipy.signal.lsim over a periodic history that is
played twice, so that the second time is the steady state.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lsim

from ingest import Vehicle

Array = NDArray[np.float64]

STANDARD_GRAVITY = 9.80665
WHEEL_HEIGHT_M = 0.3


@dataclass(frozen=True)
class SideMotion:
    """One period of a steady motion."""

    seat_y_m_s2: Array
    yaw_rate_rad_s: Array
    roll_rad: Array
    tyre_force_n: Array  # (n, 2), front and rear, to the right
    right_wheel_gain_n: Array  # (n, 2)


@dataclass(frozen=True)
class _Parts:
    """Lengths and rates of the car, from mid-wheelbase rearward and from the ground up."""

    car: Vehicle

    @property
    def wheels_kg(self) -> Array:
        return np.array([2 * self.car.front.unsprung_mass_kg, 2 * self.car.rear.unsprung_mass_kg])

    @property
    def body_kg(self) -> float:
        return float(self.car.mass_kg - self.wheels_kg.sum())

    @property
    def axle_x_m(self) -> Array:
        return np.array([-0.5, 0.5]) * self.car.wheelbase_m

    @property
    def body_x_m(self) -> float:
        on_axles = np.array([self.car.front_axle_mass_kg, 0.0])
        on_axles[1] = self.car.mass_kg - on_axles[0]
        return float((on_axles - self.wheels_kg) @ self.axle_x_m / self.body_kg)

    @property
    def body_z_m(self) -> float:
        whole = self.car.mass_kg * self.car.cg_height_m
        return float((whole - self.wheels_kg.sum() * WHEEL_HEIGHT_M) / self.body_kg)

    @property
    def roll_centre_m(self) -> Array:
        heights = (self.car.front.roll_centre_height_m, self.car.rear.roll_centre_height_m)
        return np.array([height or 0.0 for height in heights])

    def axis_m(self, x_m: float) -> float:
        return float(np.interp(x_m, self.axle_x_m, self.roll_centre_m))

    def resisting(self) -> tuple[Array, Array]:
        """Roll stiffness and damping of each axle; a spring, a bar and a tyre in series."""
        stiffness, damping = [], []
        for axle in (self.car.front, self.car.rear):
            assert axle.track_m is not None
            assert axle.roll_stiffness_n_m_rad is not None
            half = axle.track_m / 2
            above = 2 * axle.wheel_rate_n_m * half**2 + axle.roll_stiffness_n_m_rad
            below = 2 * axle.tyre_stiffness_n_m * half**2
            stiffness.append(1 / (1 / above + 1 / below))
            damping.append(2 * axle.damping_n_s_m * half**2 * (below / (above + below)) ** 2)
        return np.array(stiffness), np.array(damping)


def _accelerations(car: Vehicle, speed_m_s: float) -> tuple[Array, Array]:
    """Linear equations A · unknowns = B · knowns of the instant.

    Unknowns: acceleration across of the road point below the body's centre of gravity, yaw and roll
    acceleration, and the forces by which the axles push the body, front and rear. Knowns: roll rate
    and angle, tyre forces, side force, roll and yaw moment at the origin.
    """
    parts = _Parts(car)
    assert car.yaw_inertia_kg_m2 is not None
    assert car.roll_inertia_kg_m2 is not None
    stiffness, damping = parts.resisting()
    arm = parts.body_z_m - parts.axis_m(parts.body_x_m)
    ahead = parts.body_x_m - parts.axle_x_m
    a = np.zeros((5, 5))
    b = np.zeros((5, 7))
    # Body across: m (a + arm φ'') = pushes + side force.
    a[0] = [parts.body_kg, 0, parts.body_kg * arm, -1, -1]
    b[0, 4] = 1
    # Body and wheels, which stand half a track off the middle, about the upright.
    half_tracks = np.array([car.front.track_m, car.rear.track_m], dtype=float) / 2
    a[1, 1] = car.yaw_inertia_kg_m2 + parts.wheels_kg @ half_tracks**2
    a[1, 3:] = -ahead
    b[1, [4, 6]] = parts.body_x_m, 1
    # Body about the long axis through its own centre of gravity.
    a[2, 2] = car.roll_inertia_kg_m2
    height = parts.body_z_m - parts.roll_centre_m
    a[2, 3:] = height  # a push to the right below the centre turns its top to the left
    b[2, 0] = -damping.sum()
    b[2, 1] = -stiffness.sum() + parts.body_kg * STANDARD_GRAVITY * arm
    b[2, [4, 5]] = -parts.body_z_m, 1
    # The axles across: m a = tyre force - push on the body.
    for i in (0, 1):
        a[3 + i, :2] = parts.wheels_kg[i] * np.array([1, ahead[i]])
        a[3 + i, 3 + i] = 1
        b[3 + i, 2 + i] = 1
    return a, b


def pushed_aside(
    car: Vehicle, speed_m_s: float, step_s: float, loads: Array, seat_m: tuple[float, float, float]
) -> SideMotion:
    """The motion under periodic side force, roll and yaw moment at the origin, ``(n, 3)``.

    For level roll axes. State: lateral velocity of the point below the body's centre of gravity,
    yaw and roll rate, roll angle, tyre forces.
    """
    parts = _Parts(car)
    a, b = _accelerations(car, speed_m_s)
    solved = np.linalg.solve(a, b)[:3]
    system, inputs = np.zeros((6, 6)), np.zeros((6, 3))
    system[:3, 2:] = solved[:, :4]
    inputs[:3] = solved[:, 4:]
    system[0, 1] -= speed_m_s
    system[3, 2] = 1
    ahead = parts.body_x_m - parts.axle_x_m
    for i, axle in enumerate((car.front, car.rear)):
        assert axle.cornering_stiffness_n_rad is not None
        assert axle.relaxation_length_m is not None
        rate = speed_m_s / axle.relaxation_length_m
        slip_gain = 2 * axle.cornering_stiffness_n_rad / speed_m_s
        system[4 + i, :2] = -rate * slip_gain * np.array([1, ahead[i]])
        system[4 + i, 4 + i] = -rate
    twice = np.vstack([loads, loads])
    every = (system, inputs, np.eye(6), np.zeros((6, 3)))
    _, _, states = lsim(every, twice, step_s * np.arange(len(twice)))
    state = states[len(loads) :]
    acceleration = state @ system[:3].T + loads @ inputs[:3].T
    acceleration[:, 0] += speed_m_s * state[:, 1]
    return _read(parts, state, acceleration, seat_m)


def _read(
    parts: _Parts, state: Array, acceleration: Array, seat_m: tuple[float, ...]
) -> SideMotion:
    across, turning, rolling = acceleration.T
    seat = across + (parts.body_x_m - seat_m[0]) * turning
    seat = seat + (seat_m[2] - parts.axis_m(seat_m[0])) * rolling
    stiffness, damping = parts.resisting()
    tracks = np.array([parts.car.front.track_m, parts.car.rear.track_m], dtype=float)
    ahead = parts.body_x_m - parts.axle_x_m
    gains = []
    for i in (0, 1):
        axle = across + ahead[i] * turning
        push = state[:, 4 + i] - parts.wheels_kg[i] * axle  # of the axle on the body
        about_ground = stiffness[i] * state[:, 3] + damping[i] * state[:, 2]
        about_ground = about_ground - push * parts.roll_centre_m[i]
        about_ground = about_ground - parts.wheels_kg[i] * axle * WHEEL_HEIGHT_M
        gains.append(about_ground / tracks[i])
    return SideMotion(seat, state[:, 1], state[:, 3], state[:, 4:], np.stack(gains, axis=1))


def rolled(
    car: Vehicle, speed_m_s: float, step_s: float, front_slope: Array, seat_right_m: float
) -> Array:
    """Acceleration up at a seat beside the middle on a road whose cross slope turns the axles.

    Springs, bars and dampers of each axle stand on the slope; the rear one comes later.
    """
    n = len(front_slope)
    omega = 2 * np.pi * np.fft.rfftfreq(n, step_s)
    stiffness, damping = _Parts(car).resisting()
    lag = np.exp(-1j * omega * car.wheelbase_m / speed_m_s)
    turned = np.fft.rfft(front_slope)
    moment = sum(
        (k + 1j * omega * c) * turned * late
        for k, c, late in zip(stiffness, damping, (1.0, lag), strict=True)
    )
    loads = np.zeros((n, 3))
    loads[:, 1] = np.fft.irfft(moment, n)
    motion = pushed_aside(car, speed_m_s, step_s, loads, car.seat_at_m)
    rise = -seat_right_m * np.fft.rfft(motion.roll_rad)  # right side down
    return np.asarray(np.fft.irfft(-(omega**2) * rise, n))
