"""The whole of `spectra` on one recording, as a multiple of the segment engine's own time."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import analyse
from buffet.one_pass import AnalysisSettings
from buffet.parts import PartSettings
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import run_result
from buffet.spectra_parts import PARTS, keeps
from buffet.spectral.segments import SegmentSettings
from ingest import Campaign, open_campaign
from tests.benchmarks.campaigns import FORCES, NATURAL_HZ, QUALITY, write_sheets
from tests.benchmarks.engine import (
    CHANNELS,
    DURATION_S,
    RATE_HZ,
    SEGMENT_SAMPLES,
    run_engine,
    seconds,
)
from tests.benchmarks.figure import Figure
from tests.benchmarks.library_files import write_hdf5
from tests.thorough.records import Resonance, from_density

Array = NDArray[np.float64]

ROUNDS = 3
GOAL = 10.0  # times the engine's own time, without time structure


def _multiple(what: str, own_s: float, engine_s: float, goal: float | None = None) -> Figure:
    """So many times the engine's own time."""
    told = f"{own_s:.2f} s, the engine {engine_s:.3f} s"
    return Figure(f"spectra: {what}, over the engine", own_s / engine_s, "x", goal, "at most", told)


def spectra_figures(share: float = 1.0) -> list[Figure]:
    """Reading and the pass, peaks and intervals, and each part, on six forces and 26 taps."""
    samples = _samples(int(DURATION_S * RATE_HZ * share))
    cut = SegmentSettings(
        RATE_HZ, SEGMENT_SAMPLES, tuple(range(len(FORCES))), 400.0, single_precision=True
    )
    engine_s = min(seconds(lambda: run_engine(samples, cut)) for _ in range(ROUNDS))
    with tempfile.TemporaryDirectory() as first, tempfile.TemporaryDirectory() as folder:
        # what is loaded at a first use belongs to the start-up
        run_result(_passed(_campaign(Path(first), samples[:, : 3 * SEGMENT_SAMPLES]), ())[1])
        return _figures(_campaign(Path(folder), samples), engine_s)


def _figures(campaign: Campaign, engine_s: float) -> list[Figure]:
    rounds = [_passed(campaign, ()) for _ in range(ROUNDS)]
    plain_s = min(taken for taken, _ in rounds)
    peaks_s = min(seconds(lambda r=run: run_result(r)) for _, run in rounds)
    words = [part.word for part in PARTS]
    every_s, kept = _passed(campaign, words)
    result = run_result(kept)
    parts = [(part, seconds(lambda p=part: p.of_run(result, PartSettings()))) for part in PARTS]
    return [
        _multiple("reading and the pass", plain_s, engine_s),
        _multiple("peaks and intervals", peaks_s, engine_s),
        _multiple("both, without time structure", plain_s + peaks_s, engine_s, GOAL),
        _multiple("the pass with all that parts need", every_s, engine_s),
        *(_multiple(part.word, own_s, engine_s) for part, own_s in parts),
    ]


def _passed(campaign: Campaign, words: Sequence[str]) -> tuple[float, RunAnalysis]:
    """One pass with what these parts need; none for no words."""
    settings = AnalysisSettings(
        RATE_HZ / SEGMENT_SAMPLES, keeps=keeps(words) if words else frozenset()
    )
    runs: list[RunAnalysis] = []
    taken = seconds(lambda: runs.extend(analyse(campaign, settings=settings).runs))
    return taken, runs[0]


def _samples(n: int) -> Array:
    """Shedding in every channel, stronger in some, and each one's own noise."""
    rng = np.random.default_rng(1)
    peak = Resonance(NATURAL_HZ, NATURAL_HZ / QUALITY, 1.0)
    shed = from_density(peak.density, 1, n / RATE_HZ, rng, RATE_HZ)[0]
    share = np.linspace(0.5, 2.0, CHANNELS)[:, None]
    return np.asarray(share * shed + rng.standard_normal((CHANNELS, len(shed))))


def _campaign(folder: Path, samples: Array) -> Campaign:
    write_hdf5(folder / "1.h5", samples.T)
    write_sheets(folder, "1.h5", [f"p{i:02d}" for i in range(CHANNELS)], RATE_HZ)
    return open_campaign(folder)
