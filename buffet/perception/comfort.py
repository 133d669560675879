"""Comfort after ISO 2631-1:1997: axes with their factors, total values, reactions, perception."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.perception.weighting import WeightingName

Array = NDArray[np.float64]

Place = Literal["seat", "backrest", "feet"]
Direction = Literal["x", "y", "z", "roll", "pitch", "yaw"]


@dataclass(frozen=True)
class ComfortAxis:
    """How vibration of one place and direction counts for comfort."""

    weighting: WeightingName
    factor: float  # k: 1, or m/rad for rotations, which are measured in rad/s²


# ISO 2631-1:1997 8.2.2.1 for the seat, 8.2.2.2 and 8.2.2.3 for backrest and feet; weightings
# from its Table 1. The rotations' factors and the seat's are from memory, the others read in a
# transcription. The 1.4 for x and y is for health alone (7.2.3) and has no place here.
COMFORT_AXES: dict[tuple[Place, Direction], ComfortAxis] = {
    ("seat", "x"): ComfortAxis("Wd", 1.0),
    ("seat", "y"): ComfortAxis("Wd", 1.0),
    ("seat", "z"): ComfortAxis("Wk", 1.0),
    ("seat", "roll"): ComfortAxis("We", 0.63),
    ("seat", "pitch"): ComfortAxis("We", 0.4),
    ("seat", "yaw"): ComfortAxis("We", 0.2),
    ("backrest", "x"): ComfortAxis("Wc", 0.8),
    ("backrest", "y"): ComfortAxis("Wd", 0.5),
    ("backrest", "z"): ComfortAxis("Wd", 0.4),
    ("feet", "x"): ComfortAxis("Wk", 0.25),
    ("feet", "y"): ComfortAxis("Wk", 0.25),
    ("feet", "z"): ComfortAxis("Wk", 0.4),
}


@dataclass(frozen=True)
class Reaction:
    """What passengers of public transport are likely to say of a total value."""

    low_m_s2: float
    high_m_s2: float
    words: str


# ISO 2631-1:1997 C.2.3; the last two from memory. The ranges overlap, on purpose: a total value may
# be in two of them.
REACTIONS: tuple[Reaction, ...] = (
    Reaction(0.0, 0.315, "not uncomfortable"),
    Reaction(0.315, 0.63, "a little uncomfortable"),
    Reaction(0.5, 1.0, "fairly uncomfortable"),
    Reaction(0.8, 1.6, "uncomfortable"),
    Reaction(1.25, 2.5, "very uncomfortable"),
    Reaction(2.0, inf, "extremely uncomfortable"),
)


@dataclass(frozen=True)
class PerceptionThreshold:
    """Peaks of Wk-weighted acceleration that alert, fit persons just detect."""

    median_peak_m_s2: float  # half of them
    lower_quartile_peak_m_s2: float  # a quarter
    upper_quartile_peak_m_s2: float  # three quarters

    @property
    def median_sine_rms_m_s2(self) -> float:
        """R.m.s. value of a sinusoid of the median peak."""
        return self.median_peak_m_s2 / sqrt(2)


# ISO 2631-1:1997 C.3 (from memory).
PERCEPTION = PerceptionThreshold(0.015, 0.01, 0.02)


def comfort_total(weighted_rms: Mapping[tuple[Place, Direction], ArrayLike]) -> Array:
    """Return the vibration total value a_v = √(Σ k² a_w²) over the axes given, m/s².

    Each value is weighted by its axis's own weighting: m/s² along an axis, rad/s² about it; any
    shape, the same for all. Over one place's axes this is the point's total value, over those of
    several places the overall one (8.2.3).

    Raises
    ------
    ValueError
        If no axis is given, or one that the standard has no factor for.

    References
    ----------
    ISO 2631-1:1997 6.5, Eq. (10), with the factors of 8.2.2.
    """
    unknown = [" ".join(axis) for axis in weighted_rms if axis not in COMFORT_AXES]
    if unknown or not weighted_rms:
        known = ", ".join(" ".join(axis) for axis in COMFORT_AXES)
        raise ValueError(
            f"a total value needs axes that ISO 2631-1 has comfort factors for, got "
            f"{', '.join(unknown) or 'none'}: choose from {known}"
        )
    squares = [
        (COMFORT_AXES[axis].factor * np.asarray(value, np.float64)) ** 2
        for axis, value in weighted_rms.items()
    ]
    return np.asarray(np.sqrt(np.sum(squares, axis=0)))


def reactions(total_m_s2: float) -> tuple[Reaction, ...]:
    """Return the reactions whose ranges a total value lies in: one, or two where they overlap.

    Limits belong to their ranges, but for the first, which is less than, and the last, more than.

    Raises
    ------
    ValueError
        If the value is below 0 or not a number.

    References
    ----------
    ISO 2631-1:1997 C.2.3. It warns that reactions depend on what passengers expect, on how long
    the ride is and on what they want to do.
    """
    if not total_m_s2 >= 0:
        raise ValueError(
            f"a vibration total value is 0 m/s² or more, got {total_m_s2:g}: give an r.m.s. value"
        )
    first, last = REACTIONS[0], REACTIONS[-1]
    found = [one for one in REACTIONS if one.low_m_s2 <= total_m_s2 <= one.high_m_s2]
    if total_m_s2 == first.high_m_s2:
        found.remove(first)
    if total_m_s2 == last.low_m_s2:
        found.remove(last)
    return tuple(found)
