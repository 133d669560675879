"""What `car` says of an open cabin, as JSON."""

from __future__ import annotations

from dataclasses import asdict

from buffet.cabin.open_cabin import CAUTION, NO_OPENING, OpenCabinFigures
from buffet.json_values import Document


def open_cabin_document(found: OpenCabinFigures | None) -> Document:
    """Entries `cabin` and `cabin_why`; null with the reason where nothing is open."""
    if found is None:
        return {"cabin": None, "cabin_why": NO_OPENING}
    modes = [
        {
            "mode": met.mode,
            "frequency_hz": value,
            "frequency_low_hz": low,
            "frequency_high_hz": high,
            "meets_at_m_s": met.speed_m_s,
            "meets_low_m_s": met.low_m_s,
            "meets_high_m_s": met.high_m_s,
        }
        for met, value, low, high in zip(
            found.meetings, found.shear_layer_hz, found.low_hz, found.high_hz, strict=True
        )
    ]
    entry = {
        **asdict(found.stated),
        "opening_length_m": found.layer.length_m,
        "opening_length_is_stated": found.stated.opening_length_m is not None,
        "sound_speed_m_s": found.layer.sound_speed_m_s,
        "helmholtz_hz": found.helmholtz_hz,
        "convection": found.layer.convection,
        "convection_range": list(found.layer.convection_range),
        "shear_layer": modes,
        "caution": CAUTION,
    }
    return {"cabin": entry, "cabin_why": None}
