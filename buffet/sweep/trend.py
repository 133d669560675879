"""Whether RMS coefficients still change with the Reynolds number."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
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
from buffet.rating.scatter import SAME_SPEED, Observation, Scatter, scatter, zero_shares
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import RunResult
from buffet.sweep.flow_part import FlowPart, band_ends, flow_parts
from ingest import Quantity

Array = NDArray[np.float64]
Statement = Literal["still changing", "settled", "no change shown", "one speed", "rig hides it"]

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
    rms: Interval  # of the flow, up to the trend's Strouhal number
    whole_rms: Interval | None  # as `spectra` has it
    taken_out: float  # share of the variance up to there in peaks that are not the flow's
    unseen: float  # share that peaks which other runs show, and this one does not, may change
    counts: bool  # in the changes: the rig neither rules nor may hide in it


@dataclass(frozen=True)
class Trend:
    """One quantity's RMS over the wind speeds of a configuration."""

    quantity: str
    measures: str
    unit: str
    up_to_per_m: float  # frequency over wind speed at which the RMS ends, in all runs
    strouhal: float | None  # the same as a Strouhal number; None without a model
    points: tuple[Point, ...]  # by speed
    # Relative change of RMS per doubling of the Reynolds number: by a straight line through the
    # logarithms over all speeds that tell it, and between the two highest. None where fewer than
    # two, and three, tell it.
    per_doubling: Interval | None
    per_doubling_at_top: Interval | None
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
    analysis: CampaignAnalysis,
    groups: Sequence[Sequence[RunResult]],
    looked_at: Callable[[Quantity], bool] = lambda quantity: True,
) -> list[tuple[Trend, ...]]:
    """Of every coefficient with an RMS, one tuple a group of runs of one configuration.

    The scatter from run to run is that of all repeated configurations of the campaign.
    `looked_at` says in which quantities peaks were looked for: in others the rig's would be left.
    """
    every = [result for results in groups for result in results]
    parts = _Parts.of(groups)
    repeats = {
        name: scatter(analysis, partial(parts.observed, name=name))
        for name in _names(every, looked_at)
    }
    found = [
        [
            trend
            for name in _names(results, looked_at)
            if (trend := _trend(results, name, parts, repeats[name])) is not None
        ]
        for results in groups
    ]
    told = [t.p_value for own in found for t in own if t.p_value is not None]
    corrected = iter(holm(told))
    return [
        tuple(t if t.p_value is None else _told(t, next(corrected)) for t in own) for own in found
    ]


@dataclass(frozen=True)
class _Parts:
    """The flow's part of every quantity in every run."""

    ends: Mapping[str, float]  # f / U by quantity, 1/m
    by_run: Mapping[str, Mapping[str, FlowPart]]

    @classmethod
    def of(cls, groups: Sequence[Sequence[RunResult]]) -> _Parts:
        ends = band_ends([result for results in groups for result in results])
        by_run = {
            one.analysis.run.number: flow_parts(one, ends, [o for o in results if o is not one])
            for results in groups
            for one in results
        }
        return cls(ends, by_run)

    def part(self, run: RunAnalysis, name: str) -> FlowPart | None:
        return self.by_run.get(run.run.number, {}).get(name)

    def observed(self, run: RunAnalysis, name: str) -> Observation | None:
        """Logarithm of the variance."""
        part = self.part(run, name)
        return None if part is None else part.log_variance

    def clear(
        self, runs: Sequence[RunAnalysis], name: str
    ) -> list[tuple[RunAnalysis, Observation]]:
        """Runs that tell of a change."""
        every = [(run, self.part(run, name), self.observed(run, name)) for run in runs]
        return [(run, o) for run, part, o in every if part and o and part.is_clear]


def _trend(
    results: Sequence[RunResult], name: str, parts: _Parts, repeats: Scatter
) -> Trend | None:
    """With the p-value of these runs alone; None where there is no RMS."""
    points = _points(results, name, parts)
    if not points:
        return None
    own = next(q.quantity for one in results for q in one.quantities if q.quantity.name == name)
    slopes = _slopes(results, name, parts, repeats)
    top = None if slopes is None or slopes.top is None else _per_doubling(slopes.top)
    model = results[0].analysis.model
    levels = _levels(np.array([_speed(one.analysis) for one in results]))
    return Trend(
        name,
        own.measures,
        own.unit,
        parts.ends[name],
        None if model is None else parts.ends[name] * model.strouhal_length_m,
        points,
        None if slopes is None else _per_doubling(slopes.whole),
        top,
        None if slopes is None else slopes.p_value,
        "rig hides it" if len(levels) > 1 else "one speed",
    )


def _told(trend: Trend, p_value: float) -> Trend:
    """With the p-value for all trends of the sweep, and what it says."""
    statement: Statement = "no change shown"
    if p_value < SIGNIFICANCE:
        statement = "still changing"
    elif _is_settled(trend):
        statement = "settled"
    return replace(trend, p_value=p_value, statement=statement)


def _is_settled(trend: Trend) -> bool:
    """Small over all speeds, and nothing against it at the top."""
    top = trend.per_doubling_at_top
    assert trend.per_doubling is not None
    return _is_small(trend.per_doubling) and (top is None or _holds_zero(top))


def _holds_zero(change: Interval) -> bool:
    assert change.low is not None
    assert change.high is not None
    return change.low <= 0 <= change.high


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


def _names(results: Sequence[RunResult], looked_at: Callable[[Quantity], bool]) -> list[str]:
    """Coefficients: what scales with speed in some other way has no business here."""
    every = (q.quantity for one in results for q in one.quantities)
    kept = (q for q in every if q.unit == "1" and q.measures != "other" and looked_at(q))
    return list(dict.fromkeys(q.name for q in kept))


def _points(results: Sequence[RunResult], name: str, parts: _Parts) -> tuple[Point, ...]:
    runs = [result.analysis for result in results]
    clear = {run.run.number for run, _ in parts.clear(runs, name)}
    points = []
    for result in results:
        number = result.analysis.run.number
        run, part = result.analysis, parts.part(result.analysis, name)
        if run.flow is None or part is None or part.rms is None:
            continue
        whole = next(q.rms for q in result.quantities if q.quantity.name == name)
        shares = part.taken_out, part.unseen
        flow = run.flow.speed_m_s, run.flow.reynolds
        points.append(Point(number, *flow, part.rms, whole, *shares, number in clear))
    return tuple(sorted(points, key=lambda point: point.speed_m_s))


def _slopes(
    results: Sequence[RunResult], name: str, parts: _Parts, repeats: Scatter
) -> _Slopes | None:
    """None where runs that tell of it stand at fewer than two speeds."""
    seen = parts.clear([result.analysis for result in results], name)
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
        zero_shares(weights / 2, [o for _, o in seen]),
    )
