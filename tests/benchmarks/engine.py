"""The segment engine beside scipy.signal on the same array."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segments import SegmentSettings

Array = NDArray[np.float64]

CHANNELS = 32
RATE_HZ = 5000.0
DURATION_S = 120.0
SEGMENT_SAMPLES = 8192
BLOCK_SAMPLES = 1 << 16
ROUNDS = 5
TIMED_PAIRS = 4  # of all pairs, whose time by `scipy.signal.csd` follows in proportion


@dataclass(frozen=True)
class Figure:
    """One line of the table."""

    what: str
    goal: float  # times the speed of the reference
    reference_s: float
    own_s: float

    def __str__(self) -> str:
        ratio = self.reference_s / self.own_s
        return (
            f"{self.what:58} goal {self.goal:5.1f} x, found {ratio:5.2f} x "
            f"({self.own_s:.3f} s against {self.reference_s:.3f} s)"
        )


def engine_figures(share: float = 1.0) -> list[Figure]:
    """Auto-spectra, some cross-spectra and all of them, against `scipy.signal`.

    `share` is that of the full record length.
    """
    n = int(DURATION_S * RATE_HZ * share)
    samples = np.random.default_rng(1).standard_normal((CHANNELS, n))
    plain = SegmentSettings(RATE_HZ, SEGMENT_SAMPLES)
    forces = SegmentSettings(RATE_HZ, SEGMENT_SAMPLES, tuple(range(8)), 400.0)
    works: tuple[Callable[[], object], ...] = (
        lambda: signal.welch(samples, RATE_HZ, "hann", SEGMENT_SAMPLES, detrend=False),
        lambda: [_csd(samples, pair) for pair in range(TIMED_PAIRS)],
        lambda: run_engine(samples, plain),
        lambda: run_engine(samples, forces),
        lambda: run_engine(samples, replace(plain, whole_matrix=True)),
        lambda: run_engine(samples, replace(forces, whole_matrix=True)),
    )
    rounds = [[seconds(work) for work in works] for _ in range(ROUNDS)]
    welch, csd, autos, crosses, whole, low = (min(column) for column in zip(*rounds, strict=True))
    pair_by_pair = csd / TIMED_PAIRS * CHANNELS * (CHANNELS - 1) / 2
    return [
        Figure("all auto-spectra and moments, groups kept to 2500 Hz", 8.0, welch, autos),
        Figure("cross-spectra of 8 force channels, groups to 400 Hz", 4.0, welch, crosses),
        Figure("the whole matrix to 2500 Hz", 4.0, welch, whole),
        Figure("the same beside csd pair by pair", 150.0, pair_by_pair, whole),
        Figure("8 force channels and the whole matrix to 400 Hz", 4.0, welch, low),
    ]


def _csd(samples: Array, pair: int) -> object:
    first, second = samples[pair], samples[pair + 1]
    return signal.csd(first, second, RATE_HZ, "hann", SEGMENT_SAMPLES, detrend=False)


def run_engine(samples: Array, settings: SegmentSettings) -> None:
    """One pass of the engine over samples in memory."""
    engine = SegmentEngine(CHANNELS, settings)
    for start in range(0, samples.shape[1], BLOCK_SAMPLES):
        engine.push(samples[:, start : start + BLOCK_SAMPLES])
    engine.finish()


def seconds(work: Callable[[], object]) -> float:
    """Time that a piece of work takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start
