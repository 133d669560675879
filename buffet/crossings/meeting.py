"""Where a ray and a mode meet, and where their bands overlap."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from math import isfinite, log, sqrt

import numpy as np
from numpy.typing import NDArray

from buffet.crossings.modes import ModeCurve
from buffet.crossings.rays import Ray
from buffet.interval import Interval

Array = NDArray[np.float64]

ROUNDING = 1e-9  # relative


@dataclass(frozen=True)
class Crossing:
    """A ray and a mode that meet, or whose bands overlap, within the speeds searched."""

    ray: Ray
    mode: str
    mode_frequency_hz: float  # where they meet; else in the middle of the overlap
    # None: the centre lines do not meet. A limit is None where it lies beyond the speeds searched.
    speed_m_s: Interval | None
    overlap_m_s: tuple[float, float]  # of the half-power bands, within the speeds searched
    at_rated_speed: bool  # whether the overlap holds it


@dataclass(frozen=True)
class Crossings:
    """Of one configuration."""

    rays: tuple[Ray, ...]
    modes: tuple[ModeCurve, ...]
    met: tuple[Crossing, ...]  # by ray, then by speed
    searched_m_s: tuple[float, float]

    def told(self, speed_m_s: float) -> tuple[Crossing, ...]:
        """Those whose overlap holds a rated speed, and the one that is nearest to it."""
        near = [one for one in self.met if one.at_rated_speed]
        others = [one for one in self.met if one.speed_m_s is not None]
        nearest = min(others, key=lambda one: _ratio(one, speed_m_s), default=None)
        if nearest is not None and nearest not in near:
            near.append(nearest)
        return tuple(near)


def _ratio(one: Crossing, speed_m_s: float) -> float:
    assert one.speed_m_s is not None
    return abs(log(one.speed_m_s.value / speed_m_s))


def crossings(
    found: Sequence[Ray], modes: Sequence[ModeCurve], rated_m_s: float
) -> tuple[Crossing, ...]:
    """Where rays meet the modes that their components push, by ray and rising speed."""
    met = []
    for ray in found:
        own = [_of_pair(ray, mode, rated_m_s) for mode in modes if ray.family in mode.families]
        met += sorted((one for pair in own for one in pair), key=_place)
    return tuple(met)


def _place(one: Crossing) -> float:
    return one.overlap_m_s[0] if one.speed_m_s is None else one.speed_m_s.value


def _of_pair(ray: Ray, mode: ModeCurve, rated_m_s: float) -> list[Crossing]:
    """Every meeting of the centre lines, then overlaps of the bands without one."""
    overlaps = partial(_overlap_hz, ray, mode)
    found = []
    for speed in _meetings_m_s(ray, mode):
        low, high = _reach(partial(_within_hz, ray, mode), speed, mode.speeds_m_s)
        interval = Interval(speed, low, high, ray.strouhal.level)
        found.append(_crossing(ray, mode, interval, _limited(overlaps, speed, mode), rated_m_s))
    for speed in mode.speeds_m_s.tolist():
        known = any(_holds(one.overlap_m_s, speed) for one in found)
        if not known and overlaps(speed) >= 0:
            found.append(_crossing(ray, mode, None, _limited(overlaps, speed, mode), rated_m_s))
    return found


def _crossing(
    ray: Ray,
    mode: ModeCurve,
    speed: Interval | None,
    overlap_m_s: tuple[float, float],
    rated_m_s: float,
) -> Crossing:
    low, high = overlap_m_s
    frequency_hz, _ = mode.at(sqrt(low * high) if speed is None else speed.value)
    held = _holds(overlap_m_s, rated_m_s)
    return Crossing(ray, mode.name, frequency_hz, speed, overlap_m_s, held)


def _holds(range_m_s: tuple[float, float], speed_m_s: float) -> bool:
    low, high = range_m_s
    return low * (1 - ROUNDING) <= speed_m_s <= high * (1 + ROUNDING)


def _overlap_hz(ray: Ray, mode: ModeCurve, speed_m_s: float) -> float:
    """By how much the half-power bands overlap; negative where they do not."""
    frequency, damping = mode.at(speed_m_s)
    if not isfinite(frequency):
        return -1.0
    low, high = (ray.hz(strouhal, speed_m_s) for strouhal in ray.band)
    return min(high - frequency * (1 - damping), frequency * (1 + damping) - low)


def _within_hz(ray: Ray, mode: ModeCurve, speed_m_s: float) -> float:
    """Distance of the mode from the ends of the ray's interval; negative outside."""
    frequency, _ = mode.at(speed_m_s)
    if not isfinite(frequency):
        return -1.0
    low, high = ray.strouhal.low, ray.strouhal.high
    return min(
        frequency if low is None else frequency - ray.hz(low, speed_m_s),
        frequency if high is None else ray.hz(high, speed_m_s) - frequency,
    )


def _above_hz(ray: Ray, mode: ModeCurve, speed_m_s: float) -> float:
    """The ray's frequency less the mode's: straight in V where that is level, so found exactly."""
    return ray.hz(ray.strouhal.value, speed_m_s) - mode.at(speed_m_s)[0]


def _meetings_m_s(ray: Ray, mode: ModeCurve) -> list[float]:
    """Speeds at which the centre lines meet; not where a mode's curve only jumps over the ray."""
    from scipy.optimize import brentq

    excess = partial(_above_hz, ray, mode)
    above = np.array([excess(speed) for speed in mode.speeds_m_s.tolist()])
    found = mode.speeds_m_s[above == 0].tolist()
    for i in np.flatnonzero(above[:-1] * above[1:] < 0):
        speed = float(brentq(excess, mode.speeds_m_s[i], mode.speeds_m_s[i + 1]))
        if abs(excess(speed)) < ROUNDING * mode.at(speed)[0]:
            found.append(speed)
    return sorted(found)


def _limited(
    inside: Callable[[float], float], speed_m_s: float, mode: ModeCurve
) -> tuple[float, float]:
    """As `_reach`, ended where the search ends."""
    low, high = _reach(inside, speed_m_s, mode.speeds_m_s)
    ends = mode.speeds_m_s
    return float(ends[0]) if low is None else low, float(ends[-1]) if high is None else high


def _reach(
    inside: Callable[[float], float], speed_m_s: float, speeds_m_s: Array
) -> tuple[float | None, float | None]:
    """Both ends of the range about a speed in which a value stays positive; None beyond."""
    below = speeds_m_s[speeds_m_s < speed_m_s][::-1].tolist()
    above = speeds_m_s[speeds_m_s > speed_m_s].tolist()
    return _edge(inside, speed_m_s, below), _edge(inside, speed_m_s, above)


def _edge(
    inside: Callable[[float], float], from_m_s: float, stops_m_s: Sequence[float]
) -> float | None:
    from scipy.optimize import brentq

    last = from_m_s
    for stop in stops_m_s:
        if inside(stop) < 0:
            return float(brentq(inside, last, stop)) if inside(last) > 0 else last
        last = stop
    return None
