"""The criterion of the pressure in an open cabin: its G-weighted level on the road."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis
from buffet.cabin.g_weighting import g_weighting
from buffet.cabin.run_pressure import (
    NO_CHANNEL,
    cabin_channels,
    has_cabin_channel,
    mean_square_samples,
    usable_band_hz,
)
from buffet.cabin.similarity import (
    MACH_TOLERANCE,
    NOT_AIR,
    alike_mach,
    same_mach_m_s,
    volume_problem,
)
from buffet.rating.calibration import CALIBRATION
from buffet.rating.criteria import Criterion
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.pool import Pool
from buffet.rating.scatter import Observation, Scatter, log_observation, scatter
from buffet.road_speed import FullScale, RoadBand, bin_shares, frequency_ratio
from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import ReducedSpectra
from buffet.spectral.uncertainty import Unseen, half_value, log_estimate

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Road band by which repeats are held against each other.
SCATTER_BAND_HZ = (1.0, 20.0)
NO_CABIN = (
    "the car's sheet states no [cabin]: what is open, and on what volume, is not known; state "
    "volume and opening there"
)


def cabin_curve(pool: Pool, row: Criterion) -> MetricCurve:
    """G-weighted r.m.s. pressure in the row's band, Pa, by the runs of the road's Mach number.

    The pressure coefficient keeps its spectrum over the Strouhal number (p = C_p q of the road),
    but its resonance does so only where the Mach number, too, is the road's: at each road speed
    the runs whose own is alike count, and elsewhere nothing is told. In wind runs at all yaw angles
    count alike.

    References
    ----------
    ISO 7196:1995, see `g_weighting`.
    """
    speeds = pool.setting.speeds_m_s
    runs = tuple(run for run in pool.runs if cabin_channels(run))
    alike = np.array([alike_mach(run, speeds) for run in runs]).reshape(len(runs), len(speeds))
    if (why := _why_not(pool, runs, alike)) is not None:
        return MetricCurve(row, None, why, np.zeros(len(speeds), bool))
    carried = [
        _Carried(run, cabin_channels(run), pool.setting.full_scale, speeds, row.band_hz)
        for run in runs
    ]
    band = _road_band(carried, alike)
    low, high = band.union_hz
    told = alike.any(axis=0)
    found = np.sum([one.samples(band, i) for i, one in enumerate(carried)], axis=0)
    samples = np.where(told, found, np.nan)
    blocks = float((np.array([one.blocks for one in carried]) @ alike)[told].min())
    unseen = (*_unseen(pool, alike), *_calibration(carried[0]))
    return MetricCurve(
        row,
        half_value(log_estimate(samples, blocks, unseen)),
        None,
        told & (low <= row.band_hz[0]) & (high >= row.band_hz[1]),
        unseen=unseen,
        why_untold=_no_mach(runs, "at this speed"),
    )


@dataclass(frozen=True)
class _Carried:
    """One run's pressure in the cabin, carried to road speeds whatever its Mach number."""

    run: RunAnalysis
    channels: tuple[int, ...]
    whole: FullScale
    speeds_m_s: Array  # (n_speeds,)
    band_hz: tuple[float, float]  # of the road

    @property
    def blocks(self) -> float:
        return self.run.resampling(self.channels[0]).blocks

    @property
    def reach_hz(self) -> Array:
        """Road frequencies that the run lets through, ``(2, n_speeds)``."""
        ends = np.array(usable_band_hz(self.run, self.channels))
        return np.asarray(ends[:, None] * frequency_ratio(self.run, self.speeds_m_s))

    def samples(self, band: RoadBand, position: int) -> Array:
        """Bootstrap samples of the G-weighted mean square, Pa², ``(1 + n_resamples, n_speeds)``."""
        pressure_pa = np.asarray(self.whole.dynamic_pressure_pa(self.speeds_m_s))[:, None]
        edges = [np.array([edge]) for edge in self.band_hz]
        ratio = frequency_ratio(self.run, self.speeds_m_s)

        def weights(spectra: ReducedSpectra) -> Array:
            road_hz = spectra.frequency_hz * ratio[:, None]
            shares = bin_shares(road_hz, spectra.frequency_step_hz * ratio, *edges)[:, 0]
            gain = np.abs(pressure_pa * g_weighting(road_hz)) ** 2
            return np.asarray(shares * band.share(position, road_hz) * gain)

        return mean_square_samples(self.run, self.channels, weights)


