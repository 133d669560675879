"""Signal over wind-off noise, as a ratio of variances in decibels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.run_analysis import NO_WIND, RunAnalysis
from buffet.spectral.uncertainty import log_estimate

Array = NDArray[np.float64]

NO_WIND_OFF = "no wind-off run is named whose noise can be taken out"
SILENT = "the wind-off run is silent here"
ONLY_NOISE = "nothing rises above the wind-off noise"


@dataclass(frozen=True)
class SignalToNoise:
    """Variance of the signal, noise taken out, over that of the wind-off noise, in one band."""

    decibels: Interval | None  # `low` is None where the signal may be nothing
    why: str | None  # why there is none
    # Standard deviation of the noise's variance, known from a record of its own, over the signal's.
    noise_scatter: float | None = None


def signal_to_noise(
    run: RunAnalysis, quantity: int, signal: Array, noise: Array | None
) -> SignalToNoise:
    """Of one quantity, from bootstrap samples ``(1 + n_resamples,)``, row 0 as measured.

    `signal` has the noise taken out, resample by resample: the ratio is of the same resamples.
    The degrees of freedom are those of the record with fewer blocks, mostly the wind-off one.
    """
    if run.run.kind == "wind-off":
        return SignalToNoise(None, NO_WIND)
    if noise is None:
        return SignalToNoise(None, NO_WIND_OFF)
    if not (noise > 0).all():
        return SignalToNoise(None, SILENT)
    if not signal[0] > 0:
        return SignalToNoise(None, ONLY_NOISE)
    of_noise = sum(floor.resampling.blocks for floor in run.noise)
    estimate = log_estimate(signal / noise, min(of_noise, run.resampling(quantity).blocks))
    scatter = float(noise[1:].std(ddof=1) / signal[0])
    return SignalToNoise(_decibels(estimate.interval()), None, scatter)


def _decibels(ratio: Interval) -> Interval:
    value, low, high = (_of(part) for part in (ratio.value, ratio.low, ratio.high))
    assert value is not None
    return Interval(value, low, high, ratio.level)


def _of(ratio: float | None) -> float | None:
    return 10 * math.log10(ratio) if ratio is not None and ratio > 0 else None
