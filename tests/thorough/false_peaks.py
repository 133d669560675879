"""How often noise without a peak is said to have one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.engine import SegmentEngine
from buffet.spectral.peaks import Peak, find_peaks
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.segments import SegmentSettings
from tests.thorough.parallel import in_pieces
from tests.thorough.records import RATE_HZ, from_density

Array = NDArray[np.float64]
Density = Callable[[Array], Array]

DURATION_S = 60.0
SEGMENT_SAMPLES = 500  # 2.5 s, 47 segments
AT_ONCE = 100  # records transformed together


def white(frequency_hz: Array) -> Array:
    """Unit variance up to 100 Hz."""
    return np.full(frequency_hz.shape, 0.01)


def wake(frequency_hz: Array) -> Array:
    """A shear layer's low pass with a corner at 5 Hz on a sensor's floor."""
    return 1 / (1 + (frequency_hz / 5) ** 2) + 1e-3


def inertial(frequency_hz: Array) -> Array:
    """f^-5/3 on a floor."""
    return np.maximum(frequency_hz, 0.2) ** (-5 / 3) + 0.01


SMOOTH: dict[str, Density] = {
    "white noise": white,
    "broadband wake": wake,
    "f^-5/3": inertial,
}


def false_peaks(name: str, n_records: int, seed: int = 6) -> tuple[int, int]:
    """Records in which any peak is found, of how many."""
    rng = np.random.default_rng([seed, list(SMOOTH).index(name)])
    with_peak = 0
    for start in range(0, n_records, AT_ONCE):
        n = min(AT_ONCE, n_records - start)
        records = from_density(SMOOTH[name], n, DURATION_S, rng)
        with_peak += sum(bool(peaks) for peaks in peaks_of(records))
    return with_peak, n_records


def print_false_peaks(n_records: int) -> None:
    """One line a kind of noise."""
    for name, pieces in in_pieces(false_peaks, list(SMOOTH), n_records):
        with_peak, total = (sum(column) for column in zip(*pieces, strict=True))
        share = 100 * with_peak / total
        print(f"{name:15} a peak in {share:4.1f} % of {total} records without one", flush=True)


def peaks_of(samples: Array, length: int = SEGMENT_SAMPLES) -> list[tuple[Peak, ...]]:
    """Peaks of each record."""
    engine = SegmentEngine(len(samples), SegmentSettings(RATE_HZ, length))
    engine.push(samples)
    spectra = engine.finish()
    bins = slice(FIRST_BIN, -1)  # Nyquist's own holds half a density
    return [
        find_peaks(spectra.frequency_hz[bins], psd[bins], spectra.effective_segments)
        for psd in spectra.psd
    ]
