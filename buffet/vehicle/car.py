"""The whole car: what each component of the aerodynamic force does to seat, wheels and steering.

Ride (heave, pitch, wheels) and lateral motion (lateral, yaw, roll) do not act on each other; both
move one rigid body, and the seat goes with it. Along the car drag slows the whole mass, and pitch
turns the body about its own centre of gravity (see `ride`). Where the car's modes are measured they
stand in for both, and tell nothing of wheels, tyres and steering.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.spectral.locking import lock
from buffet.spectral.reduction import COMPONENTS
from buffet.vehicle.lateral import LateralModel
from buffet.vehicle.masses import Masses, masses_of
from buffet.vehicle.measured import MeasuredModes
from buffet.vehicle.modes import Mode
from buffet.vehicle.needs import NO_STEERING, lateral_why
from buffet.vehicle.ride import AXLE_NAMES, RideModel
from buffet.vehicle.rigid_body import motion_at
from buffet.vehicle.seat import seat_transfer
from ingest import BODY_MOTIONS

if TYPE_CHECKING:
    from ingest import Vehicle

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

CarOutput = Literal[
    "seat x",
    "seat y",
    "seat z",
    "seat roll",
    "seat pitch",
    "seat yaw",
    "yaw rate",
    "roll angle",
    "front axle load",
    "rear axle load",
    "front left wheel load",
    "front right wheel load",
    "rear left wheel load",
    "rear right wheel load",
    "front lateral force",
    "rear lateral force",
    "steering torque",
]
CAR_OUTPUTS: tuple[CarOutput, ...] = get_args(CarOutput)
_UNITS = {"seat": "rad/s²", "yaw rate": "rad/s", "roll angle": "rad", "steering torque": "N m"}

# The inputs of both models among the components of the spectra.
_RIDE = [COMPONENTS.index(word) for word in ("drag", "lift", "pitch moment")]
_LATERAL = [COMPONENTS.index(word) for word in ("side force", "roll moment", "yaw moment")]
# Motions of the body that each of them gives, among `BODY_MOTIONS`.
_UPRIGHT, _SIDEWAYS = [0, 2, 4], [1, 3, 5]
_MEASURED_WHY = "the modes are measured on the body and tell nothing of wheels and steering"
# What of the seat's motion along x and z is lateral motion's, off the middle of the car.
_OFF_THE_MIDDLE = {"x": "yaw", "z": "roll"}
_OFF_THE_MIDDLE_M = 1e-9


def unit_of(output: CarOutput) -> str:
    """Return the unit of an output."""
    if output in ("seat x", "seat y", "seat z"):
        return "m/s²"
    return _UNITS.get("seat" if output.startswith("seat") else output, "N")


@dataclass(frozen=True, eq=False)
class CarRows:
    """One output's response to each component of `COMPONENTS`."""

    output: CarOutput
    unit: str  # over N for forces and N m for moments
    rows: Complex | None  # (n_frequencies, 6); None where the car's data do not allow them
    why: str | None  # why there are no rows, or why these leave a part out
    left_out: str | None = None  # the motion whose part the rows lack, "yaw" or "roll"

    def __post_init__(self) -> None:
        lock(self)

    @property
    def components(self) -> tuple[str, ...]:
        """Components to which the output answers, at any of the frequencies."""
        if self.rows is None:
            return ()
        answers = np.abs(self.rows).max(axis=0) > 0
        return tuple(word for word, moved in zip(COMPONENTS, answers, strict=True) if moved)


