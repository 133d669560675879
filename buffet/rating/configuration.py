"""One configuration over road speeds: every criterion's metric with its uncertainty."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from buffet.rating.criteria import Criteria, Criterion, Metric
from buffet.rating.ride_metrics import RIDE_INPUTS, RideSetting, RunMotion, sliding_octaves
from buffet.rating.seat_scatter import VERTICAL_BAND_HZ
from buffet.road_speed import RoadBand
from buffet.run_analysis import RunAnalysis
from buffet.spectral.uncertainty import LogEstimate, Unseen, half_value, log_estimate
from buffet.usable_band import NEEDED_FROM_HZ, NEEDED_HZ

Array = NDArray[np.float64]
Rows = Callable[[Array], NDArray[np.complex128]]

# A vertical criterion is covered from 1 to 8 Hz at least, and if carrying the last level on flat
# to the top of its band changes the metric by less than this share (engineering judgement).
VERTICAL_NEEDS_HZ = (NEEDED_FROM_HZ, NEEDED_HZ)
CARRIED_ON_SHARE = 0.2
# What a metric cannot do without; a missing drag or pitch moment leaves the seat's motion a
# little off, which the verdict's sentence says, but moves load from one axle to the other.
NEEDED_BY: dict[Metric, tuple[str, ...]] = {
    "seat-over-road": ("lift",),
    "seat-weighted": ("lift",),
    "rear-axle-load": ("lift", "pitch moment"),
}


@dataclass(frozen=True)
class MetricCurve:
    """One criterion's metric at each road speed."""

    criterion: Criterion
    estimate: LogEstimate | None  # (n_speeds,); None where it was not measured
    why_missing: str | None
    covered: NDArray[np.bool_]  # (n_speeds,)
    seat: LogEstimate | None = None  # (n_speeds,), Wk r.m.s. of the criterion's band, m/s²
    octave_hz: Array | None = None  # (n_speeds, 2), worst octave

    def silent(self, index: int) -> bool:
        """Whether the motion lies below the criterion's perception threshold at one speed."""
        return self.seat is not None and bool(
            self.seat.value[index] < self.criterion.silent_below_m_s2
        )

    def probabilities(self, index: int) -> tuple[float, float]:
        """P(metric > possible), P(metric > likely) at one speed."""
        if self.estimate is None:
            return 0.0, 0.0
        possible = self.estimate.probability_above(self.criterion.possible)
        likely = self.estimate.probability_above(self.criterion.likely)
        return float(possible[index]), float(likely[index])


@dataclass(frozen=True)
class ConfigurationCurves:
    """All criteria of one configuration over the road speeds of `setting`."""

    name: str
    runs: tuple[RunAnalysis, ...]
    setting: RideSetting
    band_hz: tuple[Array, Array]  # usable road band, each (n_speeds,)
    seat: LogEstimate | None  # Wk-weighted seat acceleration, m/s²
    metrics: tuple[MetricCurve, ...]
    missing: tuple[str, ...]  # components of the ride model that were not measured


def configuration_curves(
    name: str,
    runs: Sequence[RunAnalysis],
    setting: RideSetting,
    criteria: Criteria,
    unseen: Sequence[Unseen],
) -> ConfigurationCurves:
    """Evaluate every criterion of one configuration at all road speeds.

    `unseen` is what the runs' own scatter leaves out of the logarithm of a pooled variance.
    """
    words = tuple(word for word in RIDE_INPUTS if not _without(word, runs))
    missing = tuple(word for word in RIDE_INPUTS if word not in words)
    band = RoadBand.of(runs, words or RIDE_INPUTS, setting.speeds_m_s)
    if "lift" not in words:
        nothing = np.zeros(len(setting.speeds_m_s), bool)
        lost = ", ".join(_without("lift", runs))
        why = f"lift was not measured, or a channel behind it never changed, in run {lost}"
        curves = tuple(MetricCurve(row, None, why, nothing) for row in criteria.rows)
        return ConfigurationCurves(name, tuple(runs), setting, band.union_hz, None, curves, missing)
    motions = [RunMotion(setting, run, i, band, words) for i, run in enumerate(runs)]
    pool = _Pool(motions, setting, band, unseen, words)
    curves = tuple(pool.curve(row) for row in criteria.rows)
    seat, _ = pool.seat(VERTICAL_BAND_HZ)
    return ConfigurationCurves(name, tuple(runs), setting, band.union_hz, seat, curves, missing)


