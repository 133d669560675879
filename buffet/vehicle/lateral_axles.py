"""Both axles as lateral motion and roll meet them: tyres, roll centres, springs across."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.locking import lock
from buffet.vehicle.masses import WHEELS_PER_AXLE, Masses

if TYPE_CHECKING:
    from ingest import Axle, Vehicle

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LateralAxles:
    """Front and rear, each array (2,)."""

    ahead_m: Array  # of the car's centre of gravity; the rear one is below 0
    track_m: Array
    unsprung_kg: Array  # both wheels
    cornering_n_rad: Array  # both wheels
    relaxation_m: Array  # 0 where the tyre's force follows at once
    roll_centre_m: Array  # over the ground
    roll_stiffness_n_m_rad: Array  # springs and bar in series with the tyres
    roll_damping_n_m_s: Array

    def __post_init__(self) -> None:
        lock(self)

    @property
    def slip_per_motion(self) -> Array:
        """Velocity across each axle per lateral velocity, yaw rate and roll rate, (2, 3)."""
        return np.stack([np.ones(2), self.ahead_m, np.zeros(2)], axis=1)

    @property
    def roll_axis_slope(self) -> float:
        """Rise of the roll axis per length rearward."""
        front, rear = self.roll_centre_m
        return float((rear - front) / np.ptp(self.ahead_m))

    def roll_axis_height_m(self, x_m: float) -> float:
        """Height of the roll axis at a place rearward of mid-wheelbase."""
        return float(self.roll_centre_m.mean() + self.roll_axis_slope * x_m)


def axles_of(vehicle: Vehicle, masses: Masses) -> LateralAxles:
    """Return both axles of a car that states all that is needed (`needs.missing_for_lateral`)."""
    axles = (vehicle.front, vehicle.rear)
    springs = [_springs(axle) for axle in axles]
    half_m = vehicle.wheelbase_m / 2
    return LateralAxles(
        ahead_m=vehicle.cg_x_m + np.array([half_m, -half_m]),
        track_m=_stated([axle.track_m for axle in axles]),
        unsprung_kg=np.array(masses.unsprung_kg),
        cornering_n_rad=WHEELS_PER_AXLE
        * _stated([axle.cornering_stiffness_n_rad for axle in axles]),
        relaxation_m=np.array([axle.relaxation_length_m or 0.0 for axle in axles]),
        roll_centre_m=np.array([axle.roll_centre_height_m or 0.0 for axle in axles]),
        roll_stiffness_n_m_rad=np.array([stiffness for stiffness, _ in springs]),
        roll_damping_n_m_s=np.array([damping for _, damping in springs]),
    )


def _stated(values: list[float | None]) -> Array:
    return np.array([np.nan if value is None else value for value in values])


def _springs(axle: Axle) -> tuple[float, float]:
    """Roll stiffness and damping of an axle, N m/rad and N m s/rad.

    Springs half a track off the middle give k t²/2, the bar adds to them, and the tyres stand in
    series; of a damper in series with a spring, the first order in frequency is left.
    """
    arm_m2 = (axle.track_m or 0.0) ** 2 / 2  # two wheels at half a track
    suspension = axle.wheel_rate_n_m * arm_m2 + (axle.roll_stiffness_n_m_rad or 0.0)
    tyres = axle.tyre_stiffness_n_m * arm_m2
    share = tyres / (tyres + suspension)
    return suspension * share, axle.damping_n_s_m * arm_m2 * share**2
