"""Add-ons against the baseline: which differences are real, what they cost, which to fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis
from buffet.errors import NotRateableError
from buffet.interval import LEVEL, Interval
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.rating.scatter import Observation, Scatter, blocks_of, cells, log_variance, scatter
from buffet.recommending import Recommendation, recommend
from buffet.run_analysis import RunAnalysis
from buffet.spectral.uncertainty import FEWEST_BLOCKS, log_estimate
from buffet.trade import fuel_change_percent, top_speed_change_percent
from ingest import FORCES, MOMENTS, Campaign

Array = NDArray[np.float64]

COMPARED = (*FORCES, *MOMENTS)


@dataclass(frozen=True)
class AddOn:
    """One configuration beside the baseline; differences are add-on minus baseline."""

    name: str
    rms_ratio: Mapping[str, Interval]  # by component
    p_value: Mapping[str, float]  # corrected for the number of configurations
    unreliable: tuple[str, ...]  # components with too little record behind their ratio
    delta_drag: Interval | None  # coefficients
    delta_front_lift: Interval | None
    delta_rear_lift: Interval | None
    drag_change_percent: Interval | None
    fuel_change_percent: Interval | None
    top_speed_change_percent: Interval | None
    missing: Mapping[str, str]  # why a value is not there
    rating: ConfigurationRating


@dataclass(frozen=True)
class Comparison:
    """All add-ons against the baseline at one road speed."""

    baseline: ConfigurationRating
    speed_m_s: float
    add_ons: tuple[AddOn, ...]
    repeated: bool  # whether any operating point was run more than once
    recommendation: Recommendation
    rating: Rating


@dataclass(frozen=True)
class _Estimate:
    """A value with variance contributions, each with its degrees of freedom."""

    value: float
    parts: tuple[tuple[float, float], ...]  # variance, degrees of freedom

    @property
    def variance(self) -> float:
        return sum(variance for variance, _ in self.parts)

    @property
    def freedom(self) -> float:
        """Satterthwaite 1946 (Biometrics Bulletin 2, 110-114)."""
        below = sum(variance**2 / freedom for variance, freedom in self.parts if freedom > 0)
        return self.variance**2 / below if below > 0 else np.inf

    def minus(self, other: _Estimate) -> _Estimate:
        return _Estimate(self.value - other.value, self.parts + other.parts)

    def interval(self) -> Interval:
        from scipy.special import stdtrit

        half = float(stdtrit(min(self.freedom, 1e6), 0.5 + LEVEL / 2)) * np.sqrt(self.variance)
        return Interval(self.value, self.value - half, self.value + half)

    def p_value(self) -> float:
        """Two-sided, of no difference."""
        from scipy.special import stdtr

        if self.variance == 0:
            return 1.0 if self.value == 0 else 0.0
        t = abs(self.value) / np.sqrt(self.variance)
        return float(2 * stdtr(min(self.freedom, 1e6), -t))


def require_baseline(campaign: Campaign) -> str:
    """The baseline's name; refuses before any recording is read.

    Raises
    ------
    NotRateableError
        The campaign names no baseline.
    """
    if campaign.baseline is None:
        raise NotRateableError(
            f"{campaign.folder / 'campaign.toml'}: no baseline is stated, so there is nothing to "
            "compare with; state [campaign] baseline"
        )
    return campaign.baseline


def compare(rating: Rating) -> Comparison:
    """Compare every configuration with the campaign's baseline.

    Raises
    ------
    NotRateableError
        The campaign names no baseline, or none of the baseline's runs could be read.
    """
    analysis = rating.analysis
    name = require_baseline(analysis.campaign)
    rated = {configuration.name: configuration for configuration in rating.configurations}
    if name not in rated:
        own = {run.number for run in analysis.campaign.wind_on if run.configuration == name}
        lost = [f"  run {f.run}: {f.error}" for f in analysis.failed if f.run in own]
        head = f"{analysis.campaign.folder}: no run of the baseline {name!r} could be read:"
        raise NotRateableError("\n".join([head, *lost]))
    words = _components(analysis)
    spreads = {word: scatter(analysis, partial(log_variance, word=word)) for word in words}
    means = {word: scatter(analysis, partial(_mean, word=word)) for word in words}
    others = [c for c in analysis.campaign.configurations if c in rated and c != name]
    tables = {c: _Pair(analysis, c, name, spreads, means) for c in others}
    corrected = _corrected({c: table.p_values() for c, table in tables.items()}, words)
    add_ons = tuple(_add_on(table, rated[c], corrected[c], rating) for c, table in tables.items())
    repeated = any(len(runs) > 1 for runs in cells(analysis).values())
    choice = recommend(rated[name], add_ons)
    return Comparison(rated[name], rating.speed_m_s, add_ons, repeated, choice, rating)


def _components(analysis: CampaignAnalysis) -> tuple[str, ...]:
    """Components that any run has; what a pair of configurations lacks is told there."""
    return tuple(
        word
        for word in COMPARED
        if any(run.signal.measured(word) is not None for run in analysis.runs)
    )


def _mean(run: RunAnalysis, word: str) -> Observation | None:
    """A component's mean; repeats tell its variance better than one record does."""
    index = run.fluctuation(word)
    if index is None:
        return None
    signal = run.signal
    return Observation(
        float(signal.mean[index]),
        float(signal.mean_variance[index]),
        float(signal.mean_freedom[index]),
    )


