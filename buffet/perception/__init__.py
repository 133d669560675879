"""What the people in the car feel."""

from buffet.perception.weighting import (
    WEIGHTING_NAMES,
    WEIGHTINGS,
    WeightingName,
    WeightingParameters,
    weighting,
)

__all__ = [
    "WEIGHTINGS",
    "WEIGHTING_NAMES",
    "WeightingName",
    "WeightingParameters",
    "weighting",
]
