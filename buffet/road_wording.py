"""Which road a rating stands on, in words, in JSON and in columns; formats, computes nothing."""

from __future__ import annotations

from typing import Any

from buffet.vehicle import Road


def road_text(road: Road, track_m: float | None) -> str:
    """Name, unevenness, roughness index and class, and how its tracks are taken."""
    tracks = "both tracks alike, since the car states no track"
    if track_m is not None:
        tracks = f"tracks {track_m:.2f} m apart, {road.tracks_are}"
    text = (
        f"Road: {road.name}, G(n0) = {road.unevenness_m3:.3g} m³, "
        f"IRI {1000 * road.roughness_index:.1f} m/km (ISO 8608 class {road.road_class}); {tracks}."
    )
    return f"{text} {road.remark}." if road.remark else text


def road_entries(road: Road, track_m: float | None) -> dict[str, Any]:
    """The road for a JSON document."""
    return {
        "road_unevenness_m3": road.unevenness_m3,
        "road": {
            "name": road.name,
            "unevenness_m3": road.unevenness_m3,
            "waviness": road.waviness,
            "class": road.road_class,
            "roughness_index_m_km": 1000 * road.roughness_index,
            "track_m": track_m,
            "tracks": "alike" if track_m is None else road.tracks_are,
            "remark": road.remark or None,
            "sha256": road.sha256,
        },
    }


def road_columns(road: Road) -> dict[str, Any]:
    """The road as two columns."""
    return {"road": road.name, "road_unevenness_m3": road.unevenness_m3}
