"""ISO 8608's classes of road: which unevenness G(n0) belongs to which letter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

RoadClass = Literal["A", "B", "C", "D", "E", "F", "G", "H"]
ROAD_CLASS_NAMES: tuple[RoadClass, ...] = get_args(RoadClass)

# Geometric mean of class A, and the step from one class to the next: ISO 8608:2016 Table C.1 (from
# memory). A class ends halfway to the next on the log scale.
CLASS_A_MEAN_M3 = 16e-6
CLASS_STEP = 4

# What G(n0) of anything that cars drive on can be: 400 times smoother than a good motorway, four
# times class H's mean (engineering judgement).
SMOOTHEST_M3, ROUGHEST_M3 = 1e-8, 1.0


@dataclass(frozen=True)
class ClassLimits:
    """One class of ISO 8608, in G(n0) at n0 = 0.1 cycle/m."""

    name: RoadClass
    lower_m3: float | None  # A has none
    mean_m3: float  # geometric
    upper_m3: float | None  # H has none


def _limits(position: int, name: RoadClass) -> ClassLimits:
    mean = CLASS_A_MEAN_M3 * CLASS_STEP**position
    last = len(ROAD_CLASS_NAMES) - 1
    half = CLASS_STEP**0.5
    return ClassLimits(
        name,
        mean / half if position else None,
        mean,
        mean * half if position < last else None,
    )


ROAD_CLASSES: tuple[ClassLimits, ...] = tuple(
    _limits(position, name) for position, name in enumerate(ROAD_CLASS_NAMES)
)


def class_of(unevenness_m3: float) -> RoadClass:
    """Return the class in which G(n0) lies; a limit belongs to the rougher one."""
    rougher = [one.name for one in ROAD_CLASSES if one.lower_m3 and unevenness_m3 >= one.lower_m3]
    return rougher[-1] if rougher else ROAD_CLASS_NAMES[0]
