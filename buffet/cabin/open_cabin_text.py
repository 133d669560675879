"""What `car` says of an open cabin on a terminal; formats, computes nothing."""

from __future__ import annotations

from buffet.cabin.open_cabin import CAUTION, OpenCabinFigures
from buffet.cabin.openings import Meeting
from buffet.terminal import KM_H, paragraph, table


def open_cabin_text(found: OpenCabinFigures) -> str:
    """The cabin's own frequency, the shear layer's modes, and the speeds at which they meet it."""
    stated = found.stated
    neck = f", neck {stated.neck_m:.3g} m" if stated.neck_m else ""
    head = (
        f"Open cabin: {stated.volume_m3:.3g} m³ behind {stated.opening_m2:.3g} m², "
        f"{found.layer.length_m:.3g} m along the wind{neck}. Helmholtz frequency "
        f"{found.helmholtz_hz:.1f} Hz."
    )
    header = ("shear layer", f"Hz at {found.speed_m_s * KM_H:.0f} km/h", "meets it at, km/h")
    rows = [
        (
            f"mode {met.mode}",
            f"{found.shear_layer_hz[i]:.1f} ({found.low_hz[i]:.1f}…{found.high_hz[i]:.1f})",
            _speeds(met),
        )
        for i, met in enumerate(found.meetings)
    ]
    low, high = found.layer.convection_range
    key = (
        f"Eddies at {found.layer.convection:g} of the wind's speed, in brackets {low:g} to "
        f"{high:g} (Rossiter 1964). {CAUTION}"
    )
    return "\n".join([paragraph(head), table(header, rows), paragraph(key)])


def _speeds(met: Meeting) -> str:
    value, low, high = (
        None if speed is None else f"{speed * KM_H:.0f}"
        for speed in (met.speed_m_s, met.low_m_s, met.high_m_s)
    )
    return "-" if value is None else f"{value} ({low or '?'}…{high or '?'})"