@dataclass(frozen=True)
class _Pair:
    """One configuration and the baseline at the operating points they share."""

    analysis: CampaignAnalysis
    name: str
    baseline: str
    spreads: Mapping[str, Scatter]
    means: Mapping[str, Scatter]

    def _shared(self, name: str) -> list[list[RunAnalysis]]:
        """The configuration's runs, one list an operating point."""
        groups = cells(self.analysis)
        points = [p for n, p in groups if n == self.name and (self.baseline, p) in groups]
        return [groups[name, point] for point in points]

    def log_ratio(self, word: str) -> _Estimate | None:
        """Logarithm of the ratio of RMS values."""
        mine = self._log_rms(self.name, word)
        theirs = self._log_rms(self.baseline, word)
        return None if mine is None or theirs is None else mine.minus(theirs)

    def _log_rms(self, name: str, word: str) -> _Estimate | None:
        runs = [run for group in self._shared(name) for run in group]
        if not runs:
            return None
        if any(run.fluctuation(word) is None for run in runs):
            return None
        samples = np.mean([run.total_samples[:, run.fluctuation(word)] for run in runs], axis=0)
        blocks = blocks_of(runs, word)
        estimate = log_estimate(samples, blocks)
        if not estimate.value > 0 or not np.isfinite(estimate.spread):
            return None
        spread = self.spreads[word]
        parts = [(float(estimate.spread**2) / 4, max(blocks - 1, 1.0))]
        if spread.run_to_run > 0:
            parts.append((spread.run_to_run / len(runs) / 4, spread.freedom))
        return _Estimate(float(np.log(estimate.value)) / 2, tuple(parts))

    def why_missing(self, word: str) -> str:
        """Why there is no ratio or difference of a component."""
        names = (self.name, self.baseline)
        runs = [run for name in names for group in self._shared(name) for run in group]
        if not runs:
            return "no run at a wind speed and yaw at which the baseline was run too"
        lost = [run.run.number for run in runs if run.fluctuation(word) is None]
        if lost:
            return (
                f"{word} was not measured, or its channel never changed, in run {', '.join(lost)}"
            )
        return f"the fluctuation of {word} does not rise above the wind-off noise"

    def reliable(self, word: str) -> bool:
        """Whether enough record stands behind both RMS values."""
        both = [
            [run for group in self._shared(name) for run in group]
            for name in (self.name, self.baseline)
        ]
        return all(blocks_of(runs, word) >= FEWEST_BLOCKS for runs in both)

    def difference(self, word: str) -> _Estimate | None:
        """Difference of the means, each operating point counting alike."""
        mine, theirs = self._mean_of(self.name, word), self._mean_of(self.baseline, word)
        return None if mine is None or theirs is None else mine.minus(theirs)

    def _mean_of(self, name: str, word: str) -> _Estimate | None:
        groups = self._shared(name)
        seen = [[o for run in group if (o := _mean(run, word))] for group in groups]
        if not seen or not all(seen):
            return None
        value = float(np.mean([np.mean([o.value for o in group]) for group in seen]))
        share = 1 / len(seen) ** 2
        parts = [(o.variance / len(group) ** 2 * share, o.freedom) for group in seen for o in group]
        parts.append((self._zero_variance(groups, word), np.inf))
        spread = self.means[word]
        if spread.run_to_run > 0:
            between = spread.run_to_run * sum(1 / len(group) for group in seen) * share
            parts.append((between, spread.freedom))
        return _Estimate(value, tuple(parts))

    @staticmethod
    def _zero_variance(groups: Sequence[Sequence[RunAnalysis]], word: str) -> float:
        """Of a mean over runs: not less for more of them, since they share their zeros."""
        runs = [(run, run.fluctuation(word)) for group in groups for run in group]
        return float(np.mean([run.zero_variance[i] for run, i in runs if i is not None]))

    def p_values(self) -> dict[str, float]:
        """Of no difference in RMS, by component, uncorrected."""
        ratios = {word: self.log_ratio(word) for word in self.spreads}
        return {word: ratio.p_value() for word, ratio in ratios.items() if ratio is not None}


