"""vehicle.toml as a vehicle."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ingest.errors import SheetError, SheetFault
from ingest.measured_response import SEAT, MeasuredResponse, ResponseFault, read_response
from ingest.paths import PathFault, named_file
from ingest.sheet_faults import read_toml, validate
from ingest.vehicle import Axle, MeasuredMode, OpenCabin, RoadLoad, Seat, Steering, Vehicle
from ingest.vehicle_models import AxleTable, ModeTable, SeatTable, VehicleSheet

# Keys of [seat] that name a file, and the axis its transfer is along.
_TRANSFERS = {"transfer": "z", "transfer_x": "x", "transfer_y": "y"}


def read_vehicle(path: str | Path) -> Vehicle:
    """Read a vehicle.toml by itself.

    Raises SheetError with every fault of the file.
    """
    path = Path(path)
    table = read_toml(path, path.name)
    if isinstance(table, SheetFault):
        raise SheetError(path.parent, [table])
    vehicle, faults = vehicle_from_sheet(table, path.name, path, path.parent)
    if vehicle is None:
        raise SheetError(path.parent, faults)
    return vehicle


def vehicle_from_sheet(
    table: dict[str, Any], shown: str, path: Path, folder: Path
) -> tuple[Vehicle | None, list[SheetFault]]:
    """Turn the table of a vehicle sheet at `path` into a vehicle, or list every fault it has.

    Files that it names are relative to it and stay inside the folder.
    """
    model, faults = validate(VehicleSheet, table, shown)
    if model is None:
        return None, faults
    transfers, faults = _transfers(model.seat, shown, path, folder)
    return (None if faults else _vehicle(model, transfers)), faults


def _transfers(
    seat: SeatTable, shown: str, path: Path, folder: Path
) -> tuple[dict[str, MeasuredResponse], list[SheetFault]]:
    """The seat's transfers by axis, and what is wrong with their files."""
    transfers, faults = {}, []
    for key, axis in _TRANSFERS.items():
        name = getattr(seat, key)
        if name is None:
            continue
        try:
            transfers[axis] = read_response(named_file(folder, path, name), name, SEAT)
        except (PathFault, ResponseFault) as error:
            faults.append(SheetFault(shown, f"seat.{key}", str(error)))
    return transfers, faults


def _vehicle(model: VehicleSheet, transfers: dict[str, MeasuredResponse]) -> Vehicle:
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
        seat=Seat(model.seat.cushion_frequency, model.seat.cushion_damping, **transfers),
        steering=_steering(model),
        road_load=_road_load(model),
        spread=model.spread,
        modes=tuple(_mode(mode) for mode in model.mode or ()),
        cabin=_cabin(model),
    )


def _mode(model: ModeTable) -> MeasuredMode:
    shape = model.shape
    return MeasuredMode(
        name=model.name,
        natural_frequency_hz=model.frequency,
        damping=model.damping,
        modal_mass_kg=model.modal_mass,
        shape=(shape.x, shape.y, shape.z, shape.roll, shape.pitch, shape.yaw),
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
        roll_centre_height_m=model.roll_centre_height,
    )


def _steering(model: VehicleSheet) -> Steering | None:
    stated = model.steering
    return Steering(stated.ratio, stated.trail, stated.assist) if stated else None


def _road_load(model: VehicleSheet) -> RoadLoad | None:
    stated = model.road_load
    if stated is None:
        return None
    return RoadLoad(
        stated.rolling_resistance,
        stated.power,
        stated.efficiency,
        stated.idle_power,
        stated.recuperation,
        stated.rotating_mass_share,
    )


def _cabin(model: VehicleSheet) -> OpenCabin | None:
    stated = model.cabin
    if stated is None:
        return None
    return OpenCabin(stated.volume, stated.opening, stated.opening_length, stated.neck)
