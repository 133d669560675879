"""Campaigns made of simulated records, as `analyse` would give them but without files."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis
from buffet.run_analysis import VERTICAL_FAMILY, NoiseFloor, RunAnalysis
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.reduction import ReducedSpectra, reduce
from buffet.spectral.segments import SegmentSettings
from buffet.spectral.uncertainty import resample, run_seed
from ingest import Channel, FlowState, Model, Quantity, RigResponse, StatedAir
from tests.thorough.records import MEAN, RATE_HZ, Kind

Array = NDArray[np.float64]

DURATION_S = 60.0
ZERO_S = 20.0  # of a wind-off run
SEGMENT_SAMPLES = 500  # 2.5 s, 47 segments
WORD = "lift"
MODEL = Model(scale=0.3, frontal_area_m2=0.194, wheelbase_m=0.775, strouhal_length_m=0.435)
FLOW = FlowState(40.0, 960.0, 1.2, 1.8e-5, None)


@dataclass(frozen=True)
class CampaignKind:
    """How each of two configurations, a and b, is run."""

    name: str
    record: Kind
    repeats: int = 1
    scatter: float = 0.0  # from run to run, relative, of the RMS and of the mean
    noise: float = 0.0  # RMS without wind
    others: int = 0  # further configurations, run as often, that tell the scatter too
    change: float = 0.0  # relative, of the RMS of b against all others


def campaigns(kind: CampaignKind, n: int, rng: np.random.Generator) -> list[CampaignAnalysis]:
    """Campaigns of configurations a, b and others that are alike."""
    names = "abcdef"[: 2 + kind.others]
    labels = [name for name in names for _ in range(kind.repeats)]
    records = _scattered(kind, kind.record.records(n * len(labels), DURATION_S, rng), rng)
    records[np.array(labels * n) == "b"] *= 1 + kind.change
    noise = rng.normal(0, kind.noise, (2, len(names) * n, records.shape[1]))
    zeros = noise[0][:, : round(ZERO_S * RATE_HZ)] if kind.noise else None
    if kind.noise:
        records += rng.normal(0, kind.noise, records.shape)
    signals = spectra_of(records)
    floors = [] if zeros is None else spectra_of(zeros)
    found = []
    for i in range(n):
        runs = []
        for position, label in enumerate(labels):
            at = i * len(labels) + position
            zero = i * len(names) + names.index(label)
            floor = floors[zero] if floors else None
            runs.append(as_run(str(at), label, signals[at], floor, f"zero {zero}", rng))
        found.append(CampaignAnalysis(cast(Any, None), tuple(runs), (), ()))
    return found


def _scattered(kind: CampaignKind, records: Array, rng: np.random.Generator) -> Array:
    """Mean and fluctuation of each record off by a factor of its own."""
    mean, size = 1 + kind.scatter * rng.standard_normal((2, len(records), 1))
    return np.asarray(MEAN * mean + (records - MEAN) * size)


def spectra_of(records: Array, segment_samples: int = SEGMENT_SAMPLES) -> list[ReducedSpectra]:
    """Each record as the lift of a run."""
    n = len(records)
    channels = [Channel(f"record {i}", i, "other", "V", 1.0) for i in range(n)]
    rows = np.eye(n)
    quantities = [Quantity(WORD, WORD, "1", rows[i]) for i in range(n)]
    engine = SegmentEngine(n, SegmentSettings(RATE_HZ, segment_samples))
    engine.push(records)
    together = reduce(engine.finish(), channels, quantities, RigResponse(RATE_HZ))
    return [_only(together, i) for i in range(n)]


def _only(spectra: ReducedSpectra, index: int) -> ReducedSpectra:
    one = slice(index, index + 1)
    return replace(
        spectra,
        quantities=(Quantity(WORD, WORD, "1", np.ones(1)),),
        components=(WORD,),
        usable_hz=spectra.usable_hz[one],
        group_psd=spectra.group_psd[:, one],
        group_matrix=spectra.group_psd[:, index, :, None, None].astype(complex),
        mean=spectra.mean[one],
        group_mean=spectra.group_mean[:, one],
        below_resolution=spectra.below_resolution[one],
        gain=spectra.gain[one],
    )


def as_run(
    number: str,
    configuration: str,
    signal: ReducedSpectra,
    floor: ReducedSpectra | None,
    zero: str,
    rng: np.random.Generator,
) -> RunAnalysis:
    """Only what comparing and rating ask for is there."""
    if floor is not None:
        signal = replace(signal, mean=signal.mean - floor.mean)
    run = SimpleNamespace(
        number=number,
        configuration=configuration,
        yaw_rad=0.0,
        channels=(Channel(WORD, WORD, "lift", "1", 1.0),),
        kind="wind-on",
        air=StatedAir(),
    )
    resampling = resample(signal.group_segments, signal.group_totals(), rng)
    noise: tuple[NoiseFloor, ...] = ()
    if floor is not None:
        own = resample(floor.group_segments, floor.group_totals(), run_seed(zero))
        noise = (NoiseFloor(zero, floor, own),)
    return RunAnalysis(
        cast(Any, run),
        MODEL,
        FLOW,
        RATE_HZ,
        SEGMENT_SAMPLES / RATE_HZ,
        47,
        0.0,
        cast(Any, None),
        signal,
        noise,
        {VERTICAL_FAMILY: resampling},
        (),
        cast(Any, None),
        RigResponse(RATE_HZ),
    )
