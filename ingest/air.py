"""Air as a fluid: density, viscosity, and the conditions a run sheet states."""

from __future__ import annotations

import math
from dataclasses import dataclass

ZERO_CELSIUS_K = 273.15

# CIPM-2007 (Picard, Davis, Gläser & Fujii 2008, Metrologia 45, 149–155), in the paper's letters.
_A, _B, _C, _D = 1.2378847e-5, -1.9121316e-2, 33.93711047, -6.3431645e3  # saturation pressure
_A0, _A1, _A2 = 1.58123e-6, -2.9331e-8, 1.1043e-10  # compressibility
_B0, _B1 = 5.707e-6, -2.051e-8
_C0, _C1 = 1.9898e-4, -2.376e-6
_D0, _E0 = 1.83e-11, -0.765e-8
_ALPHA, _BETA, _GAMMA = 1.00062, 3.14e-8, 5.6e-7  # enhancement factor
_MOLAR_MASS_DRY_KG = 28.96546e-3  # with 400 µmol/mol of carbon dioxide
_MOLAR_MASS_WATER_KG = 18.01528e-3
_GAS_CONSTANT = 8.314472  # the value CIPM-2007 was made with, J/(mol K)

# Sutherland's law as in US Standard Atmosphere 1976, equation 51.
_SUTHERLAND_BETA = 1.458e-6  # kg/(s m K^½)
_SUTHERLAND_K = 110.4

# Of dry air, US Standard Atmosphere 1976.
_HEAT_RATIO = 1.4
_DRY_GAS_CONSTANT = 8314.32 / 28.9644  # J/(kg K)

# What air in a wind tunnel or on a road can be: wide of any climate, of cooled and of heated
# tunnels, and of the highest roads (common practice, no source).
PLAUSIBLE_TEMPERATURE_K = (210.0, 350.0)
PLAUSIBLE_PRESSURE_PA = (30e3, 120e3)
DENSEST_AIR_KG_M3 = 2.0  # beyond a cold day at sea level (1.4); heavier is another fluid


def is_plausible(condition: str, value: float) -> bool:
    """Whether air can have this "temperature" in K or "static pressure" in Pa."""
    limits = {"temperature": PLAUSIBLE_TEMPERATURE_K, "static pressure": PLAUSIBLE_PRESSURE_PA}
    low, high = limits[condition]
    return low <= value <= high


def density_kg_m3(temperature_k: float, pressure_pa: float, relative_humidity: float) -> float:
    """Density of moist air in kg/m³ from K, Pa and a relative humidity of 0 to 1.

    CIPM-2007: Picard et al. 2008, Metrologia 45, 149–155, equation 1 and appendix 1; stated for
    15–27 °C and 600–1100 hPa, where its relative uncertainty is 22e-6.
    """
    t_c = temperature_k - ZERO_CELSIUS_K
    x_v = _vapour_fraction(temperature_k, pressure_pa, relative_humidity)
    p_t = pressure_pa / temperature_k
    compressibility = (
        1.0
        - p_t
        * (_A0 + _A1 * t_c + _A2 * t_c**2 + (_B0 + _B1 * t_c) * x_v + (_C0 + _C1 * t_c) * x_v**2)
        + p_t**2 * (_D0 + _E0 * x_v**2)
    )
    dry = pressure_pa * _MOLAR_MASS_DRY_KG / (compressibility * _GAS_CONSTANT * temperature_k)
    return dry * (1.0 - x_v * (1.0 - _MOLAR_MASS_WATER_KG / _MOLAR_MASS_DRY_KG))


def _vapour_fraction(temperature_k: float, pressure_pa: float, relative_humidity: float) -> float:
    """Mole fraction of water vapour; Picard et al. 2008, appendix 1."""
    t_c = temperature_k - ZERO_CELSIUS_K
    saturation_pa = math.exp(_A * temperature_k**2 + _B * temperature_k + _C + _D / temperature_k)
    enhancement = _ALPHA + _BETA * pressure_pa + _GAMMA * t_c**2
    return relative_humidity * enhancement * saturation_pa / pressure_pa


def viscosity_pa_s(temperature_k: float) -> float:
    """Dynamic viscosity of air in Pa s at a temperature in K.

    Sutherland's law, US Standard Atmosphere 1976, equation 51; fair from 100 to 1900 K.
    """
    return (
        _SUTHERLAND_BETA
        * temperature_k
        * math.sqrt(temperature_k)
        / (temperature_k + _SUTHERLAND_K)
    )


def sound_speed_m_s(temperature_k: float) -> float:
    """Speed of sound in air in m/s at a temperature in K, √(γ R T / M).

    US Standard Atmosphere 1976, equation 50, of a perfect gas: 340.294 m/s at 288.15 K. Moist air
    at 20 °C is up to 0.4 % faster.
    """
    return math.sqrt(_HEAT_RATIO * _DRY_GAS_CONSTANT * temperature_k)


@dataclass(frozen=True)
class StatedAir:
    """What a run sheet says of the flow; None where it is silent."""

    speed_m_s: float | None = None
    dynamic_pressure_pa: float | None = None
    dynamic_pressure_uncertainty: float | None = None  # relative, k = 1; all runs share it
    temperature_k: float | None = None
    static_pressure_pa: float | None = None
    relative_humidity: float | None = None
    density_kg_m3: float | None = None
    viscosity_pa_s: float | None = None


@dataclass(frozen=True)
class RoadAir:
    """Air on the road: 20 °C, 101 325 Pa, 50 % humidity (common practice, no source)."""

    temperature_k: float = 293.15
    static_pressure_pa: float = 101325.0
    relative_humidity: float = 0.50

    @property
    def density_kg_m3(self) -> float:
        """Density by CIPM-2007."""
        return density_kg_m3(self.temperature_k, self.static_pressure_pa, self.relative_humidity)

    @property
    def viscosity_pa_s(self) -> float:
        """Dynamic viscosity by Sutherland."""
        return viscosity_pa_s(self.temperature_k)

    @property
    def sound_speed_m_s(self) -> float:
        """Speed of sound."""
        return sound_speed_m_s(self.temperature_k)


ROAD_AIR = RoadAir()
