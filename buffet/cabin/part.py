"""The cabin's pressure in one run: levels of one-third octaves, overall and G-weighted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.cabin.g_weighting import g_weighting
from buffet.cabin.levels import level_interval
from buffet.cabin.run_pressure import (
    NO_CHANNEL,
    cabin_channels,
    has_cabin_channel,
    mean_square_samples,
    usable_band_hz,
)
from buffet.cabin.similarity import alike_mach, same_mach_m_s, volume_problem
from buffet.cabin.third_octaves import HALF_BAND, ThirdOctave, third_octaves
from buffet.interval import Interval
from buffet.parts import Absent, PartSettings
from buffet.road_speed import NO_ROAD, FullScale, bin_shares, road_ratio
from buffet.run_analysis import NEVER_CHANGED, NO_WIND, RunAnalysis
from buffet.run_spectra import RunResult
from buffet.spectral.reduction import ReducedSpectra
from buffet.spectral.uncertainty import half_value, log_estimate
from buffet.spectral.window import HANN_NOISE_BANDWIDTH_BINS

Array = NDArray[np.float64]

MODELS_HERTZ = (
    "its frequencies are a model's, which nobody hears; a road speed makes them the car's"
)
NOT_STATED = "what is open, and on what volume, no [cabin] of the car's sheet states"
# What the G-weighting is for (ISO 7196:1995, clause 1, from memory).
G_BAND_HZ = (1.0, 20.0)


@dataclass(frozen=True)
class LevelSpectrum:
    """One channel's levels, dB re 20 µPa; None where nothing is left above the wind-off noise."""

    bands: tuple[tuple[ThirdOctave, Interval | None], ...]
    overall: Interval | None  # in the usable band
    g_weighted: Interval | None  # in the usable band
    g_why: str | None  # why there is no G-weighted level
    usable_hz: tuple[float, float]
    resolution_hz: float  # noise bandwidth of a bin

    @property
    def g_is_whole(self) -> bool:
        """Whether the usable band holds what the weighting is for."""
        return self.usable_hz[0] <= G_BAND_HZ[0] and self.usable_hz[1] >= G_BAND_HZ[1]


@dataclass(frozen=True)
class ChannelLevels:
    """One channel in the tunnel and on the road."""

    name: str
    measured: LevelSpectrum  # at the recording's own frequencies and pressures
    road: LevelSpectrum | None  # of the full-size car


@dataclass(frozen=True)
class CabinLevels:
    """All channels of a run."""

    channels: tuple[ChannelLevels, ...]
    dead: tuple[str, ...]  # channels that never changed
    road_speed_m_s: float | None
    road_why: str | None  # why there are no levels of the road
    unlike: tuple[str, ...]  # what is not as on the road, where there are such levels


def of_run(result: RunResult, settings: PartSettings) -> CabinLevels | Absent:
    """Of a run with a channel of the cabin's pressure."""
    run = result.analysis
    if not has_cabin_channel(run):
        return Absent(NO_CHANNEL)
    living = cabin_channels(run)
    if not living:
        return Absent(NEVER_CHANGED)
    quantities = run.signal.quantities
    if run.flow is None and any(quantities[i].unit == "1" for i in living):
        return Absent(f"it is a coefficient, and {NO_WIND}")
    speed = settings.road_speed_m_s
    ratio = road_ratio(run, speed)
    channels = [_channel(run, i, speed if ratio is not None else None, ratio) for i in living]
    told = [quantities[i].name for i in living]
    return CabinLevels(
        tuple(channels),
        tuple(q.name for q in quantities if q.measures == "cabin pressure" and q.name not in told),
        None if ratio is None else speed,
        NO_ROAD if ratio is None else None,
        () if ratio is None or speed is None else _unlike(run, speed, settings),
    )


def _unlike(run: RunAnalysis, speed_m_s: float, settings: PartSettings) -> tuple[str, ...]:
    found = []
    own = same_mach_m_s(run)
    if own is None:
        found.append("the fluid is no air, and its Mach number not the road's")
    elif not alike_mach(run, speed_m_s):
        found.append(f"the run's Mach number is the road's at {own * 3.6:.0f} km/h")
    model = run.model
    if model is None or model.scale == 1.0:
        return tuple(found)
    if settings.cabin is None:
        return (*found, NOT_STATED)
    problem = volume_problem(model, settings.cabin)
    return (*found, problem) if problem else tuple(found)


def _channel(
    run: RunAnalysis, index: int, speed_m_s: float | None, ratio: float | None
) -> ChannelLevels:
    flow, model = run.flow, run.model
    whole = model is None or model.scale == 1.0
    own_pa = 1.0 if flow is None else flow.dynamic_pressure_pa
    measured = _spectrum(run, index, 1.0, own_pa, None if whole else MODELS_HERTZ)
    road = None
    if ratio is not None and speed_m_s is not None and model is not None:
        road_pa = float(FullScale.of(model).dynamic_pressure_pa(speed_m_s))
        road = _spectrum(run, index, ratio, road_pa, None)
    return ChannelLevels(run.signal.quantities[index].name, measured, road)


def _spectrum(
    run: RunAnalysis, index: int, ratio: float, pressure_pa: float, g_why: str | None
) -> LevelSpectrum:
    """Levels at `ratio` times the run's frequencies, of `pressure_pa` times the quantity."""
    low, high = (ratio * end for end in usable_band_hz(run, (index,)))
    resolution = HANN_NOISE_BANDWIDTH_BINS * run.signal.frequency_step_hz * ratio
    bands = _bands(low, high, resolution)
    edges = np.array([*((band.low_hz, band.high_hz) for band in bands), (low, high)])

    def weights(spectra: ReducedSpectra) -> Array:
        road_hz = spectra.frequency_hz * ratio
        step_hz = np.array([spectra.frequency_step_hz * ratio])
        shares = bin_shares(road_hz[None], step_hz, edges[:, 0], edges[:, 1])[0]
        rows = np.vstack([shares, shares[-1] * np.abs(g_weighting(road_hz)) ** 2])
        return np.asarray(rows * pressure_pa**2)

    samples = mean_square_samples(run, (index,), weights)
    rms = half_value(log_estimate(samples, run.resampling(index).blocks))
    levels = [
        level_interval(rms.interval(i)) if rms.value[i] > 0 else None for i in range(len(rms.value))
    ]
    told = tuple(zip(bands, levels, strict=False))
    g_weighted = None if g_why else levels[-1]
    return LevelSpectrum(told, levels[-2], g_weighted, g_why, (low, high), resolution)


def _bands(low_hz: float, high_hz: float, resolution_hz: float) -> Sequence[ThirdOctave]:
    """Those in the usable band that are no narrower than the resolution."""
    width = HALF_BAND - 1 / HALF_BAND  # of a band, in its mid-band frequency
    first, last = max(low_hz * HALF_BAND, resolution_hz / width), high_hz / HALF_BAND
    if last <= first:
        return ()
    try:
        every = third_octaves(first, last)
    except ValueError:  # no band between them
        return ()
    inside = [band for band in every if band.low_hz >= low_hz and band.high_hz <= high_hz]
    return [band for band in inside if band.high_hz - band.low_hz >= resolution_hz]
