"""The JSON document and the table of `car`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import numpy as np

from buffet.cabin.open_cabin import OpenCabinFigures
from buffet.cabin.open_cabin_document import open_cabin_document
from buffet.json_values import Document
from buffet.spectral.reduction import COMPONENTS
from buffet.vehicle import CarRows, CarSummary, Mode


def car_document(summary: CarSummary, cabin: OpenCabinFigures | None = None) -> Document:
    """What `car` prints as JSON."""
    vehicle = summary.vehicle
    spread, stated = summary.spread
    return {
        "format": "buffet/car",
        "version": 1,
        "name": vehicle.name,
        "source": vehicle.source,
        "speed_m_s": summary.speed_m_s,
        "static": asdict(summary.static),
        "modes": [_mode(summary, mode) for mode in summary.modes],
        "modes_are_measured": summary.model.measured is not None,
        "assumed": list(summary.assumed),
        "spread": {"stated": stated, "relative_standard_deviations": dict(spread)},
        **open_cabin_document(cabin),
        "frequency_hz": summary.frequency_hz.tolist(),
        "responses": {name: _response(rows) for name, rows in summary.responses.items()},
    }


def _mode(summary: CarSummary, mode: Mode) -> Document:
    shares = mode.participation
    return {
        "name": mode.name,
        "natural_frequency_hz": mode.natural_frequency_hz,
        "damping": mode.damping_ratio,
        "turning_point_m": summary.turning_point_m(mode),
        "shape": {
            name: {"real": float(value.real), "imaginary": float(value.imag)}
            for name, value in zip(mode.coordinates, mode.shape, strict=True)
        },
        "energy_share": None
        if shares is None
        else dict(zip(mode.coordinates, shares.tolist(), strict=True)),
    }


def _response(rows: CarRows) -> Document:
    """Gain and phase per component that moves it; null with the reason where it is not known."""
    components = {
        word: {"gain": gain.tolist(), "phase_deg": phase.tolist()}
        for word, gain, phase in _columns(rows)
    }
    return {
        "unit": rows.unit,
        "components": None if rows.rows is None else components,
        "why": rows.why,
        "left_out": rows.left_out,
    }


def response_rows(summary: CarSummary) -> list[dict[str, Any]]:
    """One table row an output, component and frequency."""
    return [
        {
            "car": summary.vehicle.name,
            "speed_m_s": summary.speed_m_s,
            "output": name,
            "unit": f"{rows.unit} per {'N m' if word.endswith('moment') else 'N'}",
            "component": word,
            "frequency_hz": float(frequency),
            "gain": float(one),
            "phase_deg": float(angle),
        }
        for name, rows in summary.responses.items()
        for word, gain, phase in _columns(rows)
        for frequency, one, angle in zip(summary.frequency_hz, gain, phase, strict=True)
    ]


def _columns(rows: CarRows) -> Iterator[tuple[str, Any, Any]]:
    if rows.rows is None:
        return
    for word in rows.components:
        column = rows.rows[:, COMPONENTS.index(word)]
        yield word, np.abs(column), np.degrees(np.angle(column))
