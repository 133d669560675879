"""What the tube between a pressure tap and its sensor does to a fluctuation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Of air, as Bergh & Tijdeman 1965 take them.
GAMMA = 1.4
PRANDTL = 0.707
# Radii in boundary layers below which a power series, and above which an asymptotic one, gives
# I2 / I0 to the last digit while the Bessel functions themselves run out of range.
_FEW_LAYERS, _MANY_LAYERS = 1e-4, 1e4


@dataclass(frozen=True)
class Tube:
    """A straight tube of constant bore, and the volume at its end towards the sensor."""

    length_m: float
    diameter_m: float
    volume_m3: float = 0.0
    polytropic: float = GAMMA  # exponent of the volume: 1.4 isentropic, 1 isothermal
    # Volume that the sensor's diaphragm yields, dimensionless; next to nothing in sensors for
    # fluctuations.
    diaphragm: float = 0.0


@dataclass(frozen=True)
class Gas:
    """The gas at rest in a tube."""

    density_kg_m3: float
    viscosity_pa_s: float
    sound_speed_m_s: float
    gamma: float = GAMMA
    prandtl: float = PRANDTL


def gas_at(density_kg_m3: float, static_pressure_pa: float, viscosity_pa_s: float) -> Gas:
    """Air of this state; its speed of sound follows from a² = γ p / ρ."""
    sound_speed_m_s = math.sqrt(GAMMA * static_pressure_pa / density_kg_m3)
    return Gas(density_kg_m3, viscosity_pa_s, sound_speed_m_s)


def tubes_response(frequency_hz: Array, pieces: Sequence[Tube], gas: Gas) -> Complex:
    """Complex ratio of the sensor's pressure to the tap's, shape ``(n,)``; 1 at 0 Hz.

    Bergh & Tijdeman 1965, NLR-TR F.238: small fluctuations, laminar, isothermal walls, a wave much
    longer than the bore. Their recursion over tubes in series,

        p_(j-1) / p_j = cosh(φL) + Y sinh(φL),

    is written with Y, the admittance at a tube's end over that of an endless tube of its bore:
    the volume's and that of the tubes behind it. No hyperbolic function then overflows, however
    long or thin the tube.

    Parameters
    ----------
    frequency_hz : (n,), 0 or above
    pieces : in series from the tap to the sensor
    """
    result = np.ones(len(frequency_hz), complex)
    moving = frequency_hz > 0
    omega = 2 * np.pi * frequency_hz[moving]
    behind = np.zeros(len(omega), complex)  # admittance over that of a volume of 1 m³
    for tube in reversed(pieces):
        turn, factor = _propagation(omega, tube, gas)
        area_m2 = np.pi * tube.diameter_m**2 / 4
        endless = area_m2 * tube.length_m / (factor * turn)
        load = (tube.volume_m3 * (tube.diaphragm + 1 / tube.polytropic) + behind) / endless
        echo = (1 - load) * np.exp(-2 * turn)
        result[moving] *= 2 * np.exp(-turn) / (1 + load + echo)
        behind = endless * (1 + load - echo) / (1 + load + echo)
    return result


def _propagation(omega: Array, tube: Tube, gas: Gas) -> tuple[Complex, Complex]:
    """φL, with a real part above zero, and the polytropic factor n of a tube.

    φ = (ω / a) √(J0(α) / J2(α)) √(γ / n), 1/n = 1 + (γ-1)/γ · J2(α√Pr) / J0(α√Pr), where
    α = i^(3/2) R √(ρ ω / μ). With β = -iα, J2(α) / J0(α) = -I2(β) / I0(β).
    """
    squared = 1j * (tube.diameter_m / 2) ** 2 * gas.density_kg_m3 * omega / gas.viscosity_pa_s
    thermal = _bessel_ratio(np.sqrt(squared * gas.prandtl))
    factor = 1 / (1 - (gas.gamma - 1) / gas.gamma * thermal)
    viscous = _bessel_ratio(np.sqrt(squared))
    length = omega * tube.length_m / gas.sound_speed_m_s
    turn = 1j * length * np.sqrt(gas.gamma / (factor * viscous))
    return np.where(turn.real < 0, -turn, turn), factor  # even in φ: the sign is ours to choose


def _bessel_ratio(beta: Complex) -> Complex:
    """I2(β) / I0(β) for β = √i · (0, ∞)."""
    from scipy.special import ive

    size = np.abs(beta)
    few, many = size < _FEW_LAYERS, size > _MANY_LAYERS
    ordinary = np.where(few | many, 1.0, beta)
    inverse = 1 / np.where(many, beta, 1.0)
    # Abramowitz & Stegun 9.6.10 and 9.7.1
    return np.select(
        [few, many],
        [beta**2 / 8, 1 - 2 * inverse + inverse**2 + inverse**3 / 4],
        ive(2, ordinary) / ive(0, ordinary),
    )
