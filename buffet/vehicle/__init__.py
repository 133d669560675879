"""The car: how it rides on its springs, the road under it, and a typical one."""

from buffet.vehicle.measured_road import MeasuredRoad, measured_road
from buffet.vehicle.modes import MODE_NAMES, Mode, ModeName
from buffet.vehicle.ride import (
    AXLE_NAMES,
    GRAVITY_M_S2,
    AxleName,
    ImpossibleCarError,
    RideModel,
)
from buffet.vehicle.road import (
    GOOD_MOTORWAY,
    GOOD_MOTORWAY_M3,
    Road,
    axle_load_psd,
    road_of_class,
    seat_acceleration_psd,
)
from buffet.vehicle.road_choice import UnknownRoadError, road_from
from buffet.vehicle.road_classes import ROAD_CLASSES, ClassLimits, RoadClass, class_of
from buffet.vehicle.road_coherence import isotropic_coherence
from buffet.vehicle.road_tracks import (
    WHEELS,
    cross_slope_matrix,
    cross_slope_psd,
    cross_slope_temporal_psd,
    mean_track_psd,
    mean_track_temporal_psd,
    road_track_m,
    wheel_height_matrix,
)
from buffet.vehicle.roughness_index import roughness_index
from buffet.vehicle.seat import Cushion
from buffet.vehicle.typical import typical_car

__all__ = [
    "AXLE_NAMES",
    "GOOD_MOTORWAY",
    "GOOD_MOTORWAY_M3",
    "GRAVITY_M_S2",
    "MODE_NAMES",
    "ROAD_CLASSES",
    "WHEELS",
    "AxleName",
    "ClassLimits",
    "Cushion",
    "ImpossibleCarError",
    "MeasuredRoad",
    "Mode",
    "ModeName",
    "RideModel",
    "Road",
    "RoadClass",
    "UnknownRoadError",
    "axle_load_psd",
    "class_of",
    "cross_slope_matrix",
    "cross_slope_psd",
    "cross_slope_temporal_psd",
    "isotropic_coherence",
    "mean_track_psd",
    "mean_track_temporal_psd",
    "measured_road",
    "road_from",
    "road_of_class",
    "road_track_m",
    "roughness_index",
    "seat_acceleration_psd",
    "typical_car",
    "wheel_height_matrix",
]
