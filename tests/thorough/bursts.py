"""How often steady noise is called bursts, and whether bursts give their share of the time back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.wavelet import HALF_WIDTH, RedNoise, average_level, frequency_hz
from buffet.wavelets.intermittency import BandEnergy, band_energy, band_scales
from tests.thorough.records import RATE_HZ, Resonance, from_density, switching

Array = NDArray[np.float64]

STEP_S = 1 / RATE_HZ


@dataclass(frozen=True)
class Bursts:
    """A resonance that is on by turns, over white noise that is always there."""

    name: str
    resonance: Resonance
    floor: float  # variance of the white noise
    loud_s: float = np.inf
    quiet_s: float = 0.0

    def energies(
        self, n_records: int, duration_s: float, rng: np.random.Generator
    ) -> tuple[list[BandEnergy], Array]:
        """Energy in the peak's band of each record, and the share of it that was on."""
        peak = self.resonance
        half = max(peak.bandwidth_hz, float(HALF_WIDTH) * peak.natural_hz)
        scales = band_scales(peak.natural_hz - half, peak.natural_hz + half)
        noise = RedNoise(0.0, self.floor, STEP_S)
        level = average_level(scales, STEP_S, noise.power(frequency_hz(scales)))
        energies, shares = [], []
        for record in from_density(peak.density, n_records, duration_s, rng):
            on = np.ones(len(record))
            if np.isfinite(self.loud_s):
                on = switching(len(record), self.loud_s, self.quiet_s, rng)
            white = np.sqrt(self.floor) * rng.standard_normal(len(record))
            energies.append(band_energy(record * on + white, STEP_S, scales, level, rng))
            shares.append(float(on.mean()))
        return energies, np.array(shares)


STEADY = (
    Bursts("steady, 20 Hz, Q 12", Resonance(20.0, 20 / 12, 0.7), 0.3),
    Bursts("steady, 20 Hz, Q 6", Resonance(20.0, 20 / 6, 0.7), 0.3),
    Bursts("steady, 5 Hz, Q 20", Resonance(5.0, 0.25, 0.7), 0.3),
    Bursts("steady, 60 Hz, Q 40", Resonance(60.0, 1.5, 0.7), 0.3),
)
GATED = (
    Bursts("2 s of 6 s, Q 12", Resonance(20.0, 20 / 12, 1.0), 0.02, 2.0, 4.0),
    Bursts("2 s of 6 s, Q 6", Resonance(20.0, 20 / 6, 1.0), 0.02, 2.0, 4.0),
    Bursts("0.5 s of 2 s, Q 6", Resonance(20.0, 20 / 6, 1.0), 0.02, 0.5, 1.5),
    Bursts("2 s of 6 s, much noise", Resonance(20.0, 20 / 6, 1.0), 0.2, 2.0, 4.0),
)


def alarms(energies: list[BandEnergy], level: float = 0.05) -> float:
    """Share of the records that are called bursts."""
    return float(np.mean([energy.p_value <= level for energy in energies]))


def print_bursts(n_records: int) -> None:
    """Records of 60 s: p-values below 5 % and 1 %, figures, and shares of the time."""
    rng = np.random.default_rng(11)
    print(f"{'kind':24} {'p<5%':>6} {'p<1%':>6} {'figure':>7} {'on':>6} {'1/fig':>6} {'loud':>6}")
    for kind in (*STEADY, *GATED):
        energies, on = kind.energies(n_records, 60.0, rng)
        print(
            f"{kind.name:24} {alarms(energies):6.1%} {alarms(energies, 0.01):6.1%} "
            f"{np.mean([e.intermittency for e in energies]):7.2f} {on.mean():6.1%} "
            f"{np.mean([e.active_share for e in energies]):6.1%} "
            f"{np.mean([e.share_above or 0.0 for e in energies]):6.1%}"
        )
