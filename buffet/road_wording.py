"""Which road a rating stands on, in words, in JSON and in columns; formats, computes nothing."""

from __future__ import annotations

from typing import Any

from buffet.vehicle import Road


def road_text(road: Road) -> str:
    """ "Road: a good motorway, G(n0) = 4e-06 m³, IRI 1.1 m/km (ISO 8608 class A)." """
    text = (
        f"Road: {road.name}, G(n0) = {road.unevenness_m3:.3g} m³, "
        f"IRI {1000 * road.roughness_index:.1f} m/km (ISO 8608 class {road.road_class})."
    )
    return f"{text} {road.remark}." if road.remark else text


def road_entries(road: Road) -> dict[str, Any]:
    """The road for a JSON document."""
    return {
        "road_unevenness_m3": road.unevenness_m3,
        "road": {
            "name": road.name,
            "unevenness_m3": road.unevenness_m3,
            "waviness": road.waviness,
            "class": road.road_class,
            "roughness_index_m_km": 1000 * road.roughness_index,
            "remark": road.remark or None,
            "sha256": road.sha256,
        },
    }


def road_columns(road: Road) -> dict[str, Any]:
    """The road as two columns."""
    return {"road": road.name, "road_unevenness_m3": road.unevenness_m3}
