"""RMS in frequency bands, on the model's or on the road's frequencies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.noise_floor import ONLY_NOISE, SignalToNoise, signal_to_noise
from buffet.road_speed import bin_shares, road_ratio
from buffet.run_analysis import NEVER_CHANGED, RunAnalysis
from buffet.spectral.reduction import FIRST_BIN, ReducedSpectra
from buffet.spectral.uncertainty import LogEstimate, half_value, log_estimate

Array = NDArray[np.float64]

BEYOND = "beyond the usable band"


@dataclass(frozen=True)
class BandRms:
    """RMS of one quantity in one band; None where the band is not usable or holds only noise."""

    low_hz: float  # model
    high_hz: float
    road_low_hz: float | None  # at the road speed asked for
    road_high_hz: float | None
    rms: Interval | None
    why: str | None  # why there is none
    noise: SignalToNoise


def band_rms(analysis: RunAnalysis, speed_m_s: float | None) -> list[tuple[BandRms, ...]]:
    """Octave bands of every quantity, wind-off noise removed; one tuple a quantity.

    Octaves of whole powers of two: of road hertz where a road speed is given and the run has a
    wind speed and a model, of the recording's own hertz elsewhere.
    """
    road = road_ratio(analysis, speed_m_s)
    ratio = 1.0 if road is None else road
    signal = analysis.signal
    lowest_hz = FIRST_BIN * signal.frequency_step_hz
    edges = octave_edges(lowest_hz * ratio, float(signal.usable_hz.max()) * ratio)
    low, high = edges[:-1] / ratio, edges[1:] / ratio
    if not len(low):
        return [() for _ in signal.quantities]

    def in_bands(spectra: ReducedSpectra) -> Array:
        step = np.array([spectra.frequency_step_hz])
        shares = bin_shares(spectra.frequency_hz[None], step, low, high)[0]
        return np.asarray(np.einsum("gqf,bf->gqb", spectra.group_psd, shares) * step[0])

    samples = analysis.quantity_samples(in_bands)
    noise = analysis.noise_samples(in_bands)
    estimates = [
        half_value(log_estimate(samples[:, i], analysis.resampling(i).blocks))
        for i in range(len(signal.quantities))
    ]
    return [
        tuple(
            _band(
                estimates[i],
                j,
                low[j],
                high[j],
                None if analysis.dead[i] else signal.usable_hz[i],
                road,
                signal_to_noise(
                    analysis, i, samples[:, i, j], None if noise is None else noise[:, i, j]
                ),
            )
            for j in range(len(low))
        )
        for i in range(len(signal.quantities))
    ]


def octave_edges(low_hz: float, high_hz: float) -> Array:
    """Powers of two from the lowest to the highest that lie in the band."""
    if not 0 < low_hz < high_hz:
        return np.empty(0)
    first, last = np.ceil(np.log2(low_hz) - 1e-9), np.floor(np.log2(high_hz) + 1e-9)
    return np.asarray(2.0 ** np.arange(first, last + 1))


def _band(
    estimate: LogEstimate,
    index: int,
    low_hz: float,
    high_hz: float,
    usable_hz: float | None,  # None: the channel never changed
    ratio: float | None,
    noise: SignalToNoise,
) -> BandRms:
    road_low = None if ratio is None else float(low_hz * ratio)
    road_high = None if ratio is None else float(high_hz * ratio)
    rms, why = None, None
    if usable_hz is None or high_hz > usable_hz * (1 + 1e-9):
        why = NEVER_CHANGED if usable_hz is None else BEYOND
        noise = SignalToNoise(None, why)
    elif not estimate.value[index] > 0:
        why = ONLY_NOISE
    else:
        rms = estimate.interval(index)
    return BandRms(float(low_hz), float(high_hz), road_low, road_high, rms, why, noise)
