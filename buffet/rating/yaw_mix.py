"""The runs of a configuration at several yaw angles, mixed as the wind on the road has them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.rating.scatter import SAME_YAW_RAD
from buffet.rating.wind import YawDistribution
from buffet.run_analysis import RunAnalysis
from buffet.spectral.locking import lock

Array = NDArray[np.float64]

# Share of the time that the wind may stand beyond the largest yaw angle run, where that angle's
# spectra are held; beyond it a criterion is not covered (engineering judgement).
MOST_BEYOND = 0.1
# Powers of the air's speed that mean loads and variances follow.
MEANS, VARIANCES = 2, 4


@dataclass(frozen=True)
class YawPart:
    """One run as it stands for a yaw angle."""

    run: RunAnalysis
    knot: int  # its yaw angle in `YawMix.yaw_rad`
    mirrored: bool  # run on the other side


@dataclass(frozen=True)
class YawAtSpeed:
    """What the mixture is made of at one road speed."""

    yaw_deg: tuple[float, ...]  # of either side together where both are alike
    shares: tuple[float, ...]  # of the time; sum 1
    share_beyond: float  # of the time, in the outermost of them
    variance_factor: float  # that the air's speed adds over the road speed's
    covered: bool


@dataclass(frozen=True, eq=False)
class YawMix:
    """Weights of a configuration's runs over road speed.

    Spectra are taken to be linear in yaw between the angles run and constant beyond them, so that
    the expectation over the wind is a weighted sum over these angles. The car is symmetrical: where
    one side was not run, the runs of the other stand for it, with side force, yaw and roll moment
    turned over. The mean loads, which change as the wind does, are no vibration and not in it.
    """

    wind: YawDistribution | None  # None: in still air
    runs: tuple[RunAnalysis, ...]
    parts: tuple[YawPart, ...]
    yaw_rad: Array  # (n_knots,), rising
    sources: tuple[int, ...]  # the knot whose own runs stand there, for each knot
    shares: Array  # (n_knots, n_speeds), of the time; sum 1
    mean_weights: Array  # (n_knots, n_speeds), of mean loads
    weights: Array  # (n_knots, n_speeds), of variances
    beyond: Array  # (n_speeds,), share of the time with more yaw than was run

    def __post_init__(self) -> None:
        lock(self)

    @property
    def covered(self) -> NDArray[np.bool_]:
        """Whether enough of the wind lies within the angles run, ``(n_speeds,)``."""
        return np.asarray(self.beyond <= MOST_BEYOND)

    @property
    def runs_behind(self) -> Array:
        """Runs of equal weight that would scatter as these do, ``(n_speeds,)``: (Σ w)² / Σ w².

        Source: Kish 1965, Survey Sampling (from memory).
        """
        weights = self.over_runs(self.weights)
        return np.asarray(weights.sum(axis=0) ** 2 / (weights**2).sum(axis=0))

    def over_runs(self, weights: Array) -> Array:
        """Weights of knots to those of `runs`, ``(n_runs, n_speeds)``; repeats count alike."""
        counts = np.bincount([part.knot for part in self.parts], minlength=len(self.yaw_rad))
        places = {id(run): place for place, run in enumerate(self.runs)}
        result = np.zeros((len(places), weights.shape[1]))
        for part in self.parts:
            result[places[id(part.run)]] += weights[part.knot] / counts[part.knot]
        return result

    def at(self, index: int) -> YawAtSpeed | None:
        """What is mixed at one of the road speeds; None in still air."""
        if self.wind is None:
            return None
        degrees = np.degrees(np.abs(self.yaw_rad) if self.wind.symmetrical else self.yaw_rad)
        known = np.unique(np.round(degrees, 1))
        shares = [float(self.shares[np.round(degrees, 1) == one, index].sum()) for one in known]
        return YawAtSpeed(
            tuple(known.tolist()),
            tuple(shares),
            float(self.beyond[index]),
            float(self.weights[:, index].sum()),
            bool(self.covered[index]),
        )


def rated_runs(
    runs: Sequence[RunAnalysis], wind: YawDistribution | None
) -> tuple[RunAnalysis, ...]:
    """Those of a configuration that are rated: in still air the ones at its smallest yaw."""
    if wind is not None:
        return tuple(runs)
    least = min((abs(run.run.yaw_rad) for run in runs), default=0.0)
    return tuple(run for run in runs if abs(abs(run.run.yaw_rad) - least) <= SAME_YAW_RAD)


def yaw_mix(runs: Sequence[RunAnalysis], wind: YawDistribution | None, speeds_m_s: Array) -> YawMix:
    """Mix runs by the wind; in still air, or at one yaw angle to either side, they count alike."""
    angles = _apart([abs(run.run.yaw_rad) for run in runs])
    if wind is None or len(angles) < 2:
        parts = tuple(YawPart(run, 0, mirrored=False) for run in runs)
        ones, nothing = np.ones((1, len(speeds_m_s))), np.zeros(len(speeds_m_s))
        least = np.array(angles[:1])
        return YawMix(None, tuple(runs), parts, least, (0,), ones, ones, ones, nothing)
    positive = [angle for angle in angles if angle > SAME_YAW_RAD]
    at_zero = [0.0] if len(positive) < len(angles) else []
    knots = np.array([*(-angle for angle in positive[::-1]), *at_zero, *positive])
    own = _by_nearest(runs, knots)
    last = len(knots) - 1
    sources = tuple(k if own[k] else last - k for k in range(len(knots)))
    parts = tuple(
        YawPart(run, k, source != k) for k, source in enumerate(sources) for run in own[source]
    )
    shares, means, weights = (
        wind.expectation(knots, speeds_m_s, power) for power in (0, MEANS, VARIANCES)
    )
    beyond = wind.beyond(float(knots[-1]), speeds_m_s)
    return YawMix(wind, tuple(runs), parts, knots, sources, shares, means, weights, beyond)


def _apart(angles_rad: Sequence[float]) -> list[float]:
    """Rising angles, those of repeats once."""
    found: list[float] = []
    for angle in sorted(angles_rad):
        if not found or angle - found[-1] > SAME_YAW_RAD:
            found.append(angle)
    return found


def _by_nearest(runs: Sequence[RunAnalysis], knots_rad: Array) -> list[list[RunAnalysis]]:
    """Each run at one knot."""
    nearest = [int(np.argmin(np.abs(knots_rad - run.run.yaw_rad))) for run in runs]
    pairs = list(zip(runs, nearest, strict=True))
    return [[run for run, own in pairs if own == k] for k in range(len(knots_rad))]
