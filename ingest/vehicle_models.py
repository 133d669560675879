"""What vehicle.toml may hold: keys, kinds and limits."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, StrictStr, field_validator

from ingest.sheet_faults import nearest
from ingest.sheet_tables import Sheet, Table
from ingest.sheet_values import (
    CornerStiffness,
    Damping,
    Inertia,
    Length,
    Mass,
    Name,
    NotNegative,
    Point,
    Position,
    Power,
    Ratio,
    RollStiffness,
    Share,
    Stiffness,
    fault,
)


class CarTable(Table):
    """[vehicle]: masses, lengths and inertias."""

    name: Name
    source: StrictStr = "not stated"
    mass: Mass
    wheelbase: Length
    front_axle_mass: Mass
    cg_height: Length
    pitch_inertia: Inertia
    roll_inertia: Inertia | None = None
    yaw_inertia: Inertia | None = None


class AxleTable(Table):
    """[front] or [rear]: one axle."""

    unsprung_mass: Mass
    wheel_rate: Stiffness
    damping: Damping
    tyre_stiffness: Stiffness
    track: Length | None = None
    cornering_stiffness: CornerStiffness | None = None
    relaxation_length: Length | None = None
    roll_stiffness: RollStiffness | None = None


class SeatTable(Table):
    """[seat]: where the driver sits."""

    at: Annotated[Point, Field(description="three lengths, e.g. ['-0.1 m', '-0.35 m', '0.6 m']")]


class SteeringTable(Table):
    """[steering]: between wheels and hands."""

    ratio: Ratio
    trail: Position
    assist: Share = 0.0


class RoadLoadTable(Table):
    """[road_load]: what the engine works against besides drag."""

    rolling_resistance: NotNegative
    power: Power | None = None
    efficiency: Share | None = None


SPREADABLE = tuple(
    dict.fromkeys(
        key
        for table in (CarTable, AxleTable, SteeringTable, RoadLoadTable)
        for key in table.model_fields
        if key not in ("name", "source")
    )
)  # keys whose relative standard deviation may stand in [spread]


class VehicleSheet(Sheet):
    """vehicle.toml."""

    vehicle: Annotated[CarTable, Field(description="a [vehicle] table")]
    front: Annotated[AxleTable, Field(description="a [front] table, values per wheel")]
    rear: Annotated[AxleTable, Field(description="a [rear] table, values per wheel")]
    seat: Annotated[SeatTable, Field(description="a [seat] table with at")]
    steering: SteeringTable | None = None
    road_load: RoadLoadTable | None = None
    spread: dict[str, NotNegative] | None = None

    @field_validator("spread")
    @classmethod
    def _spreads_known_keys(cls, spread: dict[str, float] | None) -> dict[str, float] | None:
        for key in spread or {}:
            if key not in SPREADABLE:
                raise fault(f"unknown key {key!r}{nearest(key, SPREADABLE)}")
        return spread

    @field_validator("vehicle")
    @classmethod
    def _front_axle_carries_less_than_the_car(cls, car: CarTable) -> CarTable:
        if car.front_axle_mass >= car.mass:
            problem = f"must be less than the car's {car.mass:g} kg, got {car.front_axle_mass:g} kg"
            raise fault(problem, "front_axle_mass")
        return car
