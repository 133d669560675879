"""What repeats and other wind speeds add to the scatter inside a run."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis
from buffet.run_analysis import RunAnalysis
from buffet.spectral.uncertainty import Unseen, log_estimate

Array = NDArray[np.float64]
Find = Callable[[RunAnalysis], int | None]  # a quantity's position in a run, None where it is not

# Runs count as repeats within this of each other's wind speed and yaw.
SAME_SPEED = 0.01
SAME_YAW_RAD = 2e-3
# What the variance of a pooled value comes from, beside the records' length.
RUN_TO_RUN, WIND_SPEED = "run to run", "wind speed"


@dataclass(frozen=True)
class Observation:
    """One run's value with the variance that its own length leaves."""

    value: float
    variance: float
    freedom: float = np.inf  # degrees of freedom behind the variance
    # Error that the zeros leave, one standard deviation, by wind-off run: runs may share it.
    zeros: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Scatter:
    """How far repeats lie apart, pooled over all repeated configurations; 0 without repeats."""

    observed: float  # variance of a run about the mean of its repeats
    own: float  # part of it that each run's own length, and zeros of its own, explain
    freedom: int  # degrees of freedom behind it
    over_speed: Mapping[str, float]  # between wind speeds, of configurations with several

    @property
    def run_to_run(self) -> float:
        """Variance between runs beyond what each run's own length explains."""
        return max(0.0, self.observed - self.own)

    def unseen(self, configuration: str, n_runs: Array | float) -> tuple[Unseen, ...]:
        """What resampling the runs of a configuration leaves out of their mean.

        `n_runs` is their number, or that of runs of equal weight which would scatter alike.
        The spread over wind speeds is added as a known uncertainty of the model, since three wind
        speeds cannot tell how well they tell it.
        """
        observed = self.observed / n_runs
        own = observed - self.own / n_runs
        repeats = Unseen(own, observed, max(self.freedom, 1), RUN_TO_RUN)
        return repeats, Unseen(self.over_speed.get(configuration, 0.0), source=WIND_SPEED)


def cells(analysis: CampaignAnalysis) -> dict[tuple[str, int], list[RunAnalysis]]:
    """Runs grouped by configuration and operating point: the tunnel's wind speed, and yaw.

    Speeds before the correction of blockage, which may hang on the configuration's own drag.
    """
    points: list[tuple[float, float]] = []
    groups: dict[tuple[str, int], list[RunAnalysis]] = {}
    for run in analysis.runs:
        point = (run.flow.uncorrected_speed_m_s if run.flow is not None else 0.0, run.run.yaw_rad)
        index = next((i for i, known in enumerate(points) if _same(point, known)), len(points))
        if index == len(points):
            points.append(point)
        groups.setdefault((run.run.configuration or "", index), []).append(run)
    return groups


def _same(point: tuple[float, float], known: tuple[float, float]) -> bool:
    (speed, yaw), (known_speed, known_yaw) = point, known
    alike = abs(speed - known_speed) <= SAME_SPEED * known_speed
    return alike and abs(yaw - known_yaw) <= SAME_YAW_RAD


def by_component(word: str) -> Find:
    """Finds what measures this in a run."""
    return lambda run: run.fluctuation(word)


def by_tap(name: str) -> Find:
    """Finds the pressure of this name in a run."""
    return lambda run: run.pressure(name)


def log_variance(run: RunAnalysis, find: Find) -> Observation | None:
    """Logarithm of a quantity's variance; None where it was not measured or nothing is left."""
    index = find(run)
    if index is None:
        return None
    return log_observation(run.total_samples[:, index], run.resampling(index).blocks)


def log_observation(samples: Array, blocks: float) -> Observation | None:
    """Logarithm of one variance from its bootstrap samples; None where nothing is left."""
    estimate = log_estimate(samples, blocks)
    if not estimate.value > 0 or not np.isfinite(estimate.spread):
        return None
    return Observation(float(np.log(estimate.value)), float(estimate.spread**2))


def blocks_of(runs: Sequence[RunAnalysis], find: Find) -> float:
    """Independent blocks of record behind a quantity, all runs together."""
    where = [(run, find(run)) for run in runs]
    return float(sum(run.resampling(i).blocks for run, i in where if i is not None))


def scatter(
    analysis: CampaignAnalysis, observe: Callable[[RunAnalysis], Observation | None]
) -> Scatter:
    """Run-to-run and speed-to-speed variance of one observed quantity.

    By the method of moments: observed variance of the repeats of a cell, pooled, less the mean of
    their own variances (DerSimonian & Laird 1986, Controlled Clinical Trials 7, 177-188, for equal
    weights).
    """
    seen = {
        key: [o for o in map(observe, runs) if o is not None]
        for key, runs in cells(analysis).items()
    }
    repeated = [group for group in seen.values() if len(group) > 1]
    freedom = sum(len(group) - 1 for group in repeated)
    squares = sum(float(np.var([o.value for o in group]) * len(group)) for group in repeated)
    own = sum(_own_squares(group) for group in repeated)
    pooled = Scatter(squares / max(freedom, 1), own / max(freedom, 1), freedom, {})
    return replace(pooled, over_speed=_over_speeds(cells(analysis), seen, pooled.run_to_run))


def _own_squares(group: Sequence[Observation]) -> float:
    """Expected sum of squares about the mean of repeats that differ in their own errors alone."""
    n = len(group)
    lengths = sum(o.variance for o in group) * (n - 1) / n
    alone = sum(error**2 for o in group for error in o.zeros.values())
    together = sum(error**2 for error in zero_shares(np.ones(n), group).values())
    return lengths + alone - together / n


def zero_shares(weights: Array, group: Sequence[Observation]) -> dict[str, float]:
    """Error that each wind-off run leaves in a weighted sum of observations."""
    shares: dict[str, float] = {}
    for weight, observation in zip(weights.tolist(), group, strict=True):
        for run, error in observation.zeros.items():
            shares[run] = shares.get(run, 0.0) + weight * error
    return shares


def _over_speeds(
    runs: Mapping[tuple[str, int], Sequence[RunAnalysis]],
    seen: Mapping[tuple[str, int], Sequence[Observation]],
    run_to_run: float,
) -> dict[str, float]:
    """By configuration; wind speeds are held against each other at one angle of yaw."""
    angles: dict[str, dict[float, list[Sequence[Observation]]]] = {}
    for key, group in seen.items():
        if group:
            yaw = round(float(np.degrees(runs[key][0].run.yaw_rad)), 1)
            angles.setdefault(key[0], {}).setdefault(yaw, []).append(group)
    several = {
        name: [groups for groups in own.values() if len(groups) > 1] for name, own in angles.items()
    }
    return {name: _over_speed(groups, run_to_run) for name, groups in several.items() if groups}


def _over_speed(angles: Sequence[Sequence[Sequence[Observation]]], run_to_run: float) -> float:
    """Variance between wind speeds beyond run-to-run and record-length scatter.

    Pooled over angles of yaw, each of which has several speeds.
    """
    means = [[float(np.mean([o.value for o in group])) for group in groups] for groups in angles]
    squares = sum(float(np.var(own)) * len(own) for own in means)
    own = [
        (run_to_run + float(np.mean([o.variance for o in group]))) / len(group)
        for groups in angles
        for group in groups
    ]
    freedom = sum(len(groups) - 1 for groups in angles)
    return max(0.0, squares / freedom - float(np.mean(own)))
