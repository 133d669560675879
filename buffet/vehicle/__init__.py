"""The car: how it rides, rolls and turns, the road under it, and typical ones."""

from buffet.vehicle.car import CAR_OUTPUTS, CarModel, CarOutput, CarRows, unit_of
from buffet.vehicle.draws import DEFAULT_SPREAD, draw_vehicles, spread_of
from buffet.vehicle.lateral import LateralModel, UnstableCarError
from buffet.vehicle.masses import GRAVITY_M_S2, ImpossibleCarError
from buffet.vehicle.modes import MODE_NAMES, Mode, ModeName
from buffet.vehicle.needs import MissingCarDataError, assumed, lateral_why, missing_for_lateral
from buffet.vehicle.ride import (
    AXLE_NAMES,
    AxleName,
    RideModel,
)
from buffet.vehicle.road import (
    CLASS_UNEVENNESS_M3,
    GOOD_MOTORWAY,
    GOOD_MOTORWAY_M3,
    Road,
    RoadClass,
    axle_load_psd,
    road_of_class,
    seat_acceleration_psd,
)
from buffet.vehicle.seat import Cushion
from buffet.vehicle.summary import CarSummary, StaticFigures, summary_of
from buffet.vehicle.typical import (
    TYPICAL_CARS,
    UnknownCarError,
    is_typical,
    named_car,
    typical_car,
)

__all__ = [
    "AXLE_NAMES",
    "CAR_OUTPUTS",
    "CLASS_UNEVENNESS_M3",
    "DEFAULT_SPREAD",
    "GOOD_MOTORWAY",
    "GOOD_MOTORWAY_M3",
    "GRAVITY_M_S2",
    "MODE_NAMES",
    "TYPICAL_CARS",
    "AxleName",
    "CarModel",
    "CarOutput",
    "CarRows",
    "CarSummary",
    "Cushion",
    "ImpossibleCarError",
    "LateralModel",
    "MissingCarDataError",
    "Mode",
    "ModeName",
    "RideModel",
    "Road",
    "RoadClass",
    "StaticFigures",
    "UnknownCarError",
    "UnstableCarError",
    "assumed",
    "axle_load_psd",
    "draw_vehicles",
    "is_typical",
    "lateral_why",
    "missing_for_lateral",
    "named_car",
    "road_of_class",
    "seat_acceleration_psd",
    "spread_of",
    "summary_of",
    "typical_car",
    "unit_of",
]
