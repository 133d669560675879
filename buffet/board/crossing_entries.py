"""Peaks as rays and the car's modes as curves over road speed, for the crossing diagram."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from buffet.crossings.modes import ModeCurve
from buffet.crossings.rays import Ray
from buffet.json_values import Document, interval, number
from buffet.rating.rate import ConfigurationRating, Rating

Array = NDArray[np.float64]


def mode_entries(rating: Rating, speeds_m_s: Array) -> list[Document]:
    """Every mode of the car, at each road speed."""
    modes = rating.configurations[0].crossings.modes
    return [_mode(mode, speeds_m_s.tolist()) for mode in modes]


def _mode(mode: ModeCurve, speeds_m_s: Sequence[float]) -> Document:
    """Null where it does not resonate; the half-power band is f (1 - ζ) to f (1 + ζ)."""
    told = [mode.at(speed) for speed in speeds_m_s]
    return {
        "name": mode.name,
        "families": list(mode.families),
        "frequency_hz": [number(frequency) for frequency, _ in told],
        "low_hz": [number(frequency * (1 - damping)) for frequency, damping in told],
        "high_hz": [number(frequency * (1 + damping)) for frequency, damping in told],
    }


def ray_entries(one: ConfigurationRating, speeds_m_s: Array) -> list[Document]:
    """A configuration's peaks that keep their Strouhal number, at each road speed."""
    return [_ray(ray, speeds_m_s.tolist()) for ray in one.crossings.rays]


def _ray(ray: Ray, speeds_m_s: Sequence[float]) -> Document:
    low, high = ray.band
    return {
        "component": ray.component,
        "components": list(ray.components),
        "family": ray.family,
        "class": ray.name,
        "strouhal": interval(ray.strouhal),
        "relative_bandwidth": ray.bandwidth,
        "frequency_hz": [ray.hz(ray.strouhal.value, speed) for speed in speeds_m_s],
        "low_hz": [ray.hz(low, speed) for speed in speeds_m_s],
        "high_hz": [ray.hz(high, speed) for speed in speeds_m_s],
    }
