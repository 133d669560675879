"""Which configuration is felt least at a road speed; what all of them share cancels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from buffet.interval import LEVEL, Interval
from buffet.rating.calibration import CALIBRATION
from buffet.rating.car_spread import CAR
from buffet.rating.criteria import Criterion, Metric
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.motions import MOTIONS
from buffet.rating.pool import MOTION_OF
from buffet.spectral.uncertainty import LARGEST_LOG, run_seed

if TYPE_CHECKING:
    from buffet.rating.rate import ConfigurationRating, Rating

Array = NDArray[np.float64]

# Draws of what each configuration's own record leaves open, for each drawn car.
DRAWS = 1000
# Where the car is known without any uncertainty.
CARS = 24
# What all configurations share: the same car and the same gains stand behind all of them.
SHARED = (CAR, CALIBRATION)
NOT_ALIKE = "of some configurations the yaw angles of the wind were not run"


@dataclass(frozen=True)
class Ranked:
    """How much of a configuration is felt: the most of what its criteria make of their limit."""

    name: str
    share: Interval  # metric over lower limit, 1 where it is reached
    criterion: str  # of which that is
    p_best: float  # probability that it is truly the one that is felt least


@dataclass(frozen=True)
class Ranking:
    """Configurations by what is felt of them, the least first."""

    speed_m_s: float
    criteria: tuple[str, ...]  # that count: those told of all configurations that are ranked
    left_out: Mapping[str, str]  # criteria that are told of some only, and of which they are not
    ranked: tuple[Ranked, ...]
    unranked: Mapping[str, str]  # configurations, and why
    shares: Mapping[str, Array]  # (n_draws,) by configuration, drawn together

    def __contains__(self, name: str) -> bool:
        return name in self.shares

    def ratio(self, name: str, other: str) -> Interval:
        """What is felt of one over what is felt of another; the car's uncertainty cancels."""
        below = np.maximum(self.shares[other], np.finfo(float).tiny)
        quantiles = (0.5, (1 - LEVEL) / 2, (1 + LEVEL) / 2)
        middle, low, high = np.quantile(self.shares[name] / below, quantiles)
        return Interval(float(middle), float(low), float(high))

    def p_value(self, name: str, other: str) -> float:
        """Two-sided, of no difference between two; no finer than the draws are many."""
        mine, theirs = self.shares[name], self.shares[other]
        less = np.mean(mine < theirs) + np.mean(mine == theirs) / 2
        least = 1 / (len(mine) + 1)
        return float(min(1.0, 2 * max(min(less, 1 - less), least)))


def rank(rating: Rating) -> Ranking:
    """By joint draws of all criteria of all configurations, at the rated speed.

    What a configuration's own records, repeats and wind speeds leave open is drawn for each alone,
    by Student's t, criteria of one motion together; the car is drawn once for all (JCGM 101:2008,
    5.9), and an error of the calibration is common to all and cancels. Of several criteria the one
    nearest to its limit counts, in each draw.
    """
    speeds = rating.configurations[0].curves.setting.speeds_m_s
    index = int(np.searchsorted(speeds, rating.speed_m_s * (1 - 1e-12)))
    unranked = _unranked(rating.configurations)
    kept = [one for one in rating.configurations if one.name not in unranked]
    left_out = _left_out(kept)
    counted = {one.name: _counted(one, left_out) for one in kept}
    shares = {name: shares_of(name, curves, index) for name, curves in counted.items() if curves}
    best = _best(shares)
    ranked = [Ranked(name, *_nearest(counted[name], index), best[name]) for name in shares]
    some = {curve.criterion.id for curves in counted.values() for curve in curves}
    return Ranking(
        rating.speed_m_s,
        tuple(row.id for row in rating.criteria.rows if row.id in some),
        left_out,
        tuple(sorted(ranked, key=lambda one: float(np.median(shares[one.name])))),
        unranked,
        shares,
    )


def _unranked(configurations: Sequence[ConfigurationRating]) -> dict[str, str]:
    """Those of which a criterion that decides somewhere is not told, and those rated otherwise."""
    decisive = {
        one.decisive.criterion.id
        for one in configurations
        if one.verdict != "undetermined" and one.decisive is not None
    }
    in_wind = any(one.wind is not None for one in configurations)
    found = {}
    for one in configurations:
        open_rows = [
            f"{row.criterion.id}: {row.why}"
            for row in one.criteria
            if row.verdict == "undetermined" and row.criterion.id in decisive
        ]
        if in_wind and one.wind is None:
            found[one.name] = NOT_ALIKE
        elif open_rows or not decisive:
            found[one.name] = "; ".join(open_rows) or "its verdict is undetermined"
        elif all(row.verdict is None for row in one.criteria):
            found[one.name] = "no criterion was measured"
    return found


