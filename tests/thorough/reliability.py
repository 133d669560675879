"""How often limits are exceeded that are said to be exceeded with probability p."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import gettempdir
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis
from buffet.rating.car_spread import DrawnCars, drawn_cars
from buffet.rating.configuration import configuration_curves
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.ride_metrics import RideSetting
from buffet.rating.seat_scatter import rating_scatter
from buffet.run_analysis import RunAnalysis
from buffet.vehicle import draw_vehicles
from ingest import StatedAir
from tests.thorough.onset_coverage import NOTHING, ONSET_M_S, OnsetScene, exact_run, only_curve
from tests.thorough.parallel import in_pieces
from tests.thorough.records import KINDS
from tests.thorough.simulated import CampaignKind, campaigns

Array = NDArray[np.float64]

BINS = 10
AT_ONCE = 20
# True cars of a kind, of the spread that the rating is told.
TRUE_CARS = 100
# Relative standard uncertainty of the dynamic pressure, common to all runs of a campaign.
PRESSURE_UNCERTAINTY = 0.02
# Limits lie evenly, on the logarithm, within so much of the truth: four standard deviations of
# what is told, so that every probability comes up.
REACH = 0.7
SAID_KINDS = tuple(
    said
    for kind in KINDS
    for said in (
        CampaignKind(kind.name, kind, others=2),
        CampaignKind(f"{kind.name}, 3 repeats", kind, repeats=3, scatter=0.03, others=2),
    )
)


@dataclass(frozen=True)
class Said:
    """Probabilities that were said, and whether the limit was exceeded."""

    probability: Array  # (n_cases,)
    exceeded: NDArray[np.bool_]  # (n_cases,)

    @classmethod
    def together(cls, parts: Sequence[Said]) -> Said:
        """All cases."""
        return cls(
            np.concatenate([part.probability for part in parts]),
            np.concatenate([part.exceeded for part in parts]),
        )

    @property
    def bins(self) -> Array:
        """Mean probability, share exceeded and number of cases of each tenth, ``(n_bins, 3)``."""
        place = np.minimum((self.probability * BINS).astype(int), BINS - 1)
        rows = []
        for own in (place == k for k in range(BINS)):
            means = [self.probability[own].mean(), self.exceeded[own].mean()] if own.any() else []
            rows.append([*(means or [np.nan, np.nan]), own.sum()])
        return np.array(rows, float)

    @property
    def largest_deviation(self) -> float:
        """Of any tenth's share from its mean probability."""
        bins = self.bins
        return float(np.nanmax(np.abs(bins[:, 0] - bins[:, 1])))


def print_reliability(n_cases: int) -> None:
    """Simulate all kinds, print the tenths and draw them."""
    every = []
    for kind, pieces in in_pieces(said, SAID_KINDS, -(-n_cases // len(SAID_KINDS))):
        own = Said.together(pieces)
        every.append(own)
        wrong = np.mean(own.probability) - np.mean(own.exceeded)
        print(f"{kind.name:32} {len(own.probability)} cases, said less exceeded {wrong:+.3f}")
    print_tenths(Said.together(every), "reliability")


def print_tenths(found: Said, name: str) -> None:
    """A line a tenth of the probabilities, and a plot."""
    for k, (mean, share, n) in enumerate(found.bins):
        print(
            f"{k / BINS:.1f} to {(k + 1) / BINS:.1f}: said {mean:.3f}, was {share:.3f} of {n:.0f}"
        )
    print(f"largest deviation {found.largest_deviation:.3f}; {draw(found, name)}")


def draw(found: Said, name: str = "reliability") -> Path:
    """The reliability plot; returns its place."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(4.5, 4.5), layout="constrained")
    axes = figure.subplots()
    bins = found.bins
    axes.plot([0, 1], [0, 1], color="0.6", linewidth=1)
    error = np.sqrt(bins[:, 1] * (1 - bins[:, 1]) / np.maximum(bins[:, 2], 1))
    axes.errorbar(bins[:, 0], bins[:, 1], 1.96 * error, fmt="o", color="black", capsize=3)
    axes.set_xlabel("probability said")
    axes.set_ylabel("share exceeded")
    axes.set_title(f"{len(found.probability)} cases, 95 % bars")
    path = Path(gettempdir()) / f"{name}.png"
    figure.savefig(path, dpi=120)
    return path


def said(kind: CampaignKind, n_cases: int, seed: int = 70) -> Said:
    """Cases of one kind: two configurations a campaign, each with a car and a limit of its own."""
    rng = np.random.default_rng(seed)
    scene = OnsetScene.of(kind.record)
    setting = replace(scene.setting, speeds_m_s=np.array([ONSET_M_S]))
    drawn = drawn_cars(setting)
    truths = _truths(kind, scene, setting, rng)
    probability, exceeded = [], []
    n_campaigns = -(-n_cases // 2)
    for start in range(0, n_campaigns, AT_ONCE):
        for analysis in campaigns(kind, min(AT_ONCE, n_campaigns - start), rng):
            for curve in curves_of(analysis, scene, setting, drawn).values():
                assert curve.estimate is not None
                truth = float(rng.choice(truths))
                gain = 1 + PRESSURE_UNCERTAINTY * float(rng.standard_normal())
                away = float(rng.uniform(-REACH, REACH))
                limit = truth * np.exp(away)
                probability.append(float(curve.estimate.probability_above(limit * gain)[0]))
                exceeded.append(away < 0)
    return Said(np.array(probability), np.array(exceeded, bool))


def _truths(
    kind: CampaignKind, scene: OnsetScene, setting: RideSetting, rng: np.random.Generator
) -> Array:
    """The exact spectrum's metric in cars of the stated spread."""
    exact = exact_run(kind.record)
    found = []
    for car in draw_vehicles(setting.vehicle, TRUE_CARS, rng):
        there = replace(setting, vehicle=car)
        estimate = only_curve([exact], there, scene.criteria, NOTHING).estimate
        assert estimate is not None
        found.append(float(estimate.value[0]))
    return np.array(found)


def curves_of(
    analysis: CampaignAnalysis,
    scene: OnsetScene,
    setting: RideSetting,
    drawn: DrawnCars | None,
) -> dict[str, MetricCurve]:
    """What is said of configurations a and b, by all that the rating knows; none where unsure."""
    stated = replace(analysis, runs=tuple(_with_pressure(run) for run in analysis.runs))
    spread = rating_scatter(stated, setting, ONSET_M_S)
    found = {}
    for name in ("a", "b"):
        runs = stated.of(name)
        unseen = {family: own.unseen(name, len(runs)) for family, own in spread.items()}
        curves = configuration_curves(name, runs, setting, scene.criteria, unseen, drawn)
        (curve,) = curves.metrics
        if curve.estimate is not None and curve.doubt is None:
            found[name] = curve
    return found


def _with_pressure(run: RunAnalysis) -> RunAnalysis:
    """With an uncertain dynamic pressure in its sheet."""
    air = StatedAir(dynamic_pressure_uncertainty=PRESSURE_UNCERTAINTY)
    sheet: Any = SimpleNamespace(**{**vars(run.run), "air": air})
    return replace(run, run=sheet)
