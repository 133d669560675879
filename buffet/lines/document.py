"""The lines of a run as JSON."""

from __future__ import annotations

from buffet.json_values import Document, interval, number
from buffet.lines.part import NO_LINE_LEFT, NOT_ABOVE, LineInQuantity, RunLine, RunLines
from buffet.run_spectra import NO_RMS
from buffet.spectral.lines import SIGNIFICANCE
from buffet.spectral.multitaper import HALF_BANDWIDTH_BINS, TAPERS


def document(found: RunLines) -> Document:
    """All lines, and every quantity with them and without."""
    return {
        "tapers": TAPERS,
        "half_bandwidth_hz": HALF_BANDWIDTH_BINS * found.tapers.frequency_step_hz,
        "stretches": found.tapers.n_stretches,
        "stretch_s": found.tapers.stretch_s,
        "places_looked_at": found.n_places,
        "false_line_rate": SIGNIFICANCE,
        "taken_out": found.taken_out,
        "lines": [_line(one) for one in found.lines],
        "quantities": [
            {
                **_in_quantity(one.all_lines),
                "rms_with_lines": interval(one.rms_with),
                "rms_with_lines_why": NO_RMS if one.rms_with is None else None,
                "rms_without_lines": interval(one.rms_without),
                "rms_without_lines_why": NO_RMS if one.rms_without is None else None,
            }
            for one in found.rest
        ],
    }


def _line(one: RunLine) -> Document:
    known = one.source is not None
    return {
        "frequency_hz": interval(one.line.frequency_hz),
        "p_value": number(one.line.p_value),
        "f_ratio": number(one.line.f_ratio),
        "channels": list(one.channels),
        "source": str(one.source) if known else None,
        "source_why": None if known else "no rate stated of what turns, nor the mains, is there",
        "quantities": [_in_quantity(part) for part in one.quantities],
    }


def _in_quantity(part: LineInQuantity) -> Document:
    left = NOT_ABOVE if part.rms_as_logged is None else NO_LINE_LEFT
    return {
        "name": part.quantity,
        "unit": part.unit,
        "rms_as_logged": interval(part.rms_as_logged),
        "rms_as_logged_why": NOT_ABOVE if part.rms_as_logged is None else None,
        "rms": interval(part.rms),
        "rms_why": left if part.rms is None else None,
        "share": interval(part.share),
        "share_why": NO_RMS if part.share is None else None,
    }
