"""What there is to know of a car before any wake meets it: figures at rest, modes, responses."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from buffet.vehicle.car import CAR_OUTPUTS, CarModel, CarOutput, CarRows
from buffet.vehicle.draws import spread_of
from buffet.vehicle.modes import Mode
from buffet.vehicle.needs import assumed

if TYPE_CHECKING:
    from collections.abc import Mapping

    from buffet.vehicle.lateral import LateralModel
    from ingest import Vehicle

Array = NDArray[np.float64]

# Frequencies that a wake at road speed reaches and a car answers to, with room on both sides.
LOWEST_HZ, HIGHEST_HZ, POINTS = 0.2, 30.0, 240


@dataclass(frozen=True)
class StaticFigures:
    """The car at rest and in steady turns; None where its sheet does not tell."""

    mass_kg: float
    sprung_mass_kg: float
    front_axle_load_n: float
    rear_axle_load_n: float
    cg_x_m: float  # rearward of mid-wheelbase
    cg_height_m: float
    sprung_cg_x_m: float
    sprung_cg_height_m: float
    # Pitch inertia over sprung mass and both distances to the axles; 1: its ends do not interact.
    dynamic_index: float
    yaw_inertia_kg_m2: float | None  # of the whole car, about its centre of gravity
    roll_axis_height_m: float | None  # below the sprung centre of gravity
    roll_stiffness_n_m_rad: float | None  # of both axles, tyres included
    front_roll_share: float | None
    roll_gradient_rad_s2_m: float | None
    understeer_rad_s2_m: float | None
    characteristic_speed_m_s: float | None  # of an understeering car: largest yaw rate gain
    critical_speed_m_s: float | None  # of an oversteering car: unstable beyond


@dataclass(frozen=True, eq=False)
class CarSummary:
    """One car at one road speed; build it with `summary_of`."""

    model: CarModel
    speed_m_s: float
    static: StaticFigures
    modes: tuple[Mode, ...]

    @property
    def vehicle(self) -> Vehicle:
        """The car."""
        return self.model.vehicle

    @property
    def assumed(self) -> tuple[str, ...]:
        """What is assumed where the sheet is silent, in words."""
        return assumed(self.vehicle)

    @property
    def spread(self) -> tuple[Mapping[str, float], bool]:
        """Relative standard deviations by key, and whether the sheet states them."""
        return spread_of(self.vehicle)

    @cached_property
    def frequency_hz(self) -> Array:
        """Of the responses, (n_frequencies,)."""
        return np.geomspace(LOWEST_HZ, HIGHEST_HZ, POINTS)

    @cached_property
    def responses(self) -> dict[CarOutput, CarRows]:
        """Every output over `frequency_hz`, with the reason where there is none."""
        return {
            output: self.model.response(output, self.frequency_hz, self.speed_m_s)
            for output in CAR_OUTPUTS
        }

    def turning_point_m(self, mode: Mode) -> float | None:
        """Where the body stands still in a mode of heave and pitch, rearward of mid-wheelbase.

        None of other modes.
        """
        if mode.name not in ("heave", "pitch") or mode.coordinates[:2] != ("heave", "pitch"):
            return None
        heave, pitch = mode.shape[:2]
        if pitch == 0:
            return None
        return float(self.static.sprung_cg_x_m + (heave / pitch).real)


def summary_of(vehicle: Vehicle, speed_m_s: float) -> CarSummary:
    """Return figures, modes and responses of a car at a road speed.

    Raises
    ------
    ImpossibleCarError
        If masses contradict each other, a value is not positive, or the roll stiffness does not
        hold the body up.
    ValueError
        If the speed is not positive.
    """
    model = CarModel.of(vehicle)
    return CarSummary(model, speed_m_s, _static(model), model.modes(speed_m_s))


def _static(model: CarModel) -> StaticFigures:
    vehicle, masses, lateral = model.vehicle, model.masses, model.lateral
    front_n, rear_n = model.ride.static_axle_load_n
    half_m = vehicle.wheelbase_m / 2
    to_axles = (half_m + masses.sprung_x_m) * (half_m - masses.sprung_x_m)
    understeer = None if lateral is None else lateral.understeer_rad_s2_m
    characteristic, critical = _speeds(understeer, vehicle.wheelbase_m)
    stiffness = None if lateral is None else lateral.axles.roll_stiffness_n_m_rad
    return StaticFigures(
        mass_kg=vehicle.mass_kg,
        sprung_mass_kg=masses.sprung_kg,
        front_axle_load_n=front_n,
        rear_axle_load_n=rear_n,
        cg_x_m=vehicle.cg_x_m,
        cg_height_m=vehicle.cg_height_m,
        sprung_cg_x_m=masses.sprung_x_m,
        sprung_cg_height_m=masses.sprung_height_m,
        dynamic_index=vehicle.pitch_inertia_kg_m2 / (masses.sprung_kg * to_axles),
        yaw_inertia_kg_m2=None if lateral is None else float(lateral.inertia[1, 1]),
        roll_axis_height_m=_roll_axis(lateral, masses.sprung_x_m),
        roll_stiffness_n_m_rad=None if stiffness is None else float(stiffness.sum()),
        front_roll_share=None if stiffness is None else float(stiffness[0] / stiffness.sum()),
        roll_gradient_rad_s2_m=None if lateral is None else lateral.roll_gradient_rad_s2_m,
        understeer_rad_s2_m=understeer,
        characteristic_speed_m_s=characteristic,
        critical_speed_m_s=critical,
    )


def _roll_axis(lateral: LateralModel | None, x_m: float) -> float | None:
    return None if lateral is None else lateral.axles.roll_axis_height_m(x_m)


def _speeds(understeer: float | None, wheelbase_m: float) -> tuple[float | None, float | None]:
    """Characteristic speed √(l/K) of an understeering car, critical speed √(-l/K) of another."""
    if not understeer:
        return None, None
    speed = float(np.sqrt(wheelbase_m / abs(understeer)))
    return (speed, None) if understeer > 0 else (None, speed)
