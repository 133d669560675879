"""vehicle.toml as a vehicle."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ingest.errors import SheetError, SheetFault
from ingest.sheet_faults import read_toml, validate
from ingest.vehicle import Axle, RoadLoad, Steering, Vehicle
from ingest.vehicle_models import AxleTable, VehicleSheet


def read_vehicle(path: str | Path) -> Vehicle:
    """Read a vehicle.toml by itself.

    Raises SheetError with every fault of the file.
    """
    path = Path(path)
    table = read_toml(path, path.name)
    if isinstance(table, SheetFault):
        raise SheetError(path.parent, [table])
    vehicle, faults = vehicle_from_sheet(table, path.name)
    if vehicle is None:
        raise SheetError(path.parent, faults)
    return vehicle


def vehicle_from_sheet(
    table: dict[str, Any], shown: str
) -> tuple[Vehicle | None, list[SheetFault]]:
    """Turn a vehicle sheet's table into a vehicle, or list every fault it has."""
    model, faults = validate(VehicleSheet, table, shown)
    return (_vehicle(model) if model else None), faults


def _vehicle(model: VehicleSheet) -> Vehicle:
    car, seat = model.vehicle, model.seat.at
    return Vehicle(
        name=car.name,
        source=car.source,
        mass_kg=car.mass,
        wheelbase_m=car.wheelbase,
        front_axle_mass_kg=car.front_axle_mass,
        cg_height_m=car.cg_height,
        pitch_inertia_kg_m2=car.pitch_inertia,
        roll_inertia_kg_m2=car.roll_inertia,
        yaw_inertia_kg_m2=car.yaw_inertia,
        front=_axle(model.front),
        rear=_axle(model.rear),
        seat_at_m=(seat[0], seat[1], seat[2]),
        steering=_steering(model),
        road_load=_road_load(model),
        spread=model.spread,
    )


def _axle(model: AxleTable) -> Axle:
    return Axle(
        unsprung_mass_kg=model.unsprung_mass,
        wheel_rate_n_m=model.wheel_rate,
        damping_n_s_m=model.damping,
        tyre_stiffness_n_m=model.tyre_stiffness,
        track_m=model.track,
        cornering_stiffness_n_rad=model.cornering_stiffness,
        relaxation_length_m=model.relaxation_length,
        roll_stiffness_n_m_rad=model.roll_stiffness,
    )


def _steering(model: VehicleSheet) -> Steering | None:
    stated = model.steering
    return Steering(stated.ratio, stated.trail, stated.assist) if stated else None


def _road_load(model: VehicleSheet) -> RoadLoad | None:
    stated = model.road_load
    if stated is None:
        return None
    return RoadLoad(stated.rolling_resistance, stated.power, stated.efficiency)