@dataclass(frozen=True, eq=False)
class CarModel:
    """Ride and lateral motion, or measured modes; build it with `CarModel.of`."""

    vehicle: Vehicle
    ride: RideModel
    lateral: LateralModel | None
    lateral_why: str | None  # why there is no lateral model
    measured: MeasuredModes | None
    masses: Masses

    @classmethod
    def of(cls, vehicle: Vehicle) -> CarModel:
        """Build all that the car's sheet allows.

        Raises
        ------
        ImpossibleCarError
            If masses contradict each other, a value is not positive, or the roll stiffness does not
            hold the body up.
        """
        why = lateral_why(vehicle)
        return cls(
            vehicle=vehicle,
            ride=RideModel.from_vehicle(vehicle),
            lateral=None if why else LateralModel.of(vehicle),
            lateral_why=why,
            measured=MeasuredModes.of(vehicle) if vehicle.modes else None,
            masses=masses_of(vehicle),
        )

    def modes(self, speed_m_s: float) -> tuple[Mode, ...]:
        """Return all modes at a road speed by rising natural frequency.

        The measured ones where there are such; without those of lateral motion where the car lacks
        the data or is unstable there.

        Raises
        ------
        ValueError
            If the speed is not positive.
        """
        if self.measured is not None:
            return self.measured.modes
        sideways: tuple[Mode, ...] = ()
        if self.lateral is not None and self.why_no_lateral(speed_m_s) is None:
            sideways = self.lateral.modes(speed_m_s)
        every = (*self.ride.modes, *sideways)
        return tuple(sorted(every, key=lambda mode: mode.natural_frequency_hz))

    def why_no_lateral(self, speed_m_s: float) -> str | None:
        """Return why there is no lateral motion at a road speed; None where there is.

        Raises
        ------
        ValueError
            If the speed is not positive.
        """
        if self.lateral is None:
            return self.lateral_why
        return self.lateral.why_unstable(speed_m_s)

    def response(
        self,
        output: CarOutput,
        frequency_hz: ArrayLike,
        speed_m_s: float,
        *,
        at_m: Sequence[float] | None = None,
    ) -> CarRows:
        """Return one output per component at a road speed; see `responses`."""
        return self.responses(output, frequency_hz, [speed_m_s], at_m=at_m)[0]

    def responses(
        self,
        output: CarOutput,
        frequency_hz: ArrayLike,
        speeds_m_s: ArrayLike,
        *,
        at_m: Sequence[float] | None = None,
    ) -> tuple[CarRows, ...]:
        """Return one output per component at each of several road speeds.

        Parameters
        ----------
        frequency_hz : (n_frequencies,)
        speeds_m_s : (n_speeds,)
        at_m : where the seat is, x rearward, y right, z up of the origin; the car's own without it.
            The seat's transfer goes with it.

        Raises
        ------
        ValueError
            If there is no such output, or the speed is not positive.
        """
        if output not in CAR_OUTPUTS:
            raise ValueError(f"no output is called {output!r}: choose {', '.join(CAR_OUTPUTS)}")
        grid = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
        speeds = np.asarray(speeds_m_s, dtype=np.float64)
        if output.startswith("seat"):
            place = self.vehicle.seat_at_m if at_m is None else at_m
            return self._seat(output, grid, speeds, place)
        if self.measured is None and not output.endswith("axle load"):
            return self._of_lateral(output, grid, speeds)
        rows, why = (
            (self._axle_load(output, grid), None)
            if self.measured is None
            else self._measured(output, grid)
        )
        return (CarRows(output, unit_of(output), rows, why),) * len(speeds)

    def body_acceleration(self, frequency_hz: ArrayLike, speed_m_s: float) -> Complex:
        """Return the body's acceleration at the origin, (n_frequencies, 6, 6).

        Rows x, y, z (m/s²), roll, pitch, yaw (rad/s²), columns by `COMPONENTS`; lateral motion is
        0 where there is no model of it (`why_no_lateral`).

        Raises
        ------
        ValueError
            If the speed is not positive.
        """
        if self.measured is not None:
            return self.measured.body_acceleration(frequency_hz)
        grid = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
        body = np.zeros((len(grid), 6, 6), dtype=np.complex128)
        body[np.ix_(range(len(grid)), _UPRIGHT, _RIDE)] = self._upright(grid)
        if self.why_no_lateral(speed_m_s) is None and self.lateral is not None:
            sideways = self.lateral.body_acceleration(grid, speed_m_s)
            body[np.ix_(range(len(grid)), _SIDEWAYS, _LATERAL)] = sideways
        return body

    def _upright(self, grid: Array) -> Complex:
        """Acceleration along x and z and in pitch per drag, lift and pitch moment, (n, 3, 3)."""
        square = -((2 * np.pi * grid) ** 2)[:, np.newaxis, np.newaxis]
        motion = square * self.ride.response_to_force(grid)
        heave, pitch = motion[:, 0], motion[:, 1]
        along = -pitch * self.masses.sprung_height_m
        along[:, 0] += 1 / self.vehicle.mass_kg
        return np.stack([along, heave + pitch * self.masses.sprung_x_m, pitch], axis=1)

    def _seat(
        self, output: CarOutput, grid: Array, speeds_m_s: Array, place: Sequence[float]
    ) -> tuple[CarRows, ...]:
        motion, unit = output.removeprefix("seat "), unit_of(output)
        index = BODY_MOTIONS.index(motion)
        parts = motion_at(place)[index]
        rows, reasons = self._at_point(parts, grid, speeds_m_s)
        if index < 3:
            rows = rows * seat_transfer(self.vehicle.seat, grid)[:, index, np.newaxis]
        off_the_middle = abs(place[1]) > _OFF_THE_MIDDLE_M
        found = []
        for own, why in zip(rows, reasons, strict=True):
            if why is not None and motion in ("y", "roll", "yaw"):
                found.append(CarRows(output, unit, None, why))
                continue
            left_out = _OFF_THE_MIDDLE.get(motion) if why and off_the_middle else None
            found.append(CarRows(output, unit, own, why if left_out else None, left_out))
        return tuple(found)

    def _at_point(
        self, parts: Array, grid: Array, speeds_m_s: Array
    ) -> tuple[Complex, list[str | None]]:
        """A sum of the body's accelerations, (n_speeds, n, 6), and why it lacks lateral motion."""
        shape = (len(speeds_m_s), len(grid), len(COMPONENTS))
        if self.measured is not None:
            alike = parts @ self.measured.body_acceleration(grid)
            return np.broadcast_to(alike, shape), [None] * len(speeds_m_s)
        rows = np.zeros(shape, dtype=np.complex128)
        rows[..., _RIDE] = parts[_UPRIGHT] @ self._upright(grid)
        reasons = [self.why_no_lateral(float(speed)) for speed in speeds_m_s]
        told = np.flatnonzero([why is None for why in reasons])
        if self.lateral is not None and len(told):
            sideways = self.lateral.body_acceleration(grid, speeds_m_s[told])
            rows[told[:, np.newaxis], :, _LATERAL] = np.moveaxis(parts[_SIDEWAYS] @ sideways, -1, 1)
        return rows, reasons

    def _measured(self, output: CarOutput, grid: Array) -> tuple[Complex | None, str | None]:
        assert self.measured is not None
        if output == "yaw rate":
            return self.measured.yaw_rate(grid), None
        return None, _MEASURED_WHY

    def _axle_load(self, output: CarOutput, grid: Array) -> Complex:
        rows = np.zeros((len(grid), len(COMPONENTS)), dtype=np.complex128)
        axle = AXLE_NAMES[0 if output.startswith("front") else 1]
        rows[:, _RIDE] = self.ride.axle_load_per_force(grid, axle)
        return rows

    def _of_lateral(self, output: CarOutput, grid: Array, speeds_m_s: Array) -> tuple[CarRows, ...]:
        reasons = [self.why_no_lateral(float(speed)) for speed in speeds_m_s]
        if self.lateral is not None and output == "steering torque":
            lacking = NO_STEERING if self.lateral.steering_arm_m is None else None
            reasons = [why or lacking for why in reasons]
        told = np.flatnonzero([why is None for why in reasons])
        found = [CarRows(output, unit_of(output), None, why) for why in reasons]
        if len(told):
            rows = self._lateral_rows(output, grid, speeds_m_s[told])
            for place, own in zip(told, rows, strict=True):
                found[place] = replace(found[place], rows=own)
        return tuple(found)

    def _lateral_rows(self, output: CarOutput, grid: Array, speeds_m_s: Array) -> Complex:
        """At road speeds at which the car is stable, (n_speeds, n, 6)."""
        lateral = self.lateral
        assert lateral is not None
        rows = np.zeros((len(speeds_m_s), len(grid), len(COMPONENTS)), dtype=np.complex128)
        axle = AXLE_NAMES.index("front" if output.startswith("front") else "rear")
        if output.endswith("wheel load"):
            side = 1.0 if "right" in output else -1.0
            rows += self._axle_load(output, grid) / 2
            rows[..., _LATERAL] = side * lateral.load_transfer(grid, speeds_m_s)[..., axle, :]
        elif output.endswith("lateral force"):
            rows[..., _LATERAL] = lateral.lateral_force(grid, speeds_m_s)[..., axle, :]
        else:
            kind = {
                "yaw rate": lateral.yaw_rate,
                "roll angle": lateral.roll_angle,
                "steering torque": lateral.steering_torque,
            }[output]
            rows[..., _LATERAL] = kind(grid, speeds_m_s)
        return rows
