"""How often the interval of the worst value in a driving time covers the truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from buffet.extremes.blocks import record_extremes
from buffet.extremes.gumbel import HIGH_FRACTILE, MEAN_FRACTILE
from buffet.extremes.peak_factor import SpectralShape
from tests.thorough.parallel import in_pieces
from tests.thorough.records import RATE_HZ, Resonance, from_density, switching

Array = NDArray[np.float64]

RECORD_S = 60.0
TO_HZ = 40.0
CUTOFF_HZ = 15.0
AT_ONCE = 25  # records made together
FRACTILES = (MEAN_FRACTILE, HIGH_FRACTILE)
TRUTH_RECORDS = 4000
# What is drawn for the truth has a seed of its own.
TRUTH_SEED = 1000


@dataclass(frozen=True)
class Process:
    """Gaussian noise below 15 Hz and resonances, translated to another distribution or not."""

    name: str
    white: float  # variance
    resonances: tuple[Resonance, ...] = ()
    gamma_shape: float | None = None  # of the distribution that samples are translated to
    loud_s: float = 0.0  # mean length of bursts; silent in between
    quiet_s: float = 0.0
    dwell_s: float = 0.0  # mean dwell time in each of two states
    jump: float = 0.0  # half their distance
    time_s: float = 135.0  # 10 minutes at 130 km/h of a 30 % model at 48 m/s

    def density(self, frequency_hz: Array) -> Array:
        """Of the Gaussian process, one-sided, nothing above 40 Hz."""
        low_pass = self.white / CUTOFF_HZ / (1 + (frequency_hz / CUTOFF_HZ) ** 12)
        total = low_pass + sum(one.density(frequency_hz) for one in self.resonances)
        return np.asarray(np.where(frequency_hz <= TO_HZ, total, 0.0))

    @property
    def shape(self) -> SpectralShape:
        """Of the Gaussian process."""
        grid = np.arange(0.005, TO_HZ, 0.01)
        shape = SpectralShape.of(grid, self.density(grid))
        assert shape is not None
        return shape

    def records(self, n: int, duration_s: float, rng: np.random.Generator) -> Array:
        """Samples of the Gaussian part's variance 1, ``(n, n_samples)``."""
        grid = np.arange(0.005, TO_HZ, 0.01)
        size = np.sqrt(self.density(grid).sum() * 0.01)
        samples = from_density(self.density, n, duration_s, rng) / size
        for record in samples:
            if self.quiet_s:
                record *= switching(len(record), self.loud_s, self.quiet_s, rng)
            if self.dwell_s:
                state = switching(len(record), self.dwell_s, self.dwell_s, rng)
                record += self.jump * (2 * state - 1)
        return samples if self.gamma_shape is None else _translated(samples, self.gamma_shape)


def _translated(samples: Array, shape: float) -> Array:
    """Gaussian samples to a gamma distribution of the same mean and variance."""
    return np.asarray(np.interp(samples, *_translation(shape)))


@cache
def _translation(shape: float) -> tuple[Array, Array]:
    from scipy.special import gammainccinv, ndtr

    grid = np.linspace(-9, 9, 4001)
    return grid, (gammainccinv(shape, ndtr(-grid)) - shape) / np.sqrt(shape)


PEAK_6 = (Resonance(8.0, 8.0 / 6, 0.7),)
PEAK_12 = (Resonance(8.0, 8.0 / 12, 0.7),)
WHITE = Process("white", 1.0)
SKEWED = Process("gamma 4", 1.0, gamma_shape=4.0)
PROCESSES = (
    WHITE,
    Process("peaky, Q 6", 0.3, PEAK_6),
    Process("peaky, Q 12", 0.3, PEAK_12),
    Process("peak alone, Q 12", 0.001, PEAK_12),
    SKEWED,
    Process("gamma 2", 1.0, gamma_shape=2.0),
    Process("gamma 4, peaky, Q 6", 0.3, PEAK_6, gamma_shape=4.0),
    Process("bursts", 1.0, loud_s=0.5, quiet_s=1.5),
    Process("two states, 5 s", 1.0, dwell_s=5.0, jump=1.5),
    Process("white, 10 min", 1.0, time_s=600.0),
    Process("gamma 4, 10 min", 1.0, gamma_shape=4.0, time_s=600.0),
)


