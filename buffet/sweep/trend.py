"""Whether RMS coefficients still change with the Reynolds number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import exp, log
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis
from buffet.holm import holm
from buffet.interval import Interval
from buffet.pairs import Estimate
from buffet.rating.scatter import SAME_SPEED, Observation, Scatter, log_observation, scatter
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import RunResult
from ingest import Quantity

Array = NDArray[np.float64]
Statement = Literal["still changing", "settled", "no change shown", "one speed"]

# A change of less than this per doubling of the Reynolds number, with its whole interval, counts
# as settled: less than what another tunnel or another day changes (engineering judgement).
SETTLED = 0.10
SIGNIFICANCE = 0.05


@dataclass(frozen=True)
class Point:
    """One run's RMS of one quantity."""

    run: str
    speed_m_s: float
    reynolds: float | None
    rms: Interval


@dataclass(frozen=True)
class Trend:
    """One quantity's RMS over the wind speeds of a configuration."""

    quantity: str
    measures: str
    unit: str
    points: tuple[Point, ...]  # by speed
    # Relative change of RMS per doubling of the Reynolds number: by a straight line through the
    # logarithms over all speeds, and between the two highest. None with one speed.
    per_doubling: Interval | None
    per_doubling_at_top: Interval | None  # None with fewer than three speeds
    p_value: float | None  # of no change, for both together and for all trends of the sweep (Holm)
    statement: Statement


@dataclass(frozen=True)
class _Slopes:
    """Changes of the RMS's logarithm with that of the speed."""

    whole: Estimate
    top: Estimate | None

    @property
    def p_value(self) -> float:
        """Of no change in either (Bonferroni)."""
        both = [one.p_value() for one in (self.whole, self.top) if one is not None]
        return min(1.0, len(both) * min(both))


def trends(
    analysis: CampaignAnalysis, groups: Sequence[Sequence[RunResult]]
) -> list[tuple[Trend, ...]]:
    """Of every coefficient with an RMS, one tuple a group of runs of one configuration.

    The scatter from run to run is that of all repeated configurations of the campaign.
    """
    rows: list[tuple[int, str, str, str, tuple[Point, ...], _Slopes | None]] = []
    scatters: dict[str, Scatter] = {}
    for index, results in enumerate(groups):
        for quantity in _names(results):
            if quantity not in scatters:
                scatters[quantity] = scatter(analysis, partial(_observed, name=quantity))
            points = _points(results, quantity)
            if points:
                slopes = _slopes(results, quantity, scatters[quantity])
                own = _quantity(results, quantity)
                rows.append((index, quantity, own.measures, own.unit, points, slopes))
    told = [slopes.p_value for *_, slopes in rows if slopes is not None]
    corrected = iter(holm(told))
    found: list[list[Trend]] = [[] for _ in groups]
    for index, name, measures, unit, points, slopes in rows:
        p_value = None if slopes is None else next(corrected)
        found[index].append(_trend(name, measures, unit, points, slopes, p_value))
    return [tuple(each) for each in found]


def _trend(
    name: str,
    measures: str,
    unit: str,
    points: tuple[Point, ...],
    slopes: _Slopes | None,
    p_value: float | None,
) -> Trend:
    if slopes is None or p_value is None:
        return Trend(name, measures, unit, points, None, None, None, "one speed")
    whole = _per_doubling(slopes.whole)
    top = None if slopes.top is None else _per_doubling(slopes.top)
    statement: Statement = "no change shown"
    if p_value < SIGNIFICANCE:
        statement = "still changing"
    elif _is_small(whole):
        statement = "settled"
    return Trend(name, measures, unit, points, whole, top, p_value, statement)


def _is_small(change: Interval) -> bool:
    assert change.low is not None
    assert change.high is not None
    return change.low > -SETTLED and change.high < SETTLED


def _per_doubling(slope: Estimate) -> Interval:
    limits = slope.interval()
    assert limits.low is not None
    assert limits.high is not None
    value, low, high = (exp(each * log(2)) - 1 for each in (limits.value, limits.low, limits.high))
    return Interval(value, low, high)


def _names(results: Sequence[RunResult]) -> list[str]:
    """Coefficients: what scales with speed in some other way has no business here."""
    every = (q.quantity for one in results for q in one.quantities)
    return list(dict.fromkeys(q.name for q in every if q.unit == "1" and q.measures != "other"))


def _quantity(results: Sequence[RunResult], name: str) -> Quantity:
    return next(q.quantity for one in results for q in one.quantities if q.quantity.name == name)


def _points(results: Sequence[RunResult], name: str) -> tuple[Point, ...]:
    points = [
        Point(
            result.analysis.run.number,
            result.analysis.flow.speed_m_s,
            result.analysis.flow.reynolds,
            quantity.rms,
        )
        for result in results
        if result.analysis.flow is not None
        for quantity in result.quantities
        if quantity.quantity.name == name and quantity.rms is not None
    ]
    return tuple(sorted(points, key=lambda point: point.speed_m_s))


def _observed(run: RunAnalysis, name: str) -> Observation | None:
    """Logarithm of the variance."""
    index = run.signal.index(name)
    if index is None or run.dead[index]:
        return None
    blocks = run.resampling(index).blocks
    seen = log_observation(run.total_samples[:, index], blocks)
    return None if seen is None else replace(seen, freedom=max(blocks - 1, 1.0))


def _slopes(results: Sequence[RunResult], name: str, repeats: Scatter) -> _Slopes | None:
    """None where there is but one speed."""
    runs = [result.analysis for result in results if result.analysis.flow is not None]
    seen = [(run, o) for run in runs if (o := _observed(run, name)) is not None]
    places = np.array([_log_reynolds(run) for run, _ in seen])
    levels = _levels(np.array([_speed(run) for run, _ in seen]))
    if len(levels) < 2:
        return None
    centred = places - places.mean()
    whole = _combined(centred / float(centred @ centred), seen, repeats)
    if len(levels) < 3:
        return _Slopes(whole, None)
    below, above = levels[-2], levels[-1]
    step = float(places[above].mean() - places[below].mean())
    weights = np.zeros(len(places))
    weights[above], weights[below] = 1 / (step * above.sum()), -1 / (step * below.sum())
    return _Slopes(whole, _combined(weights, seen, repeats))


def _log_reynolds(run: RunAnalysis) -> float:
    """Or of the speed, where there is no model to have a Reynolds number."""
    assert run.flow is not None
    return log(run.flow.reynolds or run.flow.speed_m_s)


def _speed(run: RunAnalysis) -> float:
    assert run.flow is not None
    return run.flow.uncorrected_speed_m_s


def _levels(speeds: Array) -> list[NDArray[np.bool_]]:
    """Which observations stand at each speed, lowest first."""
    levels: list[NDArray[np.bool_]] = []
    left = np.ones(len(speeds), bool)
    while left.any():
        alike = left & (speeds <= speeds[left].min() * (1 + 2 * SAME_SPEED))
        levels.append(alike)
        left &= ~alike
    return levels


def _combined(
    weights: Array, seen: Sequence[tuple[RunAnalysis, Observation]], repeats: Scatter
) -> Estimate:
    """A weighted sum of the RMS values' logarithms: halves of the variances'."""
    each = list(zip((weights / 2).tolist(), seen, strict=True))
    return Estimate(
        sum(weight * o.value for weight, (_, o) in each),
        tuple((weight**2 * o.variance, o.freedom) for weight, (_, o) in each),
        float(weights @ weights) / 4,
        repeats,
    )
