"""The car: how it rides on its springs, the road under it, and a typical one."""

from buffet.vehicle.masses import GRAVITY_M_S2, ImpossibleCarError
from buffet.vehicle.modes import MODE_NAMES, Mode, ModeName
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
from buffet.vehicle.typical import typical_car

__all__ = [
    "AXLE_NAMES",
    "CLASS_UNEVENNESS_M3",
    "GOOD_MOTORWAY",
    "GOOD_MOTORWAY_M3",
    "GRAVITY_M_S2",
    "MODE_NAMES",
    "AxleName",
    "Cushion",
    "ImpossibleCarError",
    "Mode",
    "ModeName",
    "RideModel",
    "Road",
    "RoadClass",
    "axle_load_psd",
    "road_of_class",
    "seat_acceleration_psd",
    "typical_car",
]
