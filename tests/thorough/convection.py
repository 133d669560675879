"""Coverage of convection speeds: rows of taps over which frozen turbulence travels and decays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.engine import SegmentEngine
from buffet.spectral.plane_wave import slowness
from buffet.spectral.segments import SegmentSettings
from tests.buffet.tap_campaign import RATE_HZ, travelling

__all__ = ["KINDS", "covered", "print_convection", "row_matrix", "travelling"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

SEGMENT_SAMPLES = 500
TO_HZ = 60.0
WIND_M_S = 40.0
NORMAL_95 = 1.96


@dataclass(frozen=True)
class RowKind:
    """One kind of row and record."""

    name: str
    taps: int
    length_m: float
    speed_m_s: float
    decay: float
    own_noise: float  # of each tap alone, over the travelling RMS
    seconds: float


KINDS = (
    RowKind("5 taps, 30 s", 5, 0.2, 28.0, 0.3, 0.2, 30.0),
    RowKind("2 taps, 30 s", 2, 0.05, 28.0, 0.3, 0.2, 30.0),
    RowKind("8 taps, 30 s", 8, 0.4, 28.0, 0.3, 0.2, 30.0),
    RowKind("5 taps, 10 s", 5, 0.2, 28.0, 0.3, 0.2, 10.0),
    RowKind("3 taps, hardly coherent", 3, 0.3, 28.0, 1.0, 0.2, 30.0),
    RowKind("5 taps, upstream, little noise", 5, 0.2, -20.0, 0.1, 0.02, 30.0),
)


def row_matrix(samples: Array, to_hz: float = TO_HZ) -> tuple[Complex, Array, float]:
    """Cross-spectra ``(n_bins, n_taps, n_taps)``, their frequencies and averages."""
    settings = SegmentSettings(RATE_HZ, SEGMENT_SAMPLES, workers=1, whole_matrix=True)
    engine = SegmentEngine(len(samples), settings)
    engine.push(samples)
    spectra = engine.finish()
    bins = slice(2, int(np.searchsorted(spectra.frequency_hz, to_hz)))
    return spectra.matrix(bins), spectra.frequency_hz[bins], spectra.effective_segments


def covered(kind: RowKind, records: int, rng: np.random.Generator) -> float:
    """Share of 95 % intervals that hold the planted slowness."""
    places = np.linspace(0.0, kind.length_m, kind.taps)
    hits = 0
    for _ in range(records):
        n = round(kind.seconds * RATE_HZ)
        samples = travelling(places, kind.speed_m_s, kind.decay, n, rng)
        samples = samples + kind.own_noise * rng.standard_normal(samples.shape)
        matrix, frequency_hz, averages = row_matrix(samples)
        found = slowness(matrix, frequency_hz, places, averages, 10 / WIND_M_S)
        if found is not None:
            off = abs(found.value_s_m - 1 / kind.speed_m_s)
            hits += off < NORMAL_95 * found.deviation_s_m
    return hits / records


def print_convection(records: int) -> None:
    """One line a kind."""
    for kind in KINDS:
        share = covered(kind, records, np.random.default_rng(1))
        print(f"{kind.name}: {share:.1%} of {records} intervals of 95 % hold the speed", flush=True)
