"""Crossings in JSON."""

from __future__ import annotations

from buffet.crossings.meeting import Crossing, Crossings
from buffet.json_values import Document, interval

BANDS_ALONE = (
    "the half-power bands overlap, but the peak's middle does not meet the mode's frequency within "
    "the road speeds searched"
)


def crossings_entries(found: Crossings) -> Document:
    """Every crossing within the road speeds searched, and these."""
    return {
        "crossings": [_crossing(one) for one in found.met],
        "crossings_searched_m_s": list(found.searched_m_s),
    }


def _crossing(one: Crossing) -> Document:
    ray = one.ray
    return {
        "component": ray.component,
        "components": list(ray.components),
        "class": ray.name,
        "strouhal": interval(ray.strouhal),
        "relative_bandwidth": ray.bandwidth,
        "mode": one.mode,
        "mode_frequency_hz": one.mode_frequency_hz,
        "speed_m_s": interval(one.speed_m_s),
        "speed_why": BANDS_ALONE if one.speed_m_s is None else None,
        "overlap_m_s": list(one.overlap_m_s),
        "at_rated_speed": one.at_rated_speed,
    }
