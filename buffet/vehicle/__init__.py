"""The car: how it rides, rolls and turns, the road under it, and typical ones."""

from buffet.vehicle.car import CAR_OUTPUTS, CarModel, CarOutput, CarRows, unit_of
from buffet.vehicle.draws import DEFAULT_SPREAD, draw_vehicles, spread_of
from buffet.vehicle.lateral import LateralModel, UnstableCarError
from buffet.vehicle.masses import GRAVITY_M_S2, ImpossibleCarError
from buffet.vehicle.measured_road import MeasuredRoad, measured_road
from buffet.vehicle.modes import MODE_NAMES, Mode, ModeName
from buffet.vehicle.needs import MissingCarDataError, assumed, lateral_why, missing_for_lateral
from buffet.vehicle.ride import (
    AXLE_NAMES,
    AxleName,
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
from buffet.vehicle.road_ride import road_seat_psds
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
    "DEFAULT_SPREAD",
    "GOOD_MOTORWAY",
    "GOOD_MOTORWAY_M3",
    "GRAVITY_M_S2",
    "MODE_NAMES",
    "ROAD_CLASSES",
    "TYPICAL_CARS",
    "WHEELS",
    "AxleName",
    "CarModel",
    "CarOutput",
    "CarRows",
    "CarSummary",
    "ClassLimits",
    "Cushion",
    "ImpossibleCarError",
    "LateralModel",
    "MeasuredRoad",
    "MissingCarDataError",
    "Mode",
    "ModeName",
    "RideModel",
    "Road",
    "RoadClass",
    "StaticFigures",
    "UnknownCarError",
    "UnknownRoadError",
    "UnstableCarError",
    "assumed",
    "axle_load_psd",
    "class_of",
    "cross_slope_matrix",
    "cross_slope_psd",
    "cross_slope_temporal_psd",
    "draw_vehicles",
    "is_typical",
    "isotropic_coherence",
    "lateral_why",
    "mean_track_psd",
    "mean_track_temporal_psd",
    "measured_road",
    "missing_for_lateral",
    "named_car",
    "road_from",
    "road_of_class",
    "road_seat_psds",
    "road_track_m",
    "roughness_index",
    "seat_acceleration_psd",
    "spread_of",
    "summary_of",
    "typical_car",
    "unit_of",
    "wheel_height_matrix",
]
