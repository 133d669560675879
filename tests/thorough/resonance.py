"""How often the intervals of natural frequency and damping cover the planted values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from buffet.resonance.ambient import ambient_modes, segment_samples
from buffet.resonance.result import ChannelResonance
from buffet.resonance.strikes import StrikeCutter
from buffet.resonance.tap import TapTest
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segments import SegmentSettings
from ingest import Channel, Rotation
from tests.thorough.coverage import Coverage
from tests.thorough.parallel import in_pieces
from tests.thorough.records import Resonance, from_density

Array = NDArray[np.float64]

NATURAL_HZ = 38.0
RATE_HZ = 250.0
LIFT = Channel("lift", 0, "lift", "N", 1.0)
FIRST_S = 1.0  # before the first strike
TIME_CONSTANTS, LONGEST_S = 6.0, 6.0  # from strike to strike


@dataclass(frozen=True)
class TapKind:
    """One kind of tap test: sizes of the strikes are about 1."""

    name: str
    damping: float
    strikes: int = 4
    noise: float = 0.02
    frequency_scatter: float = 0.0  # from strike to strike, relative, one standard deviation
    damping_scatter: float = 0.0
    second_hz: float | None = None  # a mode of 0.4 of the amplitude beside it
    rate_hz: float = RATE_HZ


@dataclass(frozen=True)
class RecordKind:
    """One kind of wind-off record: the resonance has an RMS of 1."""

    name: str
    damping: float
    seconds: float
    floor: float = 0.3  # RMS of white noise
    hum: float = 0.0  # amplitude of a line at 50 Hz


KINDS: tuple[TapKind | RecordKind, ...] = (
    TapKind("taps, damping 0.002", 0.002),
    TapKind("taps, damping 0.01", 0.01),
    TapKind("taps, damping 0.05", 0.05),
    TapKind("taps, damping 0.1", 0.1),
    TapKind("one tap, damping 0.02", 0.02, strikes=1),
    TapKind("two taps, damping 0.02", 0.02, strikes=2),
    TapKind("taps that scatter", 0.02, frequency_scatter=0.002, damping_scatter=0.05),
    TapKind("8 taps that scatter", 0.02, 8, frequency_scatter=0.002, damping_scatter=0.05),
    TapKind("taps, a mode at 41 Hz", 0.02, second_hz=41.0),
    TapKind("taps, a mode at 60 Hz", 0.02, second_hz=60.0),
    TapKind("taps at 2 kHz", 0.05, rate_hz=2000.0),
    RecordKind("20 s, damping 0.01", 0.01, 20.0),
    RecordKind("60 s, damping 0.01", 0.01, 60.0),
    RecordKind("60 s, damping 0.02, hum", 0.02, 60.0, hum=1.0),
    RecordKind("60 s, damping 0.05", 0.05, 60.0),
    RecordKind("60 s, damping 0.1", 0.1, 60.0),
    RecordKind("120 s, damping 0.005", 0.005, 120.0),
)


@dataclass
class Found:
    """Coverage of both values."""

    frequency: Coverage = field(default_factory=Coverage)
    damping: Coverage = field(default_factory=Coverage)

    def count(self, one: ChannelResonance, damping: float) -> None:
        """Take in the mode nearest to the planted one; the strongest may be the other."""
        near = [
            mode
            for mode in one.modes
            if abs(mode.natural_frequency_hz.value / NATURAL_HZ - 1) < max(damping, 0.02)
        ]
        mode = near[0] if near else None
        self.frequency.count(mode and mode.natural_frequency_hz, NATURAL_HZ)
        self.damping.count(mode and mode.damping, damping)


def resonance_coverage(kind: TapKind | RecordKind, n: int, seed: int = 7) -> Found:
    """Counts of `n` tap tests or records."""
    rng = np.random.default_rng(seed)
    found = Found()
    if isinstance(kind, TapKind):
        for _ in range(n):
            found.count(tapped(tap_record(kind, rng), kind.rate_hz), kind.damping)
        return found
    for record in shaken_records(kind, n, rng):
        found.count(spectrum_of(record), kind.damping)
    return found


def tap_record(kind: TapKind, rng: np.random.Generator) -> Array:
    """Impulse responses in closed form, each strike as long after the last as it takes to die."""
    apart_s = min(TIME_CONSTANTS / (2 * np.pi * kind.damping * NATURAL_HZ), LONGEST_S)
    apart_s = max(apart_s, FIRST_S)
    seconds = FIRST_S + kind.strikes * apart_s
    time_s = np.arange(round(seconds * kind.rate_hz)) / kind.rate_hz
    total = kind.noise * rng.standard_normal(len(time_s))
    for i in range(kind.strikes):
        size, phase = rng.uniform(0.7, 1.4), rng.uniform(0, 1)
        at_s = FIRST_S + i * apart_s + phase / kind.rate_hz
        off = 1 + np.array([kind.frequency_scatter, kind.damping_scatter]) * rng.standard_normal(2)
        total += size * impulse_response(time_s - at_s, NATURAL_HZ * off[0], kind.damping * off[1])
        if kind.second_hz is not None:
            total += 0.4 * size * impulse_response(time_s - at_s, kind.second_hz, kind.damping)
    return total


def impulse_response(time_s: Array, natural_hz: float, damping: float) -> Array:
    """e^(-ζ ω_n t) sin(ω_d t) after zero, silence before."""
    omega = 2 * np.pi * natural_hz
    after_s = np.maximum(time_s, 0.0)
    damped = omega * np.sqrt(1 - damping**2)
    return np.asarray(np.exp(-damping * omega * after_s) * np.sin(damped * after_s))


def tapped(record: Array, rate_hz: float) -> ChannelResonance:
    """As the command finds it."""
    cutter, tap = StrikeCutter(1, rate_hz), TapTest((LIFT,), rate_hz)
    for strike in (*cutter.push(record[None]), *cutter.finish()):
        tap.add(strike)
    (one,) = tap.results()
    return one


def shaken_records(kind: RecordKind, n: int, rng: np.random.Generator) -> Array:
    """A mode under a white force over a white floor, ``(n, n_samples)``."""
    peak = Resonance(NATURAL_HZ, 2 * kind.damping * NATURAL_HZ, 1.0)

    def density(frequency_hz: Array) -> Array:
        return peak.density(frequency_hz) + 2 * kind.floor**2 / RATE_HZ

    records = from_density(density, n, kind.seconds, rng, RATE_HZ)
    time_s = np.arange(records.shape[1]) / RATE_HZ
    return np.asarray(records + kind.hum * np.sin(2 * np.pi * 50.0 * time_s))


def spectrum_of(record: Array) -> ChannelResonance:
    """As the command finds it."""
    settings = SegmentSettings(RATE_HZ, segment_samples(len(record), RATE_HZ), retained_to_hz=0.0)
    engine = SegmentEngine(1, settings)
    engine.push(record[None])
    spectra = engine.finish()
    return ambient_modes(
        LIFT,
        spectra.frequency_hz,
        spectra.psd[0],
        spectra.effective_segments,
        RATE_HZ / 2,
        Rotation(),
    )


def print_resonance(n: int) -> None:
    """One line a kind."""
    for kind, pieces in in_pieces(resonance_coverage, KINDS, n):
        print(resonance_line(kind, pieces), flush=True)


def resonance_line(kind: TapKind | RecordKind, pieces: Sequence[Found]) -> str:
    """Figures of one kind as text."""
    whole = Found()
    for piece in pieces:
        whole.frequency.add(piece.frequency)
        whole.damping.add(piece.damping)
    parts = []
    for name, one, scale in (
        ("f_n", whole.frequency, NATURAL_HZ),
        ("damping", whole.damping, kind.damping),
    ):
        bias, spread = np.mean(one.values) / scale, np.std(one.values) / scale
        parts.append(
            f"{name} {one.percent:5.1f} % (bias {100 * bias:+.2f} %, spread {100 * spread:.2f} %)"
        )
    return f"{kind.name:26} {', '.join(parts)}, {whole.frequency.missing} missing of " + str(
        whole.frequency.total + whole.frequency.missing
    )
