"""How far repeats lie apart in what the driver would feel of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from buffet.analysis import CampaignAnalysis
from buffet.rating.cabin_level import cabin_scatter
from buffet.rating.motions import MOTIONS, Family, MotionName
from buffet.rating.ride_metrics import RideSetting, RunMotion
from buffet.rating.scatter import (
    Observation,
    Scatter,
    by_component,
    log_observation,
    log_variance,
    scatter,
)
from buffet.road_speed import RoadBand
from buffet.run_analysis import RunAnalysis

# Band of the seat's weighted acceleration, road hertz, up and down and from side to side.
VERTICAL_BAND_HZ = (1.0, 20.0)
LATERAL_BAND_HZ = (0.5, 10.0)


@dataclass(frozen=True)
class _Told:
    """By what a family's scatter is told."""

    motion: MotionName
    band_hz: tuple[float, float]
    word: str  # whose coefficient is compared over the wind speeds


_TOLD: dict[Family, _Told] = {
    "vertical": _Told("seat z", VERTICAL_BAND_HZ, "lift"),
    "lateral": _Told("seat y", LATERAL_BAND_HZ, "side force"),
}


def rating_scatter(
    analysis: CampaignAnalysis, setting: RideSetting, speed_m_s: float
) -> dict[Family, Scatter]:
    """Scatter from run to run of what is felt, and over wind speeds of the force behind the seat's.

    The force as a whole may scatter by what the seat does not follow (a wake that changes its
    state every few seconds); over the wind speeds runs reach different road frequencies, so that
    only a coefficient can be compared.
    """
    there = replace(setting, speeds_m_s=np.array([speed_m_s]))
    found: dict[Family, Scatter] = {}
    for family, told in _TOLD.items():
        over_speed = scatter(
            analysis, partial(log_variance, find=by_component(told.word))
        ).over_speed
        seat = scatter(analysis, partial(_seat_log_variance, setting=there, told=told))
        found[family] = replace(seat, over_speed=over_speed)
    found["cabin"] = cabin_scatter(analysis, setting.full_scale, speed_m_s)
    return found


def _seat_log_variance(run: RunAnalysis, setting: RideSetting, told: _Told) -> Observation | None:
    kind = MOTIONS[told.motion]
    words = tuple(
        word
        for word in (*kind.uses, *kind.more)
        if word in run.signal.components and run.fluctuation(word) is not None
    )
    if any(word not in words for word in kind.needs) or setting.why_not(told.motion) is not None:
        return None
    ends = [word for word in kind.uses if word in words]
    band = RoadBand.of([run], ends, setting.speeds_m_s)
    low, high = (np.array([edge]) for edge in told.band_hz)
    motion = RunMotion(setting, run, 0, band, told.motion, words)
    samples = motion.variances(low, high)[:, 0, 0]
    return log_observation(samples, motion.resampling.blocks)
