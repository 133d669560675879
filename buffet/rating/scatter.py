"""What repeats and other wind speeds add to the scatter inside a run."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from buffet.analysis import CampaignAnalysis
from buffet.run_analysis import RunAnalysis
from buffet.spectral.uncertainty import log_estimate

# Runs count as repeats within this of each other's wind speed and yaw.
SAME_SPEED = 0.01
SAME_YAW_RAD = 2e-3


@dataclass(frozen=True)
class Observation:
    """One run's value with the variance that its own length leaves."""

    value: float
    variance: float
    freedom: float = np.inf  # degrees of freedom behind the variance


@dataclass(frozen=True)
class Scatter:
    """Variance between runs beyond what each run's own length explains."""

    run_to_run: float  # pooled over all repeated configurations; 0 without repeats
    freedom: int  # degrees of freedom behind it
    over_speed: Mapping[str, float]  # between wind speeds, of configurations with several


def cells(analysis: CampaignAnalysis) -> dict[tuple[str, int], list[RunAnalysis]]:
    """Runs grouped by configuration and operating point (wind speed and yaw)."""
    points: list[tuple[float, float]] = []
    groups: dict[tuple[str, int], list[RunAnalysis]] = {}
    for run in analysis.runs:
        point = (run.flow.speed_m_s if run.flow is not None else 0.0, run.run.yaw_rad)
        index = next((i for i, known in enumerate(points) if _same(point, known)), len(points))
        if index == len(points):
            points.append(point)
        groups.setdefault((run.run.configuration or "", index), []).append(run)
    return groups


def _same(point: tuple[float, float], known: tuple[float, float]) -> bool:
    (speed, yaw), (known_speed, known_yaw) = point, known
    alike = abs(speed - known_speed) <= SAME_SPEED * known_speed
    return alike and abs(yaw - known_yaw) <= SAME_YAW_RAD


def log_variance(run: RunAnalysis, word: str) -> Observation | None:
    """Logarithm of a component's variance; None where it was not measured or nothing is left."""
    index = run.fluctuation(word)
    if index is None:
        return None
    estimate = log_estimate(run.total_samples[:, index], run.resampling(index).blocks)
    if not estimate.value > 0 or not np.isfinite(estimate.spread):
        return None
    return Observation(float(np.log(estimate.value)), float(estimate.spread**2))


def blocks_of(runs: Sequence[RunAnalysis], word: str) -> float:
    """Independent blocks of record behind a component, all runs together."""
    where = [(run, run.fluctuation(word)) for run in runs]
    return float(sum(run.resampling(i).blocks for run, i in where if i is not None))


def scatter(
    analysis: CampaignAnalysis, observe: Callable[[RunAnalysis], Observation | None]
) -> Scatter:
    """Run-to-run and speed-to-speed variance of one observed quantity.

    Between-run variance by the method of moments: observed variance of the repeats of a cell,
    pooled, less the mean of their own variances, not below zero (DerSimonian & Laird 1986,
    Controlled Clinical Trials 7, 177-188, for equal weights).
    """
    seen = {
        key: [o for o in map(observe, runs) if o is not None]
        for key, runs in cells(analysis).items()
    }
    repeated = [group for group in seen.values() if len(group) > 1]
    freedom = sum(len(group) - 1 for group in repeated)
    between = 0.0
    if freedom:
        squares = sum(float(np.var([o.value for o in group]) * len(group)) for group in repeated)
        own = sum(sum(o.variance for o in g) / len(g) * (len(g) - 1) for g in repeated)
        between = max(0.0, (squares - own) / freedom)
    names = dict.fromkeys(name for name, _ in seen)
    points = {name: [g for (n, _), g in seen.items() if n == name and g] for name in names}
    over_speed = {
        name: _over_speed(groups, between) for name, groups in points.items() if len(groups) > 1
    }
    return Scatter(between, freedom, over_speed)


def _over_speed(groups: Sequence[Sequence[Observation]], run_to_run: float) -> float:
    """Variance between wind speeds beyond run-to-run and record-length scatter."""
    means = [float(np.mean([o.value for o in group])) for group in groups]
    own = [
        (run_to_run + float(np.mean([o.variance for o in group]))) / len(group) for group in groups
    ]
    return max(0.0, float(np.var(means, ddof=1)) - float(np.mean(own)))
