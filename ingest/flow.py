"""The oncoming flow of a run: speed, dynamic pressure, density, viscosity, Reynolds number."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ingest.air import (
    DENSEST_AIR_KG_M3,
    ROAD_AIR,
    density_kg_m3,
    is_plausible,
    sound_speed_m_s,
    viscosity_pa_s,
)
from ingest.model import BlockageMethod, Model

if TYPE_CHECKING:
    from ingest.record import Run

WIND = ("dynamic pressure", "air speed")
AIR = ("temperature", "static pressure")
FLOW_CONDITIONS = (*WIND, *AIR)


@dataclass(frozen=True)
class Blockage:
    """How the model's blockage of the test section is corrected, and by how much."""

    method: BlockageMethod = "none"
    area_ratio: float | None = None  # model's frontal area over the test section's
    dynamic_pressure_factor: float = 1.0  # corrected over uncorrected, q_c / q
    drag_coefficient: float | None = None  # not corrected; where the method needs it
    why: str = ""  # the rule used, or why there is none


@dataclass(frozen=True)
class FlowState:
    """Mean oncoming flow over a record; blockage is corrected where a rule is chosen."""

    speed_m_s: float
    dynamic_pressure_pa: float
    density_kg_m3: float
    viscosity_pa_s: float
    reynolds: float | None  # on the model's Strouhal length; None without a model
    assumed: tuple[str, ...] = ()  # air conditions that nobody stated or measured
    blockage: Blockage = Blockage()
    sound_speed_m_s: float | None = None  # None where the fluid is no air

    @property
    def mach(self) -> float | None:
        """Wind speed over the speed of sound; None where the fluid is no air."""
        return None if self.sound_speed_m_s is None else self.speed_m_s / self.sound_speed_m_s

    @property
    def uncorrected_pressure_pa(self) -> float:
        """Dynamic pressure as stated or measured."""
        return self.dynamic_pressure_pa / self.blockage.dynamic_pressure_factor

    @property
    def uncorrected_speed_m_s(self) -> float:
        """Wind speed as stated or measured."""
        return self.speed_m_s / math.sqrt(self.blockage.dynamic_pressure_factor)


@dataclass(frozen=True)
class Fluid:
    """Mean state of what flows over a record."""

    density_kg_m3: float
    viscosity_pa_s: float
    static_pressure_pa: float
    temperature_k: float
    assumed: tuple[str, ...]  # conditions that nobody stated or measured

    @property
    def is_air(self) -> bool:
        """Whether it can be air, as far as its density tells."""
        return self.density_kg_m3 <= DENSEST_AIR_KG_M3


def flow_state(
    run: Run, model: Model | None, channel_means: Mapping[str, float]
) -> FlowState | None:
    """Flow of a wind-on run from its channels' means (by name, SI) and what its sheet states.

    Blockage is not corrected yet: see `with_blockage`.

    A channel that measures a condition goes before the stated value, since the coefficients use
    the record's own mean dynamic pressure, unless its mean cannot be; a stated density or viscosity
    goes before one computed from the air. None for a wind-off run and where the wind is neither
    stated nor measured.
    """
    if run.kind == "wind-off":
        return None
    measured = _measured_conditions(run, channel_means)
    fluid = run_fluid(run, channel_means)
    wind = _wind(run, measured, fluid.density_kg_m3)
    if wind is None:
        return None
    speed_m_s, pressure_pa = wind
    reynolds = None
    if model is not None:
        reynolds = fluid.density_kg_m3 * speed_m_s * model.strouhal_length_m / fluid.viscosity_pa_s
    return FlowState(
        speed_m_s,
        pressure_pa,
        fluid.density_kg_m3,
        fluid.viscosity_pa_s,
        reynolds,
        fluid.assumed,
        sound_speed_m_s=sound_speed_m_s(fluid.temperature_k) if fluid.is_air else None,
    )


def _measured_conditions(run: Run, channel_means: Mapping[str, float]) -> dict[str, float]:
    """Mean of the first channel for each flow condition that can be one."""
    means: dict[str, float] = {}
    for channel in run.channels:
        value = channel_means.get(channel.name)
        if value is not None and can_be(channel.measures, value):
            means.setdefault(channel.measures, value)
    return means


def can_be(measures: str, mean: float) -> bool:
    """Whether a mean can be a flow condition: wind above zero, or plausible air."""
    if measures in WIND:
        return mean > 0.0
    return measures in AIR and is_plausible(measures, mean)


def run_fluid(run: Run, channel_means: Mapping[str, float]) -> Fluid:
    """Fluid of a run, with wind or without, from its channels' means (by name, SI) and its sheet.

    What is neither measured nor stated is the standard road air's.
    """
    measured = _measured_conditions(run, channel_means)
    air = run.air
    temperature_k = measured.get("temperature", air.temperature_k)
    pressure_pa = measured.get("static pressure", air.static_pressure_pa)
    humidity = air.relative_humidity
    density, viscosity = air.density_kg_m3, air.viscosity_pa_s
    conditions = {"temperature": temperature_k}
    if density is None:
        conditions |= {"static pressure": pressure_pa, "relative humidity": humidity}
        density = density_kg_m3(
            ROAD_AIR.temperature_k if temperature_k is None else temperature_k,
            ROAD_AIR.static_pressure_pa if pressure_pa is None else pressure_pa,
            ROAD_AIR.relative_humidity if humidity is None else humidity,
        )
    elif viscosity is not None:
        conditions = {}
    if viscosity is None:
        viscosity = viscosity_pa_s(temperature_k or ROAD_AIR.temperature_k)
    return Fluid(
        density,
        viscosity,
        ROAD_AIR.static_pressure_pa if pressure_pa is None else pressure_pa,
        ROAD_AIR.temperature_k if temperature_k is None else temperature_k,
        tuple(k for k, v in conditions.items() if v is None),
    )


def _wind(run: Run, measured: Mapping[str, float], density: float) -> tuple[float, float] | None:
    """Speed in m/s and dynamic pressure in Pa from the first source there is; q = ½ ρ U²."""
    for speed_m_s, pressure_pa in _wind_sources(run, measured):
        if pressure_pa is not None:
            return math.sqrt(2.0 * pressure_pa / density), pressure_pa
        if speed_m_s is not None:
            return speed_m_s, 0.5 * density * speed_m_s**2
    return None


def _wind_sources(
    run: Run, measured: Mapping[str, float]
) -> Iterator[tuple[float | None, float | None]]:
    yield measured.get("air speed"), measured.get("dynamic pressure")
    yield run.air.speed_m_s, run.air.dynamic_pressure_pa
