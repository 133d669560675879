"""The segment engine beside scipy.signal on the same array."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segments import SegmentSettings
from tests.benchmarks.figure import Figure

Array = NDArray[np.float64]

CHANNELS = 32
RATE_HZ = 5000.0
DURATION_S = 120.0
SEGMENT_SAMPLES = 8192
LOW_HZ = 400.0  # a usual band: that of the balance and tubes, not the logger's
BLOCK_SAMPLES = 1 << 16
ROUNDS = 5
TIMED_PAIRS = 4  # of all pairs, whose time by `scipy.signal.csd` follows in proportion


def engine_figures(share: float = 1.0) -> list[Figure]:
    """Auto-spectra, some cross-spectra and all of them, against `scipy.signal`.

    `share` is that of the full record length.
    """
    n = int(DURATION_S * RATE_HZ * share)
    samples = np.random.default_rng(1).standard_normal((CHANNELS, n))
    plain = SegmentSettings(RATE_HZ, SEGMENT_SAMPLES, single_precision=True)
    low = replace(plain, retained_to_hz=LOW_HZ)
    forces = replace(low, cross_channels=tuple(range(8)))
    whole, low_whole = (replace(one, whole_matrix=True) for one in (plain, forces))
    double = [replace(one, single_precision=False) for one in (low, whole)]
    cases = (low, plain, forces, whole, low_whole, *double)
    works: list[Callable[[], object]] = [
        lambda: signal.welch(samples, RATE_HZ, "hann", SEGMENT_SAMPLES, detrend=False),
        lambda: [_csd(samples, pair) for pair in range(TIMED_PAIRS)],
        *(partial(run_engine, samples, case) for case in cases),
    ]
    rounds = [[seconds(work) for work in works] for _ in range(ROUNDS)]
    welch, csd, *own = (min(column) for column in zip(*rounds, strict=True))
    pair_by_pair = csd / TIMED_PAIRS * CHANNELS * (CHANNELS - 1) / 2
    kept = f"groups kept to {LOW_HZ:g} Hz"
    told = (
        (f"engine: auto-spectra and moments, {kept}", 8.0),
        ("engine: the same, groups kept to 2500 Hz", 8.0),
        (f"engine: with cross-spectra of 8 forces, {kept}", None),
        ("engine: with the whole matrix to 2500 Hz", 4.0),
        (f"engine: 8 forces and the whole matrix to {LOW_HZ:g} Hz", 4.0),
        ("engine in double: auto-spectra and moments, groups to 400 Hz", None),
        ("engine in double: with the whole matrix to 2500 Hz", None),
    )
    figures = [
        _times(what, goal, welch, own_s, "scipy.signal.welch")
        for (what, goal), own_s in zip(told, own, strict=True)
    ]
    matrix = "engine: the whole matrix beside csd pair by pair"
    return [*figures, _times(matrix, 150.0, pair_by_pair, own[3], "scipy.signal.csd")]


def _times(what: str, goal: float | None, reference_s: float, own_s: float, name: str) -> Figure:
    """So many times the speed of a library."""
    told = f"{own_s:.3f} s against {reference_s:.3f} s of {name}"
    return Figure(what, reference_s / own_s, "x", goal, "at least", told)


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
