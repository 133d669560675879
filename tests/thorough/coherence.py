"""Coverage of coherence, phase, gain and delay over records with a planted common source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.spectral import coherence as coherence_module
from buffet.spectral.coherence import coherent_share, limits, magnitude_squared, transfer
from buffet.spectral.delay import Delay, delay
from buffet.spectral.segments import SegmentEngine, SegmentSettings, SegmentSpectra
from buffet.spectral.window import spectral_kernel
from tests.thorough.records import RATE_HZ, Kind, Resonance, from_density

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

DURATION_S = 60.0
SEGMENT = 256
GAIN = 0.5
BINS = np.array([8, 20, 26, 60, 110])  # 6 to 86 Hz, of which the third is the resonance
LATE = 3  # samples that the second signal follows the first by
OVERSAMPLING = 16
FLAT = Kind("flat", 1.0)
PEAKY = Kind("peaky", 0.1, (Resonance(20.0, 3.0, 0.9),))


@dataclass(frozen=True)
class Case:
    """A source in both signals, each with independent white noise of its own."""

    name: str
    source: Kind
    noise: tuple[float, float]  # variances
    is_opposite: bool = False

    @property
    def factor(self) -> float:
        """From the source to the second signal."""
        return -GAIN if self.is_opposite else GAIN

    def pairs(self, n: int, rng: np.random.Generator) -> Iterator[Array]:
        """Records ``(2, n_samples)``."""
        length = round(DURATION_S * RATE_HZ)
        for source in from_density(self.source.density, n, DURATION_S + LATE / RATE_HZ, rng):
            noise = rng.standard_normal((2, length)) * np.sqrt(self.noise)[:, None]
            yield noise + np.array([source[LATE:], self.factor * source[:length]])

    def truth(self) -> tuple[Array, Complex]:
        """Coherence and H1 at `BINS`, under the window: densities as it smooths them."""
        kernel = spectral_kernel(OVERSAMPLING)
        reach = len(kernel) // 2
        places = (BINS[:, None] * OVERSAMPLING + np.arange(-reach, reach + 1)) / OVERSAMPLING
        frequency = places * (RATE_HZ / SEGMENT)
        source = self.source.density(np.abs(frequency))
        late = np.exp(-2j * np.pi * frequency * LATE / RATE_HZ)
        white = 2 * np.array(self.noise) / RATE_HZ
        smoothed = source @ kernel
        first, second = smoothed + white[0], self.factor**2 * smoothed + white[1]
        cross = self.factor * (source * late) @ kernel
        return np.abs(cross) ** 2 / (first * second), cross / first


CASES = (
    Case("strong", FLAT, (0.05, 0.02)),
    Case("peaky, opposite", PEAKY, (0.2, 0.05), is_opposite=True),
    Case("middling", FLAT, (0.5, 0.2)),
    Case("weak", FLAT, (0.5, 2.0)),
)


@dataclass
class Covered:
    """How often each truth was covered, of how many records."""

    coherence: Array
    phase: Array
    gain: Array
    phase_unknown: Array  # every phase possible, which covers
    delay: int = 0
    delays: int = 0  # of the records, those with a delay
    refused: int = 0  # the phase is not that of one delay
    share: float = 0.0  # mean coherent share of the second's power


def spectra_of(samples: Array) -> SegmentSpectra:
    """Hann segments with half overlap."""
    engine = SegmentEngine(2, SegmentSettings(RATE_HZ, SEGMENT, (0, 1), workers=1))
    engine.push(samples)
    return engine.finish()


def covered(case: Case, n: int, rng: np.random.Generator) -> Covered:
    """Over `n` records of one case."""
    truth, response = case.truth()
    zero = np.zeros(len(BINS))
    result = Covered(zero.copy(), zero.copy(), zero.copy(), zero.copy())
    for samples in case.pairs(n, rng):
        spectra = spectra_of(samples)
        averages = spectra.effective_segments
        cross, (first, second) = spectra.cross_psd(1, 0), spectra.psd
        seen = magnitude_squared(cross, first, second)
        low, high = limits(seen[BINS], averages)
        result.coherence += (low <= truth) & (truth <= high)
        found = transfer(cross[BINS], first[BINS], seen[BINS], averages)
        size = np.abs(response)
        result.gain += (found.gain_low <= size) & (size <= found.gain_high)
        off = np.abs(np.angle(np.exp(1j * found.phase_rad) * np.conj(response)))
        unknown = np.isnan(found.phase_half_rad)
        result.phase += unknown | (off <= np.nan_to_num(found.phase_half_rad))
        result.phase_unknown += unknown
        late = _delay(spectra, seen, cross)
        result.delays += late.delay_s is not None
        result.delay += late.delay_s is not None and _holds(late.delay_s, case, late)
        result.refused += late.why is not None and "not that of one delay" in late.why
        inside = slice(2, SEGMENT // 2)
        shares = coherent_share(seen[inside], averages)
        result.share += float((second[inside] * shares).sum() / second[inside].sum()) / n
    return result


def _delay(spectra: SegmentSpectra, seen: Array, cross: Complex) -> Delay:
    inside = slice(2, SEGMENT // 2)
    bound = coherence_module.threshold(spectra.effective_segments, 0.05 / (SEGMENT // 2 - 2))
    frequency, averages = spectra.frequency_hz[inside], spectra.effective_segments
    return delay(cross[inside], seen[inside], frequency, averages, bound)


def _holds(found: Interval, case: Case, late: Delay) -> bool:
    assert found.low is not None
    assert found.high is not None
    return found.low <= LATE / RATE_HZ <= found.high and late.is_opposite == case.is_opposite


def print_coherence(n: int) -> None:
    """Shares of the records in which 95 % intervals hold the truth."""
    for case in CASES:
        found = covered(case, n, np.random.default_rng(5))
        print(f"{case.name}: {n} records of {DURATION_S:.0f} s")
        frequencies = " ".join(f"{f:6.1f}" for f in BINS * (RATE_HZ / SEGMENT))
        print(f"  frequency, Hz  {frequencies}")
        print(f"  true coherence {' '.join(f'{c:6.3f}' for c in case.truth()[0])}")
        for name in ("coherence", "phase", "phase_unknown", "gain"):
            shares = " ".join(f"{100 * s / n:6.1f}" for s in getattr(found, name))
            print(f"  {name:14} {shares} %")
        told = 100 * found.delay / max(found.delays, 1)
        print(
            f"  delay          {told:.1f} % of {found.delays}, refused {found.refused}; "
            f"coherent share {found.share:.3f}"
        )
