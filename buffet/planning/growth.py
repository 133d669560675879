"""How fast the rated motion grows with road speed at its onset, by an earlier campaign."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log

import numpy as np
from numpy.typing import NDArray

from buffet.planning.subjects import Growth
from buffet.rating.criteria import Metric, read_criteria
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.motion_metrics import motion_curve
from buffet.rating.motions import MOTIONS, RIDE
from buffet.rating.onset import first_crossing, search_speeds
from buffet.rating.pool import MOTION_OF, Pool, without
from buffet.rating.rate import car_of
from buffet.rating.ride_metrics import RideSetting
from buffet.rating.yaw_mix import rated_runs
from buffet.road_speed import full_scale
from buffet.run_analysis import RunAnalysis
from buffet.vehicle import GOOD_MOTORWAY
from ingest import Campaign

Array = NDArray[np.float64]

METRIC: Metric = "seat-over-road"
# The slope is taken over this much of the road speed to both sides.
AROUND = 1.1
# A motion that hardly grows has no onset that a record could place.
LEAST_POWER = 0.1


def growths(campaign: Campaign, runs: Mapping[str, Sequence[RunAnalysis]]) -> tuple[Growth, ...]:
    """Of the vertical motion at the seat over what the road gives, where it reaches its limit.

    Configurations that never reach it, or whose motion was not measured, are left out.
    """
    row = next(row for row in read_criteria().rows if row.metric == METRIC)
    speeds = search_speeds(np.empty(0))
    setting = RideSetting(car_of(campaign), GOOD_MOTORWAY, full_scale(campaign), speeds)
    found = []
    for name, own in runs.items():
        rated = rated_runs(own, None)
        told = tuple(word for word in RIDE if not without(word, rated))
        pool = Pool(tuple(rated), setting, told, {MOTIONS[MOTION_OF[METRIC]].family: ()})
        curve = motion_curve(pool, row)
        growth = _growth(name, curve, speeds)
        found += [growth] if growth is not None else []
    return tuple(found)


def _growth(name: str, curve: MetricCurve, speeds_m_s: Array) -> Growth | None:
    if curve.estimate is None:
        return None
    margin = curve.estimate.value / curve.criterion.limits[0]
    if curve.seat is not None and curve.criterion.silent_below_m_s2:
        margin = np.minimum(margin, curve.seat.value / curve.criterion.silent_below_m_s2)
    usable = curve.covered & (margin > 0)
    if usable.sum() < 2:
        return None
    speeds, margin = speeds_m_s[usable], margin[usable]
    onset = first_crossing(speeds, margin)
    if onset is None:
        return None
    power = slope(speeds, margin, onset)
    return Growth(name, onset, power) if power >= LEAST_POWER else None


def slope(speeds_m_s: Array, margin: Array, at_m_s: float) -> float:
    """d ln(margin) / d ln(V) about a road speed."""
    low, high = at_m_s / AROUND, at_m_s * AROUND
    low, high = max(low, float(speeds_m_s[0])), min(high, float(speeds_m_s[-1]))
    logs = np.interp(np.log([low, high]), np.log(speeds_m_s), np.log(margin))
    return float((logs[1] - logs[0]) / log(high / low))
