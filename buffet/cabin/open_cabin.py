"""A car's open cabin: its own frequency, the shear layer's in the opening, and where they meet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.cabin.openings import Cabin, Meeting, Opening, ShearLayer, meetings
from ingest import ROAD_AIR, OpenCabin, Vehicle

Array = NDArray[np.float64]

# Modes of the shear layer that are told: higher ones are weaker, and meet the cabin's frequency
# below the speeds at which windows boom (engineering judgement).
N_MODES = 3
CAUTION = (
    "Walls are taken as rigid and the cabin as tight: a real cabin resounds lower, and leaks damp "
    "it. Where the layer meets the cabin's frequency it may boom; that it does, and how loud, a "
    "measurement tells."
)
NO_OPENING = "the sheet states no [cabin], so nothing is open"


@dataclass(frozen=True)
class OpenCabinFigures:
    """What a stated opening lets expect at a road speed, in the road's air."""

    stated: OpenCabin
    speed_m_s: float
    helmholtz_hz: float
    layer: ShearLayer
    shear_layer_hz: tuple[float, ...]  # of modes 1 to n at the road speed
    low_hz: tuple[float, ...]  # where its eddies are as slow as their range has it
    high_hz: tuple[float, ...]  # where they are as fast
    meetings: tuple[Meeting, ...]

    def over_speeds(self, speeds_m_s: ArrayLike) -> Array:
        """Value, lower and upper frequency of each mode, ``(3, n_speeds, n_modes)``."""
        slow, fast = self.layer.convection_range
        return np.array(
            [
                _frequencies(self.layer, speeds_m_s, convection)
                for convection in (self.layer.convection, slow, fast)
            ]
        )


def open_cabin_figures(vehicle: Vehicle, speed_m_s: float) -> OpenCabinFigures | None:
    """Return the figures of a car's stated opening; None where it states none.

    Raises
    ------
    OpeningError
        The road speed is not above 0 and below that of sound.
    """
    stated = vehicle.cabin
    if stated is None:
        return None
    sound = ROAD_AIR.sound_speed_m_s
    opening = Opening(stated.opening_m2, stated.neck_m)
    helmholtz_hz = Cabin(stated.volume_m3, (opening,), sound).helmholtz_hz
    layer = ShearLayer(stated.opening_length_m or sqrt(stated.opening_m2), sound)
    slow, fast = layer.convection_range
    value, low, high = (
        tuple(_frequencies(layer, speed_m_s, convection).tolist())
        for convection in (layer.convection, slow, fast)
    )
    met = meetings(layer, helmholtz_hz, N_MODES)
    return OpenCabinFigures(stated, speed_m_s, helmholtz_hz, layer, value, low, high, met)


def _frequencies(layer: ShearLayer, speed_m_s: ArrayLike, convection: float) -> Array:
    """Of a layer whose eddies move at this share of the wind's speed, ``(..., n_modes)``."""
    alike = (convection, convection)
    other = replace(layer, convection=convection, convection_range=alike)
    return other.frequencies_hz(speed_m_s, N_MODES)