def _left_out(kept: Sequence[ConfigurationRating]) -> dict[str, str]:
    """Criteria that are undetermined of one that is ranked; they would count for the others only"""
    return {
        row.criterion.id: f"{row.why} ({one.name})"
        for one in kept
        for row in one.criteria
        if row.verdict == "undetermined"
    }


def _counted(one: ConfigurationRating, left_out: Mapping[str, str]) -> list[MetricCurve]:
    rows = zip(one.curves.metrics, one.criteria, strict=True)
    return [
        curve
        for curve, row in rows
        if row.verdict is not None and curve.criterion.id not in left_out
    ]


def shares_of(name: str, curves: Sequence[MetricCurve], index: int) -> Array:
    """Share of the limit of the criterion that is nearest to it, in each draw, ``(n_draws,)``.

    Parameters
    ----------
    curves : of one configuration, which tells what it draws for itself by its name
    index : of the road speed
    """
    quantiles: dict[str, Array] = {}
    every = []
    for curve in curves:
        source = _source(curve.criterion)
        if source not in quantiles:
            quantiles[source] = run_seed(name, source).uniform(size=CARS * DRAWS)
        every.append(_shares_of(curve, index, quantiles[source]))
    return np.asarray(np.max(every, axis=0))


def _source(row: Criterion) -> str:
    """Criteria of the same motion are told by the same records; a change of state by its own."""
    alone: tuple[Metric, ...] = ("seat-after-state-change",)
    motion = None if row.metric in alone else MOTION_OF.get(row.metric)
    return row.metric if motion is None else MOTIONS[motion].family


def _shares_of(curve: MetricCurve, index: int, quantile: Array) -> Array:
    """A metric over its lower limit in each draw, the drawn cars one after another."""
    from scipy.special import stdtrit

    estimate = curve.estimate
    assert estimate is not None
    shape = estimate.value.shape
    spread, freedom = (
        float(np.broadcast_to(one, shape)[index]) for one in (estimate.spread, estimate.freedom)
    )
    shared = sum(
        float(np.broadcast_to(one.variance, shape)[index])
        for one in curve.unseen
        if one.source in SHARED
    )
    whole = (2 * spread) ** 2  # of the logarithm of the metric's square, as `unseen`
    own = max(whole - shared, 0.0)
    # Degrees of freedom were mixed with what is shared, which is known without end.
    own_freedom = max(freedom * (own / whole) ** 2, 1.0) if whole > 0 else freedom
    score = stdtrit(own_freedom, quantile)
    of_car = np.exp(_car(curve, index, shape) / 2)
    if estimate.linear is None or estimate.on_log[index]:
        # Student's t has no end with few degrees of freedom.
        log = np.clip(np.sqrt(own) / 2 * score, -LARGEST_LOG, LARGEST_LOG)
        drawn = estimate.value[index] * np.exp(log) * of_car
    else:
        deviation = float(estimate.linear.deviation[index])
        square = np.maximum(estimate.linear.value[index] + deviation * score, 0)
        drawn = square**estimate.linear.power * of_car
    if curve.occurs is not None:
        # Another part of the same number, so that one draw serves both.
        drawn = np.where((quantile * DRAWS) % 1 < curve.occurs[index], drawn, 0.0)
    return np.asarray(drawn / curve.criterion.limits[0])


def _car(curve: MetricCurve, index: int, shape: tuple[int, ...]) -> Array:
    """Logarithm of the metric's square in each drawn car, less its mean; each for `DRAWS`."""
    for one in curve.unseen:
        if one.source == CAR and one.draws is not None:
            shift = float(np.broadcast_to(one.shift, shape)[index])
            cars = one.draws[:, index] - shift
            return np.repeat(cars, -(-CARS // len(cars)) * DRAWS)[: CARS * DRAWS]
    return np.zeros(CARS * DRAWS)


def _best(shares: Mapping[str, Array]) -> dict[str, float]:
    """How often each is the least; where several are, it is divided among them."""
    if not shares:
        return {}
    every = np.array(list(shares.values()))
    least = every == every.min(axis=0)
    return dict(zip(shares, (least / least.sum(axis=0)).mean(axis=1).tolist(), strict=True))


def _nearest(curves: Sequence[MetricCurve], index: int) -> tuple[Interval, str]:
    """The criterion nearest to its lower limit, as measured, and how near."""
    at = [
        (curve.estimate.interval(index).scaled(1 / curve.criterion.limits[0]), curve.criterion.id)
        for curve in curves
        if curve.estimate is not None
    ]
    return max(at, key=lambda pair: pair[0].value)
