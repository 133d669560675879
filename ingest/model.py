"""The model in the tunnel and the section around it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

BlockageMethod = Literal["none", "continuity", "maskell"]


@dataclass(frozen=True)
class Model:
    """The car as tested; lengths and area are the model's own."""

    scale: float  # model length over full-scale length
    frontal_area_m2: float
    wheelbase_m: float
    strouhal_length_m: float  # L in St = f L / U
    strouhal_length_is: str | None = None  # "body height"
    mass_kg: float | None = None  # of all that moves with the model on the balance
    centre_of_gravity_m: tuple[float, float, float] | None = None
    # About the centre of gravity: roll, pitch, yaw.
    inertia_kg_m2: tuple[float | None, float | None, float | None] = (None, None, None)
    cabin_volume_m3: float | None = None  # of the air in the model's own cabin


@dataclass(frozen=True)
class TestSection:
    """The wind tunnel's test section."""

    __test__ = False  # not a test class, whatever its name says to pytest

    kind: Literal["closed", "open"]
    area_m2: float
    blockage: BlockageMethod = "none"  # how it is corrected
    blockage_factor: float | None = None  # of the rule; None: its usual one
