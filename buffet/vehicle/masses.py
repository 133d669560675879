"""What of a car hangs on its springs, and what does not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from buffet.errors import BuffetError

if TYPE_CHECKING:
    from ingest import Vehicle

# Standard gravity, exact by definition (ISO 80000-3).
GRAVITY_M_S2 = 9.80665

WHEELS_PER_AXLE = 2

# Height of the unsprung masses' centre, about a tyre's radius (typical, from memory): 20 mm of it
# move the sprung centre of gravity by 3 mm.
WHEEL_CENTRE_HEIGHT_M = 0.3


class ImpossibleCarError(BuffetError):
    """A car whose masses or stiffnesses contradict each other."""


@dataclass(frozen=True)
class Masses:
    """Sprung and unsprung masses and where they are; x rearward of mid-wheelbase, z from ground."""

    sprung_kg: float
    unsprung_kg: tuple[float, float]  # front, rear; both wheels of an axle
    sprung_x_m: float
    sprung_height_m: float


def masses_of(vehicle: Vehicle) -> Masses:
    """Return the masses; the scales' reading of an axle holds its wheels.

    Raises
    ------
    ImpossibleCarError
        If the wheels outweigh the car or an axle.
    """
    front_kg = WHEELS_PER_AXLE * vehicle.front.unsprung_mass_kg
    rear_kg = WHEELS_PER_AXLE * vehicle.rear.unsprung_mass_kg
    _check(vehicle, front_kg, rear_kg)
    sprung_kg = vehicle.mass_kg - front_kg - rear_kg
    on_front = (vehicle.front_axle_mass_kg - front_kg) / sprung_kg
    moment_kg_m = vehicle.mass_kg * vehicle.cg_height_m
    wheels_kg_m = (front_kg + rear_kg) * WHEEL_CENTRE_HEIGHT_M
    return Masses(
        sprung_kg,
        (front_kg, rear_kg),
        vehicle.wheelbase_m * (0.5 - on_front),
        (moment_kg_m - wheels_kg_m) / sprung_kg,
    )


def _check(vehicle: Vehicle, front_kg: float, rear_kg: float) -> None:
    axle_kg = {
        "front": (vehicle.front_axle_mass_kg, front_kg),
        "rear": (vehicle.mass_kg - vehicle.front_axle_mass_kg, rear_kg),
    }
    for axle, (carried_kg, unsprung_kg) in axle_kg.items():
        if not carried_kg > unsprung_kg > 0:
            raise ImpossibleCarError(
                f"{vehicle.name}: the {axle} axle carries {carried_kg:g} kg with unsprung masses "
                f"of {unsprung_kg:g} kg, both wheels; wanted more than the unsprung masses, and "
                "these above 0: correct mass, front_axle_mass or unsprung_mass (per wheel)"
            )


def refuse_what_is_not_positive(vehicle: Vehicle, values: dict[str, float]) -> None:
    """Raise ImpossibleCarError for the first value, by key and unit, that is not above 0."""
    for what, value in values.items():
        if not value > 0:
            raise ImpossibleCarError(f"{vehicle.name}: {what} is {value:g}; wanted a value above 0")