def _without(word: str, runs: Sequence[RunAnalysis]) -> list[str]:
    """Numbers of the runs that do not tell a component's fluctuation."""
    return [
        run.run.number
        for run in runs
        if word not in run.signal.components or run.fluctuation(word) is None
    ]


@dataclass
class _Pool:
    """The runs of a configuration together."""

    motions: Sequence[RunMotion]
    setting: RideSetting
    band: RoadBand
    unseen: Sequence[Unseen]
    inputs: tuple[str, ...]
    seats: dict[tuple[float, float], tuple[LogEstimate, Array]] = field(default_factory=dict)

    @property
    def blocks(self) -> float:
        return float(sum(motion.run.vertical.blocks for motion in self.motions))

    def curve(self, row: Criterion) -> MetricCurve:
        """One criterion."""
        lacking = [word for word in NEEDED_BY[row.metric] if word not in self.inputs]
        if lacking:
            why = f"{' and '.join(lacking)} was not measured in every run"
            nothing = np.zeros(len(self.setting.speeds_m_s), bool)
            return MetricCurve(row, None, why, nothing)
        seat, growth = self.seat(row.band_hz)
        estimate, octave = seat, None
        if row.metric == "seat-over-road":
            estimate, growth, octave = self.over_road(row.band_hz)
        elif row.metric == "rear-axle-load":
            estimate, growth = self.rear_load(row.band_hz)
        return MetricCurve(row, estimate, None, self.covered(row, growth), seat, octave)

    def seat(self, band_hz: tuple[float, float]) -> tuple[LogEstimate, Array]:
        """Weighted seat acceleration in a band, and its growth when carried on."""
        if band_hz not in self.seats:
            edges = (np.array([band_hz[0]]), np.array([band_hz[1]]))
            samples = self._sum(self.setting.seat_rows, *edges)[..., 0]
            added = self._carried_on(self.setting.seat_rows, edges, band_hz[1])[:, 0]
            self.seats[band_hz] = (self._estimate(samples), _growth(samples[0], added))
        return self.seats[band_hz]

    def rear_load(self, band_hz: tuple[float, float]) -> tuple[LogEstimate, Array]:
        """Rear axle load over static, percent."""
        edges = (np.array([band_hz[0]]), np.array([band_hz[1]]))
        samples = self._sum(self.setting.rear_load_rows, *edges)[..., 0]
        return self._estimate(samples), np.zeros(samples.shape[1])

    def over_road(self, band_hz: tuple[float, float]) -> tuple[LogEstimate, Array, Array]:
        """Worst sliding octave over the road's, its growth, and the octave."""
        low, high = sliding_octaves(*band_hz)
        road = self.setting.road_octaves(low, high)
        samples = self._sum(self.setting.seat_rows, low, high) / road
        added = self._carried_on(self.setting.seat_rows, (low, high), band_hz[1]) / road
        worst = samples.max(axis=2)
        index = samples[0].argmax(axis=1)
        grown = (np.maximum(samples[0], 0) + added).max(axis=1)
        growth = _growth(worst[0], grown - worst[0])
        return self._estimate(worst), growth, np.stack([low[index], high[index]], axis=1)

    def covered(self, row: Criterion, growth: Array) -> NDArray[np.bool_]:
        """Whether the usable road band carries the criterion, at each speed."""
        low, high = self.band.union_hz
        if row.coverage == "whole band":
            return np.asarray((low <= row.band_hz[0]) & (high >= row.band_hz[1]))
        spans = (low <= VERTICAL_NEEDS_HZ[0]) & (high >= VERTICAL_NEEDS_HZ[1])
        return np.asarray(spans & (growth < CARRIED_ON_SHARE))

    def _estimate(self, variance_samples: Array) -> LogEstimate:
        return half_value(log_estimate(variance_samples, self.blocks, self.unseen))

    def _sum(self, rows: Rows, low: Array, high: Array) -> Array:
        parts = [motion.variances(rows, low, high) for motion in self.motions]
        return np.asarray(np.sum(parts, axis=0))

    def _carried_on(self, rows: Rows, edges: tuple[Array, Array], until_hz: float) -> Array:
        """From the run that reaches highest, since the others leave off below it."""
        furthest = int(np.argmax(self.band.high_hz[:, 0]))
        return self.motions[furthest].carried_on(rows, edges, until_hz)


def _growth(variance: Array, added: Array) -> Array:
    """Relative change of an RMS when variance is added; none where there is nothing to carry on."""
    growth = np.sqrt(1 + added / np.where(variance > 0, variance, 1.0)) - 1
    return np.where((variance > 0) | (added <= 0), growth, np.inf)
