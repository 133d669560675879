"""What the people in the car feel."""

from buffet.perception.comfort import (
    COMFORT_AXES,
    PERCEPTION,
    REACTIONS,
    ComfortAxis,
    Direction,
    PerceptionThreshold,
    Place,
    Reaction,
    comfort_total,
    reactions,
)
from buffet.perception.gaussian_histories import gaussian_histories
from buffet.perception.largest_running import LargestRunningRms, largest_running_rms
from buffet.perception.sampled import VibrationRecordError
from buffet.perception.vibration import (
    BasicMethodTest,
    VibrationMeasures,
    estimated_dose,
    measures,
    rms,
    running_rms,
    vibration_dose,
)
from buffet.perception.weighting import (
    WEIGHTING_NAMES,
    WEIGHTINGS,
    WeightingName,
    WeightingParameters,
    weighting,
)
from buffet.perception.weighting_filter import (
    settling_s,
    weighted_in_spectrum,
    weighted_in_time,
    weighting_sections,
)

__all__ = [
    "COMFORT_AXES",
    "PERCEPTION",
    "REACTIONS",
    "WEIGHTINGS",
    "WEIGHTING_NAMES",
    "BasicMethodTest",
    "ComfortAxis",
    "Direction",
    "LargestRunningRms",
    "PerceptionThreshold",
    "Place",
    "Reaction",
    "VibrationMeasures",
    "VibrationRecordError",
    "WeightingName",
    "WeightingParameters",
    "comfort_total",
    "estimated_dose",
    "gaussian_histories",
    "largest_running_rms",
    "measures",
    "reactions",
    "rms",
    "running_rms",
    "settling_s",
    "vibration_dose",
    "weighted_in_spectrum",
    "weighted_in_time",
    "weighting",
    "weighting_sections",
]
