"""Lateral motion, yaw and roll of the car at a road speed: three degrees of freedom, linear.

Coordinates: the velocity v across the car of its centre of gravity's place on the ground (m/s, to
the right), the yaw rate r (rad/s, nose right) and the roll angle φ (rad, right side down) about
the roll axis through the roll centres of both axles. The hands hold the wheel fast. Inputs are side
force (N, to the right), roll moment (N m, right side down) and yaw moment (N m, nose right) about
the origin on the ground at mid-wheelbase.

With J the lateral displacement of each mass per coordinate, the inertia matrix is Σ m J Jᵀ plus
the rotary inertias, and the accelerations are (v' + V r, r', φ''). Axle i, at l ahead of the centre
of gravity, gives the tyre force

    (σ/V) F' + F = -C (v + l r) / V,

and roll is resisted by springs and anti-roll bars in series with the tyres, less the weight of the
leaning body, m_s g h. Dampers act in series with the tyres, too, to the first order in frequency
(at 2 Hz right to 1 % for common cars). Axles do not roll on their tyres' own account; roll steer,
camber, longitudinal forces and the steering's own give are left out.

References
----------
Single-track model: Riekert and Schunck 1940; roll about a fixed axis: Segel 1956; relaxation
length: Pacejka, Tyre and Vehicle Dynamics, chapter 5 (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.errors import BuffetError
from buffet.spectral.locking import lock
from buffet.vehicle.lateral_axles import LateralAxles, axles_of
from buffet.vehicle.masses import (
    GRAVITY_M_S2,
    WHEEL_CENTRE_HEIGHT_M,
    ImpossibleCarError,
    Masses,
    masses_of,
    refuse_what_is_not_positive,
)
from buffet.vehicle.modes import Mode, lateral_modes
from buffet.vehicle.needs import NO_STEERING, MissingCarDataError, lateral_why

if TYPE_CHECKING:
    from ingest import Vehicle

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Speeds = TypeVar("Speeds", float, float | Array)

KM_H = 3.6
# An eigenvalue this much right of the axis, to the largest, is one of an undamped car.
ROUNDING = 1e-9


class UnstableCarError(BuffetError):
    """A car that leaves its path by itself at the speed asked for."""


@dataclass(frozen=True, eq=False)
class LateralModel:
    """The car across its path as a linear system; build it with `LateralModel.of`.

    Of several road speeds ``(n_speeds,)`` at once, these are the first axis of a response.
    """

    axles: LateralAxles
    mass_kg: float
    inertia: Array  # (3, 3), kg, kg m and kg m²: of lateral, yaw and roll
    overturning_n_m_rad: float  # weight of the sprung mass times its height over the roll axis
    # (3, 3): the body's motion at the origin (y, roll, yaw) per coordinate; its transpose takes
    # side force, roll and yaw moment to generalised forces.
    to_body: Array
    # Front lateral force to torque at the steering wheel, m; None without [steering].
    steering_arm_m: float | None
    _known: dict[tuple[bytes, tuple[int, ...], bytes], Complex] = field(
        default_factory=dict, repr=False
    )
    _known_why: dict[float, str | None] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        lock(self)

    @classmethod
    def of(cls, vehicle: Vehicle) -> LateralModel:
        """Build the model of a car whose values are per wheel.

        Raises
        ------
        MissingCarDataError
            If the sheet lacks what roll and yaw need.
        ImpossibleCarError
            If masses contradict each other, a value is not positive, or the roll stiffness does not
            hold the body up.
        """
        if (why := lateral_why(vehicle)) is not None:
            raise MissingCarDataError(f"{vehicle.name}: {why}")
        masses = masses_of(vehicle)
        refuse_what_is_not_positive(vehicle, _positive_values(vehicle))
        axles = axles_of(vehicle, masses)
        overturning = masses.sprung_kg * GRAVITY_M_S2 * _roll_arm_m(axles, masses)
        if not axles.roll_stiffness_n_m_rad.sum() > overturning:
            raise ImpossibleCarError(
                f"{vehicle.name}: springs, roll_stiffness and tyres resist roll by "
                f"{axles.roll_stiffness_n_m_rad.sum():.3g} N m/rad, and the leaning body's weight "
                f"takes {overturning:.3g}: it would fall over; correct roll_stiffness, wheel_rate, "
                "track or cg_height"
            )
        steering = vehicle.steering
        return cls(
            axles=axles,
            mass_kg=vehicle.mass_kg,
            inertia=_inertia(vehicle, axles, masses),
            overturning_n_m_rad=overturning,
            to_body=np.array(
                [
                    [1.0, vehicle.cg_x_m, -axles.roll_axis_height_m(0.0)],
                    [0.0, 0.0, 1.0],
                    [0.0, 1.0, axles.roll_axis_slope],
                ]
            ),
            steering_arm_m=steering.trail_m / steering.ratio * (1 - steering.assist)
            if steering
            else None,
        )

    @property
    def understeer_rad_s2_m(self) -> float:
        """Understeer gradient K of yaw rate / steer = V / (wheelbase + K V²); rad per m/s²."""
        front, rear = self.axles.cornering_n_rad
        to_front, to_rear = self.axles.ahead_m[0], -self.axles.ahead_m[1]
        wheelbase = to_front + to_rear
        return float(self.mass_kg / wheelbase * (to_rear / front - to_front / rear))

    @property
    def roll_gradient_rad_s2_m(self) -> float:
        """Roll angle per steady lateral acceleration, away from the turn; rad per m/s²."""
        resisting = self.axles.roll_stiffness_n_m_rad.sum() - self.overturning_n_m_rad
        return float(self.overturning_n_m_rad / GRAVITY_M_S2 / resisting)

    def why_unstable(self, speed_m_s: float) -> str | None:
        """Return why the car has no frequency response at a road speed; None where it has."""
        if speed_m_s not in self._known_why:
            self._known_why[speed_m_s] = self._why_unstable(_moving(speed_m_s))
        return self._known_why[speed_m_s]

    def _why_unstable(self, speed_m_s: float) -> str | None:
        values = np.linalg.eigvals(self._state_matrix(speed_m_s))
        if values.real.max() < ROUNDING * np.abs(values).max():
            return None
        critical = ""
        if self.understeer_rad_s2_m < 0:
            wheelbase = float(np.ptp(self.axles.ahead_m))
            limit = np.sqrt(-wheelbase / self.understeer_rad_s2_m)
            critical = f" (it oversteers; its critical speed is {limit * KM_H:.0f} km/h)"
        return (
            f"the car is unstable at {speed_m_s * KM_H:.0f} km/h with the wheel held fast{critical}"
        )

    def modes(self, speed_m_s: float) -> tuple[Mode, ...]:
        """Return roll, lateral-yaw and, with relaxation lengths, tyre lag at a road speed.

        Raises
        ------
        UnstableCarError
            If the car is unstable there.
        ValueError
            If the speed is not positive.
        """
        if (why := self.why_unstable(speed_m_s)) is not None:
            raise UnstableCarError(why)
        return lateral_modes(self._state_matrix(speed_m_s), np.diag(self.inertia))

    def body_acceleration(self, frequency_hz: ArrayLike, speed_m_s: float | Array) -> Complex:
        """Return the body's acceleration at the origin, (..., n_frequencies, 3, 3).

        Rows are y (m/s²), roll and yaw (rad/s²); columns side force (N), roll and yaw moment (N m).

        Raises
        ------
        ValueError
            If the speed is not positive.
        """
        coordinates = self._acceleration(frequency_hz, speed_m_s)
        return np.asarray(self.to_body @ coordinates)

    def body_acceleration_on_road(
        self, frequency_hz: ArrayLike, speed_m_s: float | Array
    ) -> Complex:
        """Return the body's acceleration at the origin per cross slope, (..., n, 3, 2).

        Rows are y (m/s²), roll and yaw (rad/s²); columns the cross slope (rad, right side lower)
        under front and rear axle, which turn the base of the axle's roll stiffness and damping and
        so push like a roll moment. The weight's part along the slope is left out.

        Raises
        ------
        ValueError
            If the speed is not positive.
        """
        omega = _omega(frequency_hz)[:, np.newaxis]
        axles = self.axles
        moments = axles.roll_stiffness_n_m_rad + 1j * omega * axles.roll_damping_n_m_s
        per_roll_moment = self.body_acceleration(frequency_hz, speed_m_s)[..., 1]
        acceleration: Complex = per_roll_moment[..., np.newaxis] * moments[:, np.newaxis, :]
        return acceleration

    def yaw_rate(self, frequency_hz: ArrayLike, speed_m_s: float | Array) -> Complex:
        """Return the body's yaw rate per input, (..., n_frequencies, 3), rad/s."""
        omega = _omega(frequency_hz)[:, np.newaxis]
        motion = self._motion(frequency_hz, speed_m_s)
        rolling = self.axles.roll_axis_slope * 1j * omega * motion[..., 2, :]
        rate: Complex = motion[..., 1, :] + rolling
        return rate

    def roll_angle(self, frequency_hz: ArrayLike, speed_m_s: float | Array) -> Complex:
        """Return the roll angle per input, (..., n_frequencies, 3), rad."""
        return self._motion(frequency_hz, speed_m_s)[..., 2, :]

    def lateral_force(self, frequency_hz: ArrayLike, speed_m_s: float | Array) -> Complex:
        """Return front and rear tyre force to the right per input, (..., n, 2, 3), N."""
        slip = self.axles.slip_per_motion @ self._motion(frequency_hz, speed_m_s)
        force: Complex = -self._tyre_gain(frequency_hz, speed_m_s)[..., np.newaxis] * slip
        return force

    def load_transfer(self, frequency_hz: ArrayLike, speed_m_s: float | Array) -> Complex:
        """Return what each right wheel gains, each left one loses, (..., n_frequencies, 2, 3), N.

        Of front and rear axle: what the body's roll, the tyre force below the roll centre and the
        wheels' own inertia above it make of the axle's moment, over the track.
        """
        axles = self.axles
        omega = _omega(frequency_hz)[:, np.newaxis, np.newaxis]
        roll = self._motion(frequency_hz, speed_m_s)[..., 2:3, :]
        resisting = axles.roll_stiffness_n_m_rad + 1j * omega[:, 0] * axles.roll_damping_n_m_s
        height = axles.roll_centre_m[:, np.newaxis]
        acceleration = axles.slip_per_motion @ self._acceleration(frequency_hz, speed_m_s)
        moment = (
            resisting[:, :, np.newaxis] * roll
            - height * self.lateral_force(frequency_hz, speed_m_s)
            - (WHEEL_CENTRE_HEIGHT_M - height) * axles.unsprung_kg[:, np.newaxis] * acceleration
        )
        transfer: Complex = moment / axles.track_m[:, np.newaxis]
        return transfer

    def steering_torque(self, frequency_hz: ArrayLike, speed_m_s: float | Array) -> Complex:
        """Return the torque at the steering wheel held fast, (..., n_frequencies, 3), N m.

        Front lateral force times trail, over the ratio, less the assistance's share.

        Raises
        ------
        MissingCarDataError
            If the car has no steering stated.
        """
        if self.steering_arm_m is None:
            raise MissingCarDataError(NO_STEERING)
        return self.steering_arm_m * self.lateral_force(frequency_hz, speed_m_s)[..., 0, :]

    def _motion(self, frequency_hz: ArrayLike, speed_m_s: float | Array) -> Complex:
        """Return lateral velocity, yaw rate and roll angle per input, (..., n, 3, 3)."""
        speeds, omega = np.asarray(_moving(speed_m_s), dtype=np.float64), _omega(frequency_hz)
        key = (omega.tobytes(), speeds.shape, speeds.tobytes())
        solved = self._known.get(key)
        if solved is None:
            solved = self._solved(frequency_hz, omega, speeds)
            solved.flags.writeable = False
            self._known.clear()  # the last grid and speeds alone: outputs share them
            self._known[key] = solved
        return solved

    def _solved(self, frequency_hz: ArrayLike, omega: Array, speed_m_s: Array) -> Complex:
        slips = self.axles.slip_per_motion
        gain = self._tyre_gain(frequency_hz, speed_m_s)
        dynamic = (gain[..., np.newaxis, :] * slips.T) @ slips
        omega_i = 1j * omega[:, np.newaxis]
        lateral, yaw, roll = self.inertia.T
        dynamic[..., 0] += omega_i * lateral
        dynamic[..., 1] += speed_m_s[..., np.newaxis, np.newaxis] * lateral + omega_i * yaw
        dynamic[..., 2] -= omega[:, np.newaxis] ** 2 * roll
        stiffness = self.axles.roll_stiffness_n_m_rad.sum() - self.overturning_n_m_rad
        dynamic[..., 2, 2] += stiffness + 1j * omega * self.axles.roll_damping_n_m_s.sum()
        return np.asarray(_inverse(dynamic) @ self.to_body.T)

    def _acceleration(self, frequency_hz: ArrayLike, speed_m_s: float | Array) -> Complex:
        """Return the coordinates' accelerations, (..., n_frequencies, 3, 3)."""
        omega = _omega(frequency_hz)[:, np.newaxis]
        speed = np.asarray(speed_m_s, dtype=np.float64)[..., np.newaxis, np.newaxis]
        motion = self._motion(frequency_hz, speed_m_s)
        lateral, yaw, roll = (motion[..., i, :] for i in range(3))
        parts = 1j * omega * lateral + speed * yaw, 1j * omega * yaw, -(omega**2) * roll
        return np.stack(parts, axis=-2)

    def _tyre_gain(self, frequency_hz: ArrayLike, speed_m_s: float | Array) -> Complex:
        """Return tyre force against the velocity across an axle, (..., n_frequencies, 2), N s/m."""
        speed = np.asarray(speed_m_s, dtype=np.float64)[..., np.newaxis, np.newaxis]
        lag = 1j * _omega(frequency_hz)[:, np.newaxis] * self.axles.relaxation_m / speed
        gain: Complex = self.axles.cornering_n_rad / speed / (1 + lag)
        return gain

    def _state_matrix(self, speed_m_s: float) -> Array:
        """Return d/dt of lateral velocity, yaw and roll rate, roll angle, lagging tyre forces.

        Tyres without a relaxation length have no state of their own.
        """
        axles = self.axles
        lagging = [i for i, length_m in enumerate(axles.relaxation_m) if length_m > 0]
        forces = np.zeros((3, 4 + len(lagging)))
        forces[2, 2] = -axles.roll_damping_n_m_s.sum()
        forces[2, 3] = self.overturning_n_m_rad - axles.roll_stiffness_n_m_rad.sum()
        for i, slip in enumerate(axles.slip_per_motion):
            if i in lagging:
                forces[:, 4 + lagging.index(i)] = slip
            else:
                forces[:, :3] -= np.outer(slip, slip) * axles.cornering_n_rad[i] / speed_m_s
        matrix = np.zeros((4 + len(lagging), 4 + len(lagging)))
        matrix[:3] = np.linalg.solve(self.inertia, forces)
        matrix[0, 1] -= speed_m_s
        matrix[3, 2] = 1.0
        for row, i in enumerate(lagging, 4):
            matrix[row, :3] = -axles.cornering_n_rad[i] * axles.slip_per_motion[i]
            matrix[row, :3] /= axles.relaxation_m[i]
            matrix[row, row] = -speed_m_s / axles.relaxation_m[i]
        return matrix