@dataclass
class Coverage:
    """Counts of one process; a fractile and a tail each."""

    covered: Array  # (2, 2), of largest and smallest, by fractile
    below: Array  # the interval lies below the truth
    chances: int = 0  # intervals of the probability of going beyond the true 57 % fractile
    total: int = 0
    off: float = 0.0  # summed difference of the largest value's 57 % fractile from the truth
    half: float = 0.0  # summed half-widths of the same

    def add(self, other: Coverage) -> None:
        """Take in another's counts."""
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)


@cache
def truths(process: Process, n: int = TRUTH_RECORDS) -> Array:
    """Fractiles of the largest and smallest value in the time, ``(2, n_fractiles)``."""
    rng = np.random.default_rng(TRUTH_SEED)
    tops = []
    for start in range(0, n, AT_ONCE):
        samples = process.records(min(AT_ONCE, n - start), process.time_s, rng)
        tops.append([samples.max(axis=1), samples.min(axis=1)])
    largest, smallest = np.concatenate(tops, axis=1)
    return np.array(
        [np.quantile(largest, FRACTILES), np.quantile(smallest, 1 - np.array(FRACTILES))]
    )


def coverage(process: Process, n: int, seed: int, truth: Array | None = None) -> Coverage:
    """Of so many records of a process."""
    known = truths(process) if truth is None else truth
    rng = np.random.default_rng(seed)
    shape = process.shape
    counts = Coverage(np.zeros((2, 2)), np.zeros((2, 2)))
    for start in range(0, n, AT_ONCE):
        for samples in process.records(min(AT_ONCE, n - start), RECORD_S, rng):
            _count(counts, process, samples, shape, known)
    return counts


def _count(
    counts: Coverage, process: Process, samples: Array, shape: SpectralShape, truth: Array
) -> None:
    found = record_extremes(samples, RATE_HZ, TO_HZ, shape)
    assert not isinstance(found, str)
    counts.total += 1
    for i, tail in enumerate((found.largest, found.smallest)):
        for j, fractile in enumerate(FRACTILES):
            interval = tail.in_time(fractile, process.time_s)
            assert interval.low is not None
            assert interval.high is not None
            counts.covered[i, j] += interval.low <= truth[i, j] <= interval.high
            counts.below[i, j] += interval.high < truth[i, j]
            if i == j == 0:
                counts.off += interval.value - truth[i, j]
                counts.half += (interval.high - interval.low) / 2
    chance = found.largest.chance(float(truth[0, 0]), process.time_s)
    assert chance.low is not None
    assert chance.high is not None
    counts.chances += chance.low <= 1 - MEAN_FRACTILE <= chance.high


def print_extremes(n_records: int) -> None:
    """Simulate every process and print its figures."""
    for process, pieces in in_pieces(coverage, PROCESSES, n_records):
        print(table(process, merged(pieces)), flush=True)


def merged(pieces: Sequence[Coverage]) -> Coverage:
    """Counts of all pieces together."""
    together = Coverage(np.zeros((2, 2)), np.zeros((2, 2)))
    for one in pieces:
        together.add(one)
    return together


def table(process: Process, counts: Coverage) -> str:
    """Figures of one process as a line."""
    share, below = 100 * counts.covered / counts.total, counts.below.astype(int)
    tails = "; ".join(
        f"{name} {share[i, 0]:.1f} and {share[i, 1]:.1f} % ({below[i, 0]}, {below[i, 1]} below)"
        for i, name in enumerate(("largest", "smallest"))
    )
    return (
        f"{process.name:20} {tails}; chance {100 * counts.chances / counts.total:.1f} %; "
        f"{counts.total} records, off by {counts.off / counts.total:+.3f}, half-width "
        f"{counts.half / counts.total:.3f} RMS"
    )
