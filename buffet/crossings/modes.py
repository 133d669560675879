"""Modes over road speed, with their half-power bands."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from math import ceil, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from buffet.crossings.rays import WORDS
from buffet.rating.motions import Family
from buffet.spectral.locking import lock
from buffet.spectral.reduction import COMPONENTS
from buffet.vehicle import CarModel, Mode
from buffet.vehicle.modes import LATERAL_COORDINATES, RIDE_COORDINATES

Array = NDArray[np.float64]

# From this damping on the response has no maximum (Rao, Mechanical Vibrations, section 3.4, from
# memory): nothing resonates.
MOST_DAMPING = 1 / sqrt(2)
# Between speeds of the search a mode is nearly straight: its frequency moves by a few percent.
SEARCH_STEP_M_S = 2 / 3.6


@dataclass(frozen=True)
class FixedMode:
    """A mode that keeps its frequency and answers to every component, such as the cabin's."""

    name: str
    frequency_hz: float
    damping: float


@dataclass(frozen=True, eq=False)
class ModeCurve:
    """A mode over the road speeds searched."""

    name: str
    families: tuple[Family, ...]  # whose components push it
    speeds_m_s: Array  # (n,), rising
    frequency_hz: Array  # (n,), natural; NaN where it does not resonate
    damping: Array  # (n,), ratio; NaN likewise
    # Frequency and damping at any speed within; NaN where it does not resonate.
    at: Callable[[float], tuple[float, float]]

    def __post_init__(self) -> None:
        lock(self)

    @property
    def band_hz(self) -> tuple[Array, Array]:
        """Half-power band f (1 - ζ) to f (1 + ζ), each ``(n,)``.

        References
        ----------
        Δf = 2 ζ f of a lightly damped single degree of freedom (Rao, Mechanical Vibrations, section
        3.4, from memory). Of a mode with ζ above about 0.2 it is a rough measure.
        """
        return self.frequency_hz * (1 - self.damping), self.frequency_hz * (1 + self.damping)


def resonates(mode: Mode) -> bool:
    """Whether the mode's response has a maximum."""
    return mode.natural_frequency_hz > 0 and mode.damping_ratio < MOST_DAMPING


def families_of(mode: Mode) -> tuple[Family, ...]:
    """Families whose components do work on a mode's shape."""
    if mode.coordinates == RIDE_COORDINATES:
        return ("vertical",)
    if mode.coordinates == LATERAL_COORDINATES:
        return ("lateral",)
    moved = {word for word, part in zip(COMPONENTS, mode.shape, strict=True) if part != 0}
    return tuple(family for family, words in WORDS.items() if moved & set(words))


def mode_curves(
    car: CarModel, low_m_s: float, high_m_s: float, fixed: Sequence[FixedMode] = ()
) -> tuple[ModeCurve, ...]:
    """Every mode of the car, and the further ones, over a range of road speeds.

    A mode of the car is one of the same name at another speed. Modes that resonate nowhere in the
    range are left out.
    """
    steps = ceil((high_m_s - low_m_s) / SEARCH_STEP_M_S - 1e-9)
    speeds = np.linspace(low_m_s, high_m_s, max(steps, 0) + 1)
    by_speed = _BySpeed(car, {})
    keys = dict.fromkeys(key for speed in speeds for key in by_speed.modes(float(speed)))
    families = {key: by_speed.families(key, speeds) for key in keys}
    curves = [_curve(key[0], families[key], speeds, partial(by_speed.at, key)) for key in keys] + [
        _curve(one.name, tuple(WORDS), speeds, partial(_always, one.frequency_hz, one.damping))
        for one in fixed
    ]
    return tuple(one for one in curves if np.isfinite(one.frequency_hz).any())


_Key = tuple[str, int]  # a mode's name and its position among those of that name


@dataclass(frozen=True)
class _BySpeed:
    """The car's modes, worked out once a speed."""

    car: CarModel
    known: dict[float, dict[_Key, Mode]]

    def modes(self, speed_m_s: float) -> dict[_Key, Mode]:
        if speed_m_s not in self.known:
            found: dict[_Key, Mode] = {}
            for mode in self.car.modes(speed_m_s):
                alike = sum(name == mode.name for name, _ in found)
                found[mode.name, alike] = mode
            self.known[speed_m_s] = found
        return self.known[speed_m_s]

    def families(self, key: _Key, speeds_m_s: Array) -> tuple[Family, ...]:
        return next(
            families_of(modes[key])
            for speed in speeds_m_s
            if key in (modes := self.modes(float(speed)))
        )

    def at(self, key: _Key, speed_m_s: float) -> tuple[float, float]:
        mode = self.modes(speed_m_s).get(key)
        if mode is None or not resonates(mode):
            return nan, nan
        return mode.natural_frequency_hz, mode.damping_ratio


def _always(frequency_hz: float, damping: float, speed_m_s: float) -> tuple[float, float]:
    return (frequency_hz, damping) if damping < MOST_DAMPING else (nan, nan)


def _curve(
    name: str,
    families: tuple[Family, ...],
    speeds_m_s: Array,
    at: Callable[[float], tuple[float, float]],
) -> ModeCurve:
    frequency, damping = np.transpose([at(float(speed)) for speed in speeds_m_s])
    return ModeCurve(name, families, speeds_m_s, frequency.copy(), damping.copy(), at)