def holm(p_values: Sequence[float]) -> list[float]:
    """Holm's correction (Holm 1979, Scandinavian Journal of Statistics 6, 65-70)."""
    order = np.argsort(p_values)
    corrected = [0.0] * len(p_values)
    largest = 0.0
    for rank, index in enumerate(order):
        largest = max(largest, min(1.0, (len(p_values) - rank) * p_values[index]))
        corrected[index] = largest
    return corrected


def _corrected(
    raw: Mapping[str, Mapping[str, float]], words: Sequence[str]
) -> dict[str, dict[str, float]]:
    """Holm over the configurations, component by component."""
    result: dict[str, dict[str, float]] = {name: {} for name in raw}
    for word in words:
        names = [name for name in raw if word in raw[name]]
        for name, p_value in zip(names, holm([raw[n][word] for n in names]), strict=True):
            result[name][word] = p_value
    return result


def _add_on(
    pair: _Pair, rated: ConfigurationRating, p_values: Mapping[str, float], rating: Rating
) -> AddOn:
    ratios = {}
    for word in p_values:
        logs = pair.log_ratio(word)
        if logs is not None:
            ratios[word] = _exponential(logs.interval())
    deltas = {
        word: None if (d := pair.difference(word)) is None else d.interval()
        for word in ("drag", "front lift", "rear lift")
        if word in pair.means
    }
    missing = {
        f"delta_{word.replace(' ', '_')}": pair.why_missing(word)
        for word in ("drag", "front lift", "rear lift")
        if deltas.get(word) is None
    }
    missing |= {
        f"rms_ratio {word}": pair.why_missing(word) for word in pair.spreads if word not in ratios
    }
    drag = deltas.get("drag")
    base = pair._mean_of(pair.baseline, "drag") if "drag" in pair.means else None
    change = drag.scaled(100 / base.value) if drag and base and base.value > 0 else None
    top, why = None, pair.why_missing("drag")
    if drag is not None and base is not None:
        top, why = top_speed_change_percent(rating, base.value, drag)
    if top is None:
        missing["top_speed_change_percent"] = why
    if change is None:
        missing["fuel_change_percent"] = (
            pair.why_missing("drag") if drag is None else "the baseline's mean drag is not positive"
        )
    return AddOn(
        pair.name,
        ratios,
        p_values,
        tuple(word for word in ratios if not pair.reliable(word)),
        drag,
        deltas.get("front lift"),
        deltas.get("rear lift"),
        change,
        None if change is None else fuel_change_percent(change, rating.speed_m_s),
        top,
        missing,
        rated,
    )


def _exponential(interval: Interval) -> Interval:
    assert interval.low is not None
    assert interval.high is not None
    low, value, high = np.exp([interval.low, interval.value, interval.high])
    return Interval(float(value), float(low), float(high))
