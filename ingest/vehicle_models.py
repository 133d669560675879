"""What vehicle.toml may hold: keys, kinds and limits."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, StrictStr, field_validator, model_validator

from ingest.sheet_faults import nearest
from ingest.sheet_tables import Sheet, Table
from ingest.sheet_values import (
    Area,
    CabinVolume,
    CornerStiffness,
    Damping,
    FilePath,
    Frequency,
    IdlePower,
    Inertia,
    Length,
    Mass,
    ModeFrequency,
    Name,
    NeckLength,
    NotNegative,
    Number,
    Point,
    Position,
    Power,
    Ratio,
    RollStiffness,
    Share,
    SomeShare,
    Stiffness,
    fault,
    one_or_more,
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
    roll_centre_height: Position | None = None


class SeatTable(Table):
    """[seat]: where the driver sits, and what lies between the seat's base and the driver."""

    at: Annotated[Point, Field(description="three lengths, e.g. ['-0.1 m', '-0.35 m', '0.6 m']")]
    cushion_frequency: Frequency | None = None
    cushion_damping: Share | None = None
    transfer: FilePath | None = None
    transfer_x: FilePath | None = None
    transfer_y: FilePath | None = None

    @model_validator(mode="after")
    def _says_one_thing_of_the_cushion(self) -> SeatTable:
        if self.cushion_frequency is not None and self.transfer is not None:
            problem = "states the vertical transfer twice; remove it, or cushion_frequency"
            raise fault(problem, "transfer")
        if self.cushion_damping is not None and self.cushion_frequency is None:
            raise fault("only goes with cushion_frequency", "cushion_damping")
        return self


class SteeringTable(Table):
    """[steering]: between wheels and hands."""

    ratio: Ratio
    trail: Position
    assist: Share = 0.0


class RoadLoadTable(Table):
    """[road_load]: what the engine works against besides drag."""

    rolling_resistance: NotNegative
    power: Power | None = None
    efficiency: SomeShare | None = None
    idle_power: IdlePower = 0.0
    recuperation: Share = 0.0
    rotating_mass_share: Share = 0.0

    @model_validator(mode="after")
    def _weighs_losses_against_a_known_efficiency(self) -> RoadLoadTable:
        for key in ("idle_power", "recuperation"):
            if self.efficiency is None and getattr(self, key):
                raise fault("only goes with efficiency, which is not stated", key)
        return self


class CabinTable(Table):
    """[cabin]: its air, and the window or roof that opens it."""

    volume: CabinVolume
    opening: Area
    opening_length: Length | None = None
    neck: NeckLength = 0.0


class ShapeTable(Table):
    """The body's motion in a mode: of the origin, in m and rad per unit of the modal coordinate."""

    x: Number = 0.0
    y: Number = 0.0
    z: Number = 0.0
    roll: Number = 0.0
    pitch: Number = 0.0
    yaw: Number = 0.0


class ModeTable(Table):
    """[[mode]]: a mode of the body from a modal test."""

    name: Name
    frequency: ModeFrequency
    damping: Share
    modal_mass: Mass
    shape: Annotated[ShapeTable, Field(description="a shape such as { z = 1.0, pitch = 0.1 }")]

    @field_validator("shape")
    @classmethod
    def _moves(cls, shape: ShapeTable) -> ShapeTable:
        if not any(shape.model_dump().values()):
            raise fault("moves nothing; wanted a shape such as { z = 1.0, pitch = 0.1 }")
        return shape


_AXLE_KEYS = tuple(AxleTable.model_fields)
SPREADABLE = tuple(
    dict.fromkeys(
        [
            key
            for table in (CarTable, AxleTable, SteeringTable, RoadLoadTable)
            for key in table.model_fields
            if key not in ("name", "source")
        ]
        + [f"{axle}.{key}" for axle in ("front", "rear") for key in _AXLE_KEYS]
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
    cabin: CabinTable | None = None
    spread: dict[str, NotNegative] | None = None
    mode: Annotated[list[ModeTable], BeforeValidator(one_or_more)] | None = None

    @field_validator("spread", mode="before")
    @classmethod
    def _dotted_keys_are_one(cls, spread: Any) -> Any:
        """TOML reads front.damping as a table in a table."""
        if not isinstance(spread, dict):
            return spread
        flat: dict[str, Any] = {}
        for key, value in spread.items():
            inner = value if isinstance(value, dict) and value else None
            flat |= {f"{key}.{own}": v for own, v in inner.items()} if inner else {key: value}
        return flat

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
