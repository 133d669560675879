"""One configuration over road speeds: every criterion's metric with its uncertainty."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.rating.bursts import burst_curve
from buffet.rating.cabin_level import cabin_curve
from buffet.rating.car_spread import DrawnCars
from buffet.rating.criteria import Criteria, Criterion, Metric
from buffet.rating.felt import Felt, felt
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.motion_metrics import motion_curve
from buffet.rating.motions import LATERAL, RIDE, ROLL, Family, MotionName
from buffet.rating.pool import Pool, without
from buffet.rating.ride_metrics import RideSetting
from buffet.rating.seat_scatter import VERTICAL_BAND_HZ
from buffet.rating.state_change import state_change_curve
from buffet.rating.yaw_mix import YawMix
from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import COMPONENTS
from buffet.spectral.uncertainty import LogEstimate, Unseen
from buffet.switching.force_states import ConfigurationStates

Array = NDArray[np.float64]

# How each metric of the criteria is found.
METRICS: dict[Metric, Callable[[Pool, Criterion], MetricCurve]] = {
    "seat-over-road": motion_curve,
    "seat-burst-over-road": burst_curve,
    "seat-weighted": motion_curve,
    "seat-lateral": motion_curve,
    "yaw-rate": motion_curve,
    "rear-axle-load": motion_curve,
    "seat-after-state-change": state_change_curve,
    "cabin-level": cabin_curve,
}
# Told beside the criteria, never decisive: typical values of the torque lie below what is felt.
REPORTED: dict[MotionName, tuple[float, float]] = {"steering torque": (0.5, 10.0)}  # road hertz


@dataclass(frozen=True)
class ConfigurationCurves:
    """All criteria of one configuration over the road speeds of `setting`."""

    name: str
    runs: tuple[RunAnalysis, ...]
    setting: RideSetting
    band_hz: tuple[Array, Array]  # usable road band of the vertical motion, each (n_speeds,)
    seat: LogEstimate | None  # Wk-weighted seat acceleration, m/s²
    metrics: tuple[MetricCurve, ...]
    missing: tuple[str, ...]  # components that were not measured in every run
    reported: Mapping[MotionName, LogEstimate | str]  # (n_speeds,) each; or why it is not told
    felt: Felt | None  # at the rated speed; None where upright motion is not told
    mix: YawMix  # of the runs by the wind
    states: ConfigurationStates | None = None  # of the wake; None where no samples were kept


def configuration_curves(
    name: str,
    runs: Sequence[RunAnalysis],
    setting: RideSetting,
    criteria: Criteria,
    unseen: Mapping[Family, Sequence[Unseen]],
    drawn: DrawnCars | None = None,
    states: ConfigurationStates | None = None,
    rated_m_s: float | None = None,
) -> ConfigurationCurves:
    """Evaluate every criterion of one configuration at all road speeds.

    Parameters
    ----------
    unseen : what the runs' own scatter leaves out of the logarithm of a pooled variance
    drawn : the car as its spread lets it be
    states : those of the wake, where samples were kept
    rated_m_s : the one of the road speeds at which all that is felt is told
    """
    told = tuple(word for word in COMPONENTS if not without(word, runs))
    pool = Pool(tuple(runs), setting, told, unseen, drawn, states)
    wind = pool.mix.covered
    curves = tuple(METRICS[row.metric](pool, row).within(wind) for row in criteria.rows)
    seat = pool.band("seat z", VERTICAL_BAND_HZ) if pool.why_not("seat z") is None else None
    missing = tuple(word for word in (*RIDE, *LATERAL, *ROLL) if word not in told)
    band = pool.motion("seat z").band_hz.union_hz
    reported = {motion: _reported(pool, motion) for motion in REPORTED}
    return ConfigurationCurves(
        name,
        tuple(runs),
        setting,
        band,
        seat,
        curves,
        missing,
        reported,
        None if rated_m_s is None else felt(pool, rated_m_s),
        pool.mix,
        states,
    )


def _reported(pool: Pool, name: MotionName) -> LogEstimate | str:
    """What is told beside the criteria, or why it is not."""
    why = pool.why_not(name)
    return why if why is not None else pool.band(name, REPORTED[name], with_car=False)
