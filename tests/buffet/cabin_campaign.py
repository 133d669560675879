"""Planted pressures in the cabin of a 30 % model, and the car whose cabin is open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from buffet.vehicle import typical_car
from ingest import OpenCabin
from tests.buffet.campaigns import (
    CAMPAIGN,
    RATE_HZ,
    SCALE,
    WIND_M_S,
    PlantedRun,
    band_noise,
    changed,
    write_runs,
)
from tests.buffet.cars import known

Array = NDArray[np.float64]

SECONDS = 40.0
OPEN = OpenCabin(volume_m3=3.2, opening_m2=0.3)
# Nothing uncertain about it: what is looked at here is the record's.
OPEN_CAR = replace(known(typical_car(0.775 / SCALE)), cabin=OPEN)
OPEN_MODEL = changed(CAMPAIGN, ("model", "cabin_volume"), f"{3.2 * SCALE**3:g} m^3")
ROAD_DENSITY_KG_M3 = 1.1993139  # tests/published/air.csv
REFERENCE_PA = 20e-6


def tone(frequency_hz: float, rms: float, seconds: float = SECONDS) -> Array:
    """A sine of this RMS."""
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.asarray(rms * np.sqrt(2) * np.sin(2 * np.pi * frequency_hz * time + 0.4))


def rms_coefficient(level_db: float, speed_m_s: float = WIND_M_S) -> float:
    """C_p whose RMS has this level at a road speed, by hand: 20 log10(C_p q / 20 µPa)."""
    dynamic_pa = 0.5 * ROAD_DENSITY_KG_M3 * speed_m_s**2
    return float(REFERENCE_PA * 10 ** (level_db / 20) / dynamic_pa)


def cabin_run(number: str, pressure: Array, **more: Any) -> PlantedRun:
    """A run whose lift hardly fluctuates, with this pressure coefficient in the cabin."""
    seconds = len(pressure) / RATE_HZ
    samples: Mapping[str, Array] = {
        "lift": 0.1 + band_noise(int(number), 0.001, seconds),
        "cabin pressure": pressure,
    }
    return PlantedRun(number, samples, **more)


def write_open(folder: Path, runs: Sequence[PlantedRun]) -> Path:
    """A campaign whose model states its cabin's volume."""
    return write_runs(folder, runs, OPEN_MODEL)
