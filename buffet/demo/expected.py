"""What the truth implies for each component: RMS by part, spectra, coherence, in closed form."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buffet.demo.spectra import FloatArray, Shape
from buffet.demo.truth import COMPONENTS, DERIVED, MODEL, Coefficients, Configuration

ALL_COMPONENTS = (*COMPONENTS, *DERIVED)
BAND_STEPS = 20_000  # midpoint sum; the narrowest feature, 0.2 Hz, then has 50 steps


def part_rms(configuration: Configuration, component: str, part: str | None = None) -> float:
    """RMS coefficient of one part, or of all, over all frequencies; without the fan line."""
    drivers = _drivers(configuration, part)
    return float(sum(carried(rms, component) ** 2 for _, rms in drivers) ** 0.5)


def parts(configuration: Configuration) -> tuple[str, ...]:
    """Parts of a configuration's fluctuation, in the order of the truth."""
    return tuple(dict.fromkeys(source.part for source in configuration.sources))


def cross_spectrum(
    configuration: Configuration,
    one: str,
    other: str,
    speed_m_s: float,
    frequency_hz: FloatArray,
) -> FloatArray:
    """One-sided cross-spectrum of two components per Hz: real, as all gains are."""
    total = np.zeros(np.shape(frequency_hz))
    for shape, rms in _drivers(configuration):
        gain = carried(rms, one) * carried(rms, other)
        total += gain * shape.psd(frequency_hz, MODEL.advection_hz(speed_m_s))
    return total


def spectrum(
    configuration: Configuration, component: str, speed_m_s: float, frequency_hz: FloatArray
) -> FloatArray:
    """One-sided PSD of a component's coefficient per Hz, without the fan line."""
    return cross_spectrum(configuration, component, component, speed_m_s, frequency_hz)


def coherence(
    configuration: Configuration, one: str, other: str, speed_m_s: float, frequency_hz: float
) -> float:
    """Magnitude-squared coherence of two components at one frequency."""
    at = np.array([frequency_hz])
    cross = cross_spectrum(configuration, one, other, speed_m_s, at)
    autos = [spectrum(configuration, name, speed_m_s, at) for name in (one, other)]
    return float((cross**2 / (autos[0] * autos[1]))[0])


def rms_up_to(
    configuration: Configuration, component: str, speed_m_s: float, highest_hz: float
) -> float:
    """RMS coefficient from 0 to a frequency."""
    step_hz = highest_hz / BAND_STEPS
    middles_hz = np.asarray(step_hz * (np.arange(BAND_STEPS) + 0.5), dtype=np.float64)
    energy = spectrum(configuration, component, speed_m_s, middles_hz).sum() * step_hz
    return float(energy**0.5)


def carried(coefficients: Coefficients, component: str) -> float:
    """What a set of logged components amounts to in a logged or derived one."""
    return sum(weight * coefficients.get(name, 0.0) for name, weight in weights(component).items())


def weights(component: str) -> Coefficients:
    """Weights of the logged components in a logged or derived one."""
    return DERIVED.get(component, {component: 1.0})


def _drivers(
    configuration: Configuration, part: str | None = None
) -> Iterator[tuple[Shape, Coefficients]]:
    for source in configuration.sources:
        if part in (None, source.part):
            for rms in source.drivers():
                yield source.shape, rms
