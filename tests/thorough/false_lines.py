"""How often records without a line are said to have one, and how often a planted one is found."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.lines import Line, find_lines
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.tapers import TaperAccumulator, TaperSpectra, stretch_settings
from tests.thorough.false_peaks import SEGMENT_SAMPLES, SMOOTH
from tests.thorough.parallel import in_pieces
from tests.thorough.records import RATE_HZ, Resonance, from_density, switching

Array = NDArray[np.float64]
Records = Callable[[int, float, np.random.Generator], Array]

CHANNELS = 3  # a record; independent, so that each has its own chance
DURATIONS_S = (60.0, 600.0)


def smooth(name: str) -> Records:
    """Gaussian noise of a smooth density."""
    return lambda n, duration_s, rng: from_density(SMOOTH[name], n, duration_s, rng)


def peaked(natural_hz: float, quality: float) -> Records:
    """A resonance of unit variance on white noise a hundredth of that strong."""
    peak = Resonance(natural_hz, natural_hz / quality, 1.0)
    return lambda n, duration_s, rng: from_density(
        lambda f: peak.density(f) + 1e-4, n, duration_s, rng
    )


def bursts(n: int, duration_s: float, rng: np.random.Generator) -> Array:
    """White noise that comes and goes."""
    records = rng.standard_normal((n, round(duration_s * RATE_HZ)))
    for record in records:
        record *= 0.05 + switching(len(record), 10.0, 30.0, rng)
    return records


def rising(n: int, duration_s: float, rng: np.random.Generator) -> Array:
    """White noise that grows twentyfold over the record, as while the wind comes up."""
    records = rng.standard_normal((n, round(duration_s * RATE_HZ)))
    return np.asarray(records * np.exp(np.linspace(-1.5, 1.5, records.shape[1])))


LINELESS: dict[str, Records] = {
    **{name: smooth(name) for name in SMOOTH},
    "shedding, Q 6": peaked(15.0, 6.0),
    "resonance, Q 40": peaked(60.0, 40.0),
    "resonance as narrow as the peak fit resolves": peaked(12.0, 50.0),
    "bursts": bursts,
    "rising level": rising,
}


def taper_spectra(samples: Array, segment_samples: int = SEGMENT_SAMPLES) -> TaperSpectra:
    """Multitaper spectra of records as channels, as a run would have them."""
    settings = stretch_settings(
        RATE_HZ,
        segment_samples,
        samples.shape[1],
        FIRST_BIN * RATE_HZ / segment_samples,
        RATE_HZ / 2,
    )
    accumulator = TaperAccumulator(len(samples), settings)
    accumulator.push(samples)
    return accumulator.finish()


def lines_of(samples: Array) -> tuple[Line, ...]:
    """Lines of a record ``(n_channels, n)`` over its whole band."""
    return find_lines(taper_spectra(samples), np.full(len(samples), RATE_HZ / 2))


def false_lines(kind: tuple[str, float], n_records: int, seed: int = 9) -> tuple[int, int]:
    """Records in which any line is found, of how many."""
    name, duration_s = kind
    rng = np.random.default_rng([seed, list(LINELESS).index(name), round(duration_s)])
    with_line = 0
    for _ in range(n_records):
        with_line += bool(lines_of(LINELESS[name](CHANNELS, duration_s, rng)))
    return with_line, n_records


def print_false_lines(n_records: int) -> None:
    """One line a kind of record and length."""
    kinds = [(name, duration_s) for duration_s in DURATIONS_S for name in LINELESS]
    for (name, duration_s), pieces in in_pieces(false_lines, kinds, n_records):
        with_line, total = (sum(column) for column in zip(*pieces, strict=True))
        share = 100 * with_line / total
        print(f"{duration_s:3.0f} s, {name:45} a line in {share:4.1f} % of {total}", flush=True)
