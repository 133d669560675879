"""What lies behind a crossing diagram: how the seat answers, and the band that runs let through."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from buffet.crossings.rays import WORDS
from buffet.rating.configuration import ConfigurationCurves
from buffet.rating.motions import Family, MotionName
from buffet.rating.ride_metrics import RideSetting
from buffet.road_speed import RoadBand
from buffet.spectral.reduction import COMPONENTS

Array = NDArray[np.float64]

# By family: the seat's motion, and the force that makes it.
SEAT: dict[Family, tuple[MotionName, str]] = {
    "vertical": ("seat z", "lift"),
    "lateral": ("seat y", "side force"),
}


def seat_per_coefficient(setting: RideSetting, family: Family, frequency_hz: Array) -> Array | None:
    """Weighted seat acceleration by lift or side force, ``(n_speeds, n)``, m/s² per coefficient.

    The response per newton times dynamic pressure and area, so that it grows with V². None where
    the car's data do not give it.

    Parameters
    ----------
    frequency_hz : (n,)
    """
    motion, word = SEAT[family]
    if setting.why_not(motion) is not None:
        return None
    rows = setting.rows(motion, frequency_hz)[..., COMPONENTS.index(word)]
    return np.where(setting.answers(motion)[:, None], np.abs(rows), np.nan)


def family_band_hz(curves: ConfigurationCurves, family: Family) -> tuple[Array, Array] | None:
    """Usable road band of a family's components, each ``(n_speeds,)``; None where none is measured.

    Of those that every run measured, as far as all of them reach.
    """
    words = [word for word in WORDS[family] if word not in curves.missing]
    if not words:
        return None
    return RoadBand.of(curves.runs, words, curves.setting.speeds_m_s).union_hz