def _inverse(matrix: Complex) -> Complex:
    """Of many small matrices, (..., 3, 3): by cofactors, where a solver takes ten times as long."""
    rows = [matrix[..., i, :] for i in range(3)]
    columns = [np.cross(rows[i - 2], rows[i - 1]) for i in range(3)]
    whole = (rows[0] * columns[0]).sum(axis=-1)
    return np.asarray(np.stack(columns, axis=-1) / whole[..., np.newaxis, np.newaxis])


def _roll_arm_m(axles: LateralAxles, masses: Masses) -> float:
    """Height of the sprung centre of gravity over the roll axis."""
    return masses.sprung_height_m - axles.roll_axis_height_m(masses.sprung_x_m)


def _inertia(vehicle: Vehicle, axles: LateralAxles, masses: Masses) -> Array:
    """Σ m J Jᵀ of sprung mass and axles, and the rotary inertias, (3, 3)."""
    assert vehicle.yaw_inertia_kg_m2 is not None
    assert vehicle.roll_inertia_kg_m2 is not None
    ahead_m = vehicle.cg_x_m - masses.sprung_x_m
    sprung = np.array([1.0, ahead_m, _roll_arm_m(axles, masses)])
    turning = np.array([0.0, 1.0, axles.roll_axis_slope])
    inertia = masses.sprung_kg * np.outer(sprung, sprung)
    inertia += vehicle.yaw_inertia_kg_m2 * np.outer(turning, turning)
    inertia[2, 2] += vehicle.roll_inertia_kg_m2
    for kg, slip, track_m in zip(
        axles.unsprung_kg, axles.slip_per_motion, axles.track_m, strict=True
    ):
        inertia += kg * np.outer(slip, slip)
        inertia[1, 1] += kg * (track_m / 2) ** 2  # wheels stand half a track off the middle
    return inertia


def _positive_values(vehicle: Vehicle) -> dict[str, float]:
    values = {
        "wheelbase (m)": vehicle.wheelbase_m,
        "roll_inertia (kg m²)": vehicle.roll_inertia_kg_m2,
        "yaw_inertia (kg m²)": vehicle.yaw_inertia_kg_m2,
    }
    for place, axle in (("front", vehicle.front), ("rear", vehicle.rear)):
        values[f"{place} track (m)"] = axle.track_m
        values[f"{place} cornering_stiffness (N/rad)"] = axle.cornering_stiffness_n_rad
        values[f"{place} tyre_stiffness (N/m)"] = axle.tyre_stiffness_n_m
    return {what: 0.0 if value is None else value for what, value in values.items()}


def _moving(speed_m_s: Speeds) -> Speeds:
    slowest = np.min(speed_m_s)
    if not slowest > 0:
        raise ValueError(
            f"lateral motion needs a speed above 0 m/s, got {slowest:g} m/s: tyres of a "
            "standing car do not roll sideways"
        )
    return speed_m_s


def _omega(frequency_hz: ArrayLike) -> Array:
    return 2 * np.pi * np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
