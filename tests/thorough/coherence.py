"""Coverage of coherence, phase, gain and delay over records with a planted common source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.spectral.coherence import (
    limits,
    magnitude_squared,
    power_share,
    threshold,
    transfer,
)
from buffet.spectral.delay import Delay, delay
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segments import SegmentSettings, SegmentSpectra
from buffet.spectral.window import spectral_kernel
from tests.thorough.parallel import in_pieces
from tests.thorough.records import RATE_HZ, Kind, Resonance, from_density

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

DURATION_S = 60.0
SEGMENT = 256
GAIN = 0.5
BINS = np.array([8, 20, 26, 60, 110])  # 6 to 86 Hz, of which the third is the resonance
INSIDE = slice(2, SEGMENT // 2)  # bins whose power and phase are looked at
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

    def truth(self, bins: NDArray[np.intp] = BINS) -> tuple[Array, Complex, Array]:
        """Coherence, H1 and the second's density, as the window smooths densities."""
        kernel = spectral_kernel(OVERSAMPLING)
        reach = len(kernel) // 2
        places = (bins[:, None] * OVERSAMPLING + np.arange(-reach, reach + 1)) / OVERSAMPLING
        frequency = places * (RATE_HZ / SEGMENT)
        source = self.source.density(np.abs(frequency))
        late = np.exp(-2j * np.pi * frequency * LATE / RATE_HZ)
        white = 2 * np.array(self.noise) / RATE_HZ
        smoothed = source @ kernel
        first, second = smoothed + white[0], self.factor**2 * smoothed + white[1]
        cross = self.factor * (source * late) @ kernel
        return np.abs(cross) ** 2 / (first * second), cross / first, second

    @property
    def share(self) -> float:
        """True share of the second's power that follows the first."""
        coherence, _, second = self.truth(np.arange(SEGMENT)[INSIDE])
        return float((coherence * second).sum() / second.sum())


CASES = (
    Case("strong", FLAT, (0.05, 0.02)),
    Case("peaky, opposite", PEAKY, (0.2, 0.05), is_opposite=True),
    Case("middling", FLAT, (0.5, 0.2)),
    Case("weak", FLAT, (0.5, 2.0)),
)


@dataclass
class Covered:
    """How often each truth was covered, of how many records."""

    coherence: Array = field(default_factory=lambda: np.zeros(len(BINS)))
    phase: Array = field(default_factory=lambda: np.zeros(len(BINS)))
    gain: Array = field(default_factory=lambda: np.zeros(len(BINS)))
    # Every phase possible, which covers.
    phase_unknown: Array = field(default_factory=lambda: np.zeros(len(BINS)))
    delay: int = 0
    delays: int = 0  # of the records, those with a delay
    refused: int = 0  # the phase is not that of one delay
    share: int = 0  # of the second's power

    def add(self, other: Covered) -> None:
        """Take in another's counts."""
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)


def spectra_of(samples: Array) -> SegmentSpectra:
    """Hann segments with half overlap."""
    engine = SegmentEngine(2, SegmentSettings(RATE_HZ, SEGMENT, (0, 1), workers=1))
    engine.push(samples)
    return engine.finish()


def covered(case: Case, n: int, seed: int) -> Covered:
    """Over `n` records of one case."""
    truth, response, _ = case.truth()
    result, share = Covered(), case.share
    for samples in case.pairs(n, np.random.default_rng(seed)):
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
        result.delay += _is_right(late, case)
        result.refused += late.why is not None and "not that of one delay" in late.why
        result.share += _holds(power_share(second[INSIDE], seen[INSIDE], averages), share)
    return result


def _delay(spectra: SegmentSpectra, seen: Array, cross: Complex) -> Delay:
    frequency, averages = spectra.frequency_hz[INSIDE], spectra.effective_segments
    bound = threshold(averages, 0.05 / len(frequency))
    return delay(cross[INSIDE], seen[INSIDE], frequency, averages, bound)


def _is_right(late: Delay, case: Case) -> bool:
    if late.delay_s is None or late.is_opposite != case.is_opposite:
        return False
    return _holds(late.delay_s, LATE / RATE_HZ)


def _holds(found: Interval, truth: float) -> bool:
    assert found.low is not None
    assert found.high is not None
    return found.low <= truth <= found.high


def print_coherence(n: int) -> None:
    """Shares of the records in which 95 % intervals hold the truth."""
    for case, pieces in in_pieces(covered, CASES, n):
        found = Covered()
        for piece in pieces:
            found.add(piece)
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
            f"coherent share of {case.share:.3f} {100 * found.share / n:.1f} %",
            flush=True,
        )
