"""Simulated records whose true mean, variance and peaks are known in closed form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

RATE_HZ = 200.0
MEAN = 3.0
# Records are cut from a synthesised one this many times as long, so that their ends do not meet.
LONGER = 1.5


@dataclass(frozen=True)
class Resonance:
    """Peak of a density A f0² B² / ((f² - f0²)² + f² B²), by its variance."""

    natural_hz: float
    bandwidth_hz: float
    variance: float

    def density(self, frequency_hz: Array) -> Array:
        """One-sided; its integral over all frequencies is A π B / 2."""
        height = 2 * self.variance / (np.pi * self.bandwidth_hz)
        f2, n2, b2 = frequency_hz**2, self.natural_hz**2, self.bandwidth_hz**2
        return np.asarray(height * n2 * b2 / ((f2 - n2) ** 2 + f2 * b2))


def from_density(
    density: Callable[[Array], Array],
    n_records: int,
    duration_s: float,
    rng: np.random.Generator,
    rate_hz: float = RATE_HZ,
) -> Array:
    """Gaussian records of a one-sided density, drawn bin by bin, ``(n_records, n_samples)``."""
    n = round(duration_s * rate_hz)
    longer = 2 * int(LONGER * n / 2)
    frequency = np.arange(longer // 2 + 1) * np.float64(rate_hz / longer)
    records = np.empty((n_records, n))
    size = np.sqrt(density(frequency) * longer * rate_hz / 4)
    for record in records:
        parts = rng.standard_normal((2, len(frequency)))
        bins = size * (parts[0] + 1j * parts[1])
        bins[[0, -1]] = bins[[0, -1]].real * np.sqrt(2)  # real, and as strong as the others
        record[:] = np.fft.irfft(bins, longer)[:n]
    return records


@dataclass(frozen=True)
class Kind:
    """What records of one kind are made of."""

    name: str
    white: float  # variance of white noise
    resonances: tuple[Resonance, ...] = ()
    loud_s: float = 0.0  # mean length of bursts; the noise is silent in between
    quiet_s: float = 0.0
    dwell_s: float = 0.0  # mean dwell time in each of two states
    jump: float = 0.0  # half the distance of the states

    def density(self, frequency_hz: Array) -> Array:
        """Of the stationary Gaussian part, one-sided."""
        total = np.full(frequency_hz.shape, 2 * self.white / RATE_HZ)
        for resonance in self.resonances:
            total = total + resonance.density(frequency_hz)
        return total

    def spectrum(self, frequency_hz: Array) -> Array:
        """Of the whole process, one-sided.

        White noise stays white through bursts; states ±A of mean dwell time τ have the covariance
        A² e^{-2|t|/τ}, hence a density of 2 A² τ / (1 + (π f τ)²).
        """
        states = 2 * self.jump**2 * self.dwell_s / (1 + (np.pi * frequency_hz * self.dwell_s) ** 2)
        return np.asarray(self.density(frequency_hz) * self._loud_share + states)

    @property
    def _loud_share(self) -> float:
        return self.loud_s / (self.loud_s + self.quiet_s) if self.quiet_s else 1.0

    @property
    def variance(self) -> float:
        """Over all time; the resonances' part above the Nyquist frequency is not sampled."""
        grid = (np.arange(200_000) + 0.5) * np.float64(RATE_HZ / 2 / 200_000)
        density = self.density(grid).mean()
        return float(density * RATE_HZ / 2 * self._loud_share + self.jump**2)

    def records(self, n_records: int, duration_s: float, rng: np.random.Generator) -> Array:
        """Samples, ``(n_records, n_samples)``."""
        samples = from_density(self.density, n_records, duration_s, rng)
        for record in samples:
            if self.quiet_s:
                record *= switching(len(record), self.loud_s, self.quiet_s, rng)
            if self.dwell_s:
                state = switching(len(record), self.dwell_s, self.dwell_s, rng)
                record += self.jump * (2 * state - 1)
        return samples + MEAN


def switching(n: int, one_s: float, zero_s: float, rng: np.random.Generator) -> Array:
    """A stationary process of states 1 and 0 with exponential dwell times, ``(n,)``."""
    state = bool(rng.random() < one_s / (one_s + zero_s))
    values = np.empty(n)
    at = 0.0
    while at < n:
        dwell = rng.exponential(one_s if state else zero_s) * RATE_HZ
        values[int(np.ceil(at)) : int(np.ceil(at + dwell))] = state
        at, state = at + dwell, not state
    return values


WHITE = Kind("white", 1.0)
PEAKY = Kind("peaky, Q 12", 0.3, (Resonance(20.0, 20.0 / 12, 0.7),))
KINDS = (
    WHITE,
    PEAKY,
    Kind("peaky, Q 40", 0.3, (Resonance(60.0, 1.5, 0.7),)),
    Kind("two peaks", 0.3, (Resonance(15.0, 1.5, 0.3), Resonance(40.0, 4.0, 0.4))),
    Kind("bursts", 1.0, loud_s=0.5, quiet_s=1.5),
    Kind("two states, 5 s", 0.3, dwell_s=5.0, jump=0.8),
)
