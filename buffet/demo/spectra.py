"""The three spectral shapes of the invented wake, each of unit variance over all frequencies.

`advection_hz` is U/L, the oncoming speed over the Strouhal length: a shape stated in St = f L / U
then scales with the wind speed by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class Resonance:
    """Second-order resonance driven by white noise: a shedding peak."""

    strouhal: float  # of the natural frequency; the maximum lies a share 1/(4 Q²) lower
    quality: float  # natural frequency over half-power bandwidth

    def frequency_hz(self, advection_hz: float) -> float:
        """Natural frequency."""
        return self.strouhal * advection_hz

    def bandwidth_hz(self, advection_hz: float) -> float:
        """Half-power bandwidth."""
        return self.frequency_hz(advection_hz) / self.quality

    def psd(self, frequency_hz: FloatArray, advection_hz: float) -> FloatArray:
        """One-sided PSD A f0²B²/((f² − f0²)² + f²B²) per Hz, with A = 2/(π B).

        Its integral over all f is A π B/2 (Newland, Random Vibrations, response of a single
        degree of freedom to white noise; from memory).
        """
        peak_hz, width_hz = self.frequency_hz(advection_hz), self.bandwidth_hz(advection_hz)
        level = 2.0 / (np.pi * width_hz)
        detuning = (frequency_hz**2 - peak_hz**2) ** 2 + (frequency_hz * width_hz) ** 2
        return np.asarray(level * (peak_hz * width_hz) ** 2 / detuning)

    def filter(self, frequency_hz: FloatArray, advection_hz: float) -> ComplexArray:
        """Causal frequency response that turns white noise of PSD 1 per Hz into the peak."""
        peak_hz, width_hz = self.frequency_hz(advection_hz), self.bandwidth_hz(advection_hz)
        stiffness = peak_hz**2 - frequency_hz**2 + 1j * frequency_hz * width_hz
        return np.asarray(np.sqrt(2.0 / (np.pi * width_hz)) * peak_hz * width_hz / stiffness)


@dataclass(frozen=True)
class Broadband:
    """Turbulent wake without a preferred frequency: level up to a corner, then f⁻⁴.

    The pressure of an inertial subrange falls with f^(−7/3) and a whole body averages out eddies
    smaller than itself, which takes about another f⁻² (order of magnitude, from memory).
    """

    corner_strouhal: float

    def psd(self, frequency_hz: FloatArray, advection_hz: float) -> FloatArray:
        """One-sided PSD (4/(π fc))/(1 + (f/fc)²)² per Hz."""
        corner_hz = self.corner_strouhal * advection_hz
        return np.asarray(4.0 / (np.pi * corner_hz) / (1.0 + (frequency_hz / corner_hz) ** 2) ** 2)

    def filter(self, frequency_hz: FloatArray, advection_hz: float) -> ComplexArray:
        """Two equal first-order low-passes in a row, for white noise of PSD 1 per Hz."""
        corner_hz = self.corner_strouhal * advection_hz
        return np.asarray(
            np.sqrt(4.0 / (np.pi * corner_hz)) / (1.0 + 1j * frequency_hz / corner_hz) ** 2
        )


@dataclass(frozen=True)
class TwoState:
    """A wake that changes at random between two states, each held for an exponential time."""

    names: tuple[str, str]
    dwell_lengths: tuple[float, float]  # mean dwell time of each state, in L/U
    amplitude_ratio: float  # fluctuation amplitude in the second state over the first

    @property
    def shares(self) -> tuple[float, float]:
        """Long-run share of the time spent in each state."""
        first, second = self.dwell_lengths
        return first / (first + second), second / (first + second)

    @property
    def levels(self) -> tuple[float, float]:
        """Values of the two states with mean 0 and variance 1."""
        first, second = self.shares
        return -((second / first) ** 0.5), (first / second) ** 0.5

    @property
    def amplitudes(self) -> tuple[float, float]:
        """Factors on what is modulated; their mean square over time is 1."""
        first, second = self.shares
        quiet = (first + second * self.amplitude_ratio**2) ** -0.5
        return quiet, quiet * self.amplitude_ratio

    def dwell_s(self, advection_hz: float) -> tuple[float, float]:
        """Mean dwell times."""
        return self.dwell_lengths[0] / advection_hz, self.dwell_lengths[1] / advection_hz

    def correlation_s(self, advection_hz: float) -> float:
        """Decay time of the autocorrelation exp(−τ/T): 1/T is the sum of the two leaving rates."""
        first, second = self.dwell_s(advection_hz)
        return first * second / (first + second)

    def psd(self, frequency_hz: FloatArray, advection_hz: float) -> FloatArray:
        """One-sided PSD 4T/(1 + (2π f T)²) per Hz of the levels.

        Random telegraph signal with unequal dwell times (Machlup, J. Appl. Phys. 25, 341, 1954;
        from memory).
        """
        decay_s = self.correlation_s(advection_hz)
        return np.asarray(4.0 * decay_s / (1.0 + (2.0 * np.pi * frequency_hz * decay_s) ** 2))


Shape = Resonance | Broadband | TwoState
