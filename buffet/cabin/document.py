"""The cabin's pressure as JSON."""

from __future__ import annotations

from buffet.cabin.part import CabinLevels, LevelSpectrum
from buffet.json_values import Document, interval


def document(found: CabinLevels) -> Document:
    """Of one run; levels in dB re 20 µPa, null where nothing rises above the wind-off noise."""
    return {
        "unit": "dB",
        "road_speed_m_s": found.road_speed_m_s,
        "road_why": found.road_why,
        "not_as_on_the_road": list(found.unlike),
        "never_changed": list(found.dead),
        "channels": [
            {
                "name": one.name,
                "tunnel": _spectrum(one.measured),
                "road": None if one.road is None else _spectrum(one.road),
            }
            for one in found.channels
        ],
    }


def _spectrum(one: LevelSpectrum) -> Document:
    return {
        "usable_band_hz": list(one.usable_hz),
        "resolution_hz": one.resolution_hz,
        "third_octaves": [
            {
                "nominal_hz": float(band.label),
                "centre_hz": band.centre_hz,
                "low_hz": band.low_hz,
                "high_hz": band.high_hz,
                "level": interval(level),
            }
            for band, level in one.bands
        ],
        "overall": interval(one.overall),
        "g_weighted": interval(one.g_weighted),
        "g_weighted_is_whole": one.g_is_whole,
        "g_weighted_why": one.g_why,
    }
