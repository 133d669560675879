"""What a car's sheet must state for each motion, what is missing, and what is then assumed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from buffet.errors import BuffetError
from buffet.phrases import listed

if TYPE_CHECKING:
    from ingest import Axle, Vehicle

# Optional keys of [front] and [rear] that roll and lateral-yaw motion cannot do without.
_AXLE_NEEDS = {
    "track": "track_m",
    "cornering_stiffness": "cornering_stiffness_n_rad",
    "roll_stiffness": "roll_stiffness_n_m_rad",
}
_BODY_NEEDS = {"roll_inertia": "roll_inertia_kg_m2", "yaw_inertia": "yaw_inertia_kg_m2"}
NO_STEERING = "the car's sheet has no [steering] with ratio and trail"


class MissingCarDataError(BuffetError):
    """A car whose sheet lacks what a motion needs."""


def missing_for_lateral(vehicle: Vehicle) -> tuple[str, ...]:
    """Return the keys of vehicle.toml that roll and lateral-yaw motion lack, dotted."""
    body = [f"vehicle.{key}" for key, name in _BODY_NEEDS.items() if getattr(vehicle, name) is None]
    axles = [
        f"{place}.{key}"
        for place, axle in _axles(vehicle)
        for key, name in _AXLE_NEEDS.items()
        if getattr(axle, name) is None
    ]
    return (*body, *axles)


def lateral_why(vehicle: Vehicle) -> str | None:
    """Return what the car lacks for roll and lateral-yaw motion, in words; None where nothing."""
    missing = missing_for_lateral(vehicle)
    if not missing:
        return None
    return f"the car's sheet does not state {listed(missing)}, which roll and yaw need"


def assumed(vehicle: Vehicle) -> tuple[str, ...]:
    """Return in words what is assumed where the sheet is silent."""
    told = [
        f"{place}.roll_centre_height is not stated: taken on the ground"
        for place, axle in _axles(vehicle)
        if axle.roll_centre_height_m is None
    ]
    told += [
        f"{place}.relaxation_length is not stated: tyre forces follow the slip at once"
        for place, axle in _axles(vehicle)
        if axle.relaxation_length_m is None
    ]
    seat = vehicle.seat
    if seat.cushion_frequency_hz is None and seat.z is None:
        told.append("no seat transfer is stated: accelerations are those of the seat's base")
    return tuple(told)


def _axles(vehicle: Vehicle) -> tuple[tuple[str, Axle], ...]:
    return (("front", vehicle.front), ("rear", vehicle.rear))