def _why_not(pool: Pool, runs: Sequence[RunAnalysis], alike: Bools) -> str | None:
    """Why the level is known at no road speed, and what to do; None where it is at some."""
    if not runs:
        dead = [run.run.number for run in pool.runs if has_cabin_channel(run)]
        return (
            f"the cabin's pressure never changed in run {', '.join(dead)}" if dead else NO_CHANNEL
        )
    cabin = pool.setting.vehicle.cabin
    if cabin is None:
        return NO_CABIN
    model = runs[0].model
    if model is not None and (problem := volume_problem(model, cabin)) is not None:
        return problem
    return None if alike.any() else _no_mach(runs, "at any speed looked at")


def _no_mach(runs: Sequence[RunAnalysis], where: str) -> str:
    known = [speed for run in runs if (speed := same_mach_m_s(run)) is not None]
    if not known:
        return NOT_AIR
    own = ", ".join(dict.fromkeys(f"{speed * 3.6:.0f}" for speed in sorted(known)))
    return (
        f"the cabin's pressure cannot be carried there: no run has the road's Mach number {where}, "
        f"to {MACH_TOLERANCE * 100:.0f} % (theirs are those of {own} km/h): "
        "let the wind be as fast as the road speed"
    )


def _road_band(carried: Sequence[_Carried], alike: Bools) -> RoadBand:
    """Road frequencies that the runs let through where they count, and none elsewhere."""
    low, high = np.array([one.reach_hz for one in carried]).transpose(1, 0, 2)
    return RoadBand(
        np.where(alike, low, np.inf),
        np.where(alike, high, 0.0),
        (0,) * len(carried),
        np.ones((1, alike.shape[1])),
    )


def _unseen(pool: Pool, alike: Bools) -> tuple[Unseen, ...]:
    """From run to run, by the runs that count at each road speed."""
    more = len(pool.runs) / np.maximum(alike.sum(axis=0), 1)
    return tuple(
        replace(one, variance=one.variance * more, observed=one.observed * more)
        for one in pool.unseen.get("cabin", ())
    )


def _calibration(carried: _Carried) -> tuple[Unseen, ...]:
    """Of a mean square that goes with the gains' mean and the inverse of the dynamic pressure."""
    stated = [carried.run.run.channels[i].gain_uncertainty or 0.0 for i in carried.channels]
    gains = np.array(stated) / len(stated)
    pressure = carried.run.run.air.dynamic_pressure_uncertainty or 0.0
    variance = 4 * float(gains @ gains + pressure**2)
    return (Unseen(variance, source=CALIBRATION),) if variance else ()


def cabin_scatter(analysis: CampaignAnalysis, whole: FullScale, speed_m_s: float) -> Scatter:
    """Scatter of the cabin's level from run to run, carried to one road speed.

    Runs at other wind speeds have another Mach number and do not count, so that what lies between
    wind speeds is no part of it.
    """
    observe = partial(_log_mean_square, whole=whole, speed_m_s=speed_m_s)
    return replace(scatter(analysis, observe), over_speed={})


def _log_mean_square(run: RunAnalysis, whole: FullScale, speed_m_s: float) -> Observation | None:
    channels = cabin_channels(run)
    if not channels:
        return None
    own = _Carried(run, channels, whole, np.array([speed_m_s]), SCATTER_BAND_HZ)
    samples = own.samples(_road_band([own], np.ones((1, 1), bool)), 0)
    return log_observation(samples[:, 0], own.blocks)
