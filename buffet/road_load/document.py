"""Road load in the JSON of a comparison and in its tables; formats, computes nothing."""

from __future__ import annotations

from typing import Any

from buffet.json_values import Document, interval, number
from buffet.road_load.change import EnergyChange, RoadLoadChange
from buffet.road_load.energy import RoadLoadModel
from buffet.road_load.speed_trace import SpeedTrace
from buffet.writing import columns


def road_load_entries(model: RoadLoadModel | None, trace: SpeedTrace | None) -> Document:
    """What the energies rest on: the car's road load and the drive; null where not stated."""
    return {
        "road_load": None
        if model is None
        else {
            "mass_kg": model.mass_kg,
            "rolling_resistance": model.rolling_resistance,
            "air_density_kg_m3": model.density_kg_m3,
            "efficiency": model.efficiency,
            "idle_power_w": model.idle_power_w,
            "recuperation": model.recuperation,
            "rotating_mass_share": model.rotating_mass_share,
        },
        "speed_trace": None
        if trace is None
        else {
            "file": trace.file,
            "sha256": trace.sha256,
            "duration_s": trace.motion.duration_s,
            "distance_m": trace.motion.distance_m,
        },
    }


def change_entries(change: RoadLoadChange) -> Document:
    """One add-on's energy at the constant speed and over the drive."""
    return {
        "constant_speed": _energy(change.constant_speed),
        "constant_speed_why": change.constant_speed_why or None,
        "over_trace": _energy(change.over_trace),
        "over_trace_why": change.over_trace_why or None,
    }


def _energy(change: EnergyChange | None) -> Document | None:
    if change is None:
        return None
    return {
        "change_percent": interval(change.change_percent),
        "elasticity": number(change.baseline.elasticity),
        "baseline_wheel_energy_j_m": change.baseline.wheel_j_m,
        "baseline_braking_energy_j_m": change.baseline.braked_j_m,
        "baseline_energy_j_m": change.baseline.input_j_m,
    }


def change_columns(change: RoadLoadChange) -> dict[str, Any]:
    """The same changes as columns of a table."""
    steady, driven = change.constant_speed, change.over_trace
    return {
        **columns("energy_change_percent", steady.change_percent if steady else None),
        **columns("trace_energy_change_percent", driven.change_percent if driven else None),
    }
