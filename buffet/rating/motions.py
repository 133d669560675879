"""The motions of the car that are rated, and what each takes from the measured components."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import TYPE_CHECKING, Literal

from buffet.perception.weighting import WeightingName

if TYPE_CHECKING:
    from buffet.vehicle import CarModel, CarOutput

MotionName = Literal[
    "seat x",
    "seat y",
    "seat z",
    "seat roll",
    "seat pitch",
    "seat yaw",
    "rear load",
    "yaw rate",
    "steering torque",
]
Family = Literal["vertical", "lateral", "cabin"]

RIDE = ("drag", "lift", "pitch moment")
LATERAL = ("side force", "yaw moment")
ROLL = ("roll moment",)


@dataclass(frozen=True)
class MotionKind:
    """One motion: which output of the car, how weighted, and what it rests on."""

    output: CarOutput
    weighting: WeightingName | None
    needs: tuple[str, ...]  # components without which it is not told
    uses: tuple[str, ...]  # those that end its band
    more: tuple[str, ...]  # those that add to it as far as they are measured and may be used
    family: Family  # whose blocks and scatter it has

    def factor(self, car: CarModel) -> float:
        """To its unit: percent of the static load, degrees a second."""
        if self.output == "rear axle load":
            return 100 / car.ride.static_axle_load_n[1]
        return 180 / pi if self.output == "yaw rate" else 1.0  # rotations of the seat in rad/s²


# What a motion cannot do without is in `needs`; a missing drag or pitch moment leaves the seat's
# motion a little off, which the verdict's sentence says, but moves load from one axle to the other.
MOTIONS: dict[MotionName, MotionKind] = {
    "seat z": MotionKind("seat z", "Wk", ("lift",), RIDE, (*LATERAL, *ROLL), "vertical"),
    "seat x": MotionKind("seat x", "Wd", ("drag",), RIDE, (*LATERAL, *ROLL), "vertical"),
    "seat y": MotionKind("seat y", "Wd", LATERAL, LATERAL, ROLL, "lateral"),
    "seat roll": MotionKind("seat roll", "We", LATERAL, LATERAL, ROLL, "lateral"),
    "seat pitch": MotionKind("seat pitch", "We", ("lift", "pitch moment"), RIDE, (), "vertical"),
    "seat yaw": MotionKind("seat yaw", "We", LATERAL, LATERAL, ROLL, "lateral"),
    "rear load": MotionKind("rear axle load", None, ("lift", "pitch moment"), RIDE, (), "vertical"),
    "yaw rate": MotionKind("yaw rate", None, LATERAL, LATERAL, ROLL, "lateral"),
    "steering torque": MotionKind("steering torque", None, LATERAL, LATERAL, ROLL, "lateral"),
}
