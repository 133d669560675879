"""One configuration against another: ratio of RMS and difference of means, with their variance."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache, partial

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis
from buffet.interval import LEVEL, Interval
from buffet.rating.scatter import (
    Find,
    Observation,
    Scatter,
    blocks_of,
    by_component,
    cells,
    log_variance,
    scatter,
    zero_shares,
)
from buffet.run_analysis import RunAnalysis
from buffet.spectral.uncertainty import FEWEST_BLOCKS, log_estimate

Array = NDArray[np.float64]

# Student's t with more is the normal distribution.
MOST_FREEDOM = 1e12
# Of the integral over what repeats leave unknown: its nodes, and what lies beyond them.
NODES = 200
TAIL = 1e-14
# Differences with a smaller p-value are taken as there (common practice).
SIGNIFICANT = 0.05
# Probability with which a difference that is called detectable is shown (common practice).
POWER = 0.8
# More runs at one operating point are not worth planning.
MOST_RUNS = 50
# Logarithm of a half-width over one standard error, either way: t of one degree of freedom is 12.7.
REACH = 9.0


@dataclass(frozen=True)
class Estimate:
    """A value with what its variance is made of."""

    value: float
    parts: tuple[tuple[float, float], ...]  # by record length: variance, degrees of freedom
    per_run: float  # sum of the runs' squared weights
    repeats: Scatter
    zeros: Mapping[str, float] = field(default_factory=dict)  # error by wind-off run, one sigma

    @property
    def _own(self) -> float:
        """Variance that the records' length and the zeros leave."""
        lengths = sum(variance for variance, _ in self.parts)
        return lengths + sum(error**2 for error in self.zeros.values())

    @property
    def _seen(self) -> float:
        """Variance that the scatter of the repeats shows."""
        return self.per_run * self.repeats.observed

    @property
    def _rest(self) -> float:
        """What is added to `_seen`: records or zeros other than those of the repeats."""
        return self._own - self.per_run * self.repeats.own

    @property
    def variance(self) -> float:
        """By the repeats where there are any, less what they hold of record length, plus its own.

        The scatter from run to run is not cut off at zero: an estimate that is kept when high and
        replaced when low would call a difference real in up to 12 % of cases instead of 5 %
        (simulated, two repeats).
        """
        return float(self._given(np.array(self._seen))) if self.repeats.freedom else self._own

    def _given(self, seen: Array) -> Array:
        """Variance if that from run to run, with what the repeats hold of length, is `seen`."""
        return np.asarray(np.maximum(seen + self._rest, np.minimum(self._own, seen)))

    def minus(self, other: Estimate) -> Estimate:
        """The difference of two that share nothing but zeros."""
        names = dict.fromkeys([*self.zeros, *other.zeros])
        zeros = {name: self.zeros.get(name, 0.0) - other.zeros.get(name, 0.0) for name in names}
        return replace(
            self,
            value=self.value - other.value,
            parts=self.parts + other.parts,
            per_run=self.per_run + other.per_run,
            zeros=zeros,
        )

    def interval(self) -> Interval:
        """Of all values that the data do not contradict at 5 %."""
        half = self._half_width()
        return Interval(self.value, self.value - half, self.value + half)

    def p_value(self) -> float:
        """Two-sided, of no difference."""
        if self.variance == 0:
            return 1.0 if self.value == 0 else 0.0
        return self._beyond(abs(self.value))

    def equivalence_p_value(self, margin: float) -> float:
        """Of a true difference of the margin or more, to either side: the larger of two one-sided.

        References
        ----------
        Two one-sided tests: Schuirmann 1987, J. Pharmacokinetics and Biopharmaceutics 15, 657-680
        (from memory).
        """
        room = margin - abs(self.value)
        if self.variance == 0:
            return 0.0 if room > 0 else 1.0
        below = self._beyond(abs(room)) / 2
        return below if room > 0 else 1 - below

    def detectable(self, power: float = POWER) -> float:
        """Smallest true difference that the test at 5 % shows with this probability.

        References
        ----------
        (t of 1 - α/2 + t of the power) standard errors (Montgomery, Design and Analysis of
        Experiments, section 2.4, from memory).
        """
        return self._half_width() + self._half_width(1 - 2 * (1 - power))

    def with_runs(self, factor: float, more_freedom: int) -> Estimate:
        """As if every operating point had been run this many times as often, each alike.

        `more_freedom` degrees of freedom then stand behind the scatter of the repeats.
        """
        return replace(
            self,
            parts=tuple((variance / factor, freedom * factor) for variance, freedom in self.parts),
            per_run=self.per_run / factor,
            zeros={run: error / np.sqrt(factor) for run, error in self.zeros.items()},
            repeats=replace(self.repeats, freedom=self.repeats.freedom + more_freedom),
        )

    def _beyond(self, distance: float) -> float:
        """Probability of an error at least as large, to either side.

        Without repeats by Student's t. With them the variance that they show is as uncertain as
        their few leave it, the rest nearly known, and the probability is averaged over the first
        (Behrens-Fisher; Fisher 1935, Annals of Eugenics 6, 391-398). One t whose degrees of freedom
        are mixed after Satterthwaite would do for many repeats, but calls up to 8 % of equal pairs
        different with two of them, 12 % with one (simulated).
        """
        from scipy.special import stdtr

        known = _satterthwaite(self.parts, self._own)
        if not self.repeats.freedom:
            return float(2 * stdtr(known, -distance / np.sqrt(self._own)))
        chi_squared, weight = _chi_squared(self.repeats.freedom)
        variance = self._given(self._seen * self.repeats.freedom / chi_squared)
        share = np.clip((self._rest / variance) ** 2, known / MOST_FREEDOM, 1.0)
        freedom = known / share  # of the sum, the first given
        return float(weight @ (2 * stdtr(freedom, -distance / np.sqrt(variance))))

    def _half_width(self, level: float = LEVEL) -> float:
        """Error that is exceeded, to either side, in a share of 1 - level."""
        from scipy.optimize import brentq

        if self.variance == 0:
            return 0.0

        def too_often(log_width: float) -> float:
            return self._beyond(float(np.exp(log_width))) - (1 - level)

        middle = float(np.log(self.variance)) / 2
        return float(np.exp(brentq(too_often, middle - REACH, middle + REACH, xtol=1e-12)))


def _satterthwaite(parts: tuple[tuple[float, float], ...], total: float) -> float:
    """Degrees of freedom of a sum (Satterthwaite 1946, Biometrics Bulletin 2, 110-114)."""
    below = sum(variance**2 / freedom for variance, freedom in parts)
    return min(total**2 / below, MOST_FREEDOM) if below > 0 else MOST_FREEDOM


@lru_cache(maxsize=32)
def _chi_squared(freedom: int) -> tuple[Array, Array]:
    """Values of chi-squared and their weights: Gauss-Legendre over its logarithm."""
    from scipy.special import gammainccinv, gammaincinv  # scipy.stats takes half a second to load

    half = freedom / 2
    low, high = np.log(2 * gammaincinv(half, TAIL)), np.log(2 * gammainccinv(half, TAIL))
    place, weight = np.polynomial.legendre.leggauss(NODES)
    log_value = (high - low) / 2 * place + (high + low) / 2
    value = np.exp(log_value)
    log_density = half * log_value - value / 2  # of the logarithm, but for a constant
    share = weight * np.exp(log_density - log_density.max())
    return np.asarray(value), np.asarray(share / share.sum())


@dataclass(frozen=True)
class Spreads:
    """Run-to-run scatter of every component, pooled over all repeated configurations."""

    log_variance: Mapping[str, Scatter]  # by component
    mean: Mapping[str, Scatter]

    @classmethod
    def of(cls, analysis: CampaignAnalysis, words: tuple[str, ...]) -> Spreads:
        """Of the components named."""
        return cls(
            {word: rms_scatter(analysis, by_component(word)) for word in words},
            {word: scatter(analysis, partial(mean_of, word=word)) for word in words},
        )


def rms_scatter(analysis: CampaignAnalysis, find: Find) -> Scatter:
    """From run to run, of the logarithm of a quantity's variance."""
    return scatter(analysis, partial(log_variance, find=find))


def total_variance(run: RunAnalysis, index: int) -> Array:
    """Bootstrap samples of a quantity's variance in a run, ``(1 + n_resamples,)``."""
    return np.asarray(run.total_samples[:, index])


def mean_of(run: RunAnalysis, word: str) -> Observation | None:
    """A component's mean in one run."""
    index = run.fluctuation(word)
    if index is None:
        return None
    signal, n_zeros = run.signal, len(run.noise)
    return Observation(
        float(signal.mean[index]),
        float(signal.mean_variance[index]),
        float(signal.mean_freedom[index]),
        # two zeros are taken as averaged, which the middle of the run makes of them
        {f.run: float(np.sqrt(f.spectra.mean_variance[index])) / n_zeros for f in run.noise},
    )


@dataclass(frozen=True)
class Pair:
    """One configuration and another at the operating points they share."""

    analysis: CampaignAnalysis
    name: str
    other: str
    spreads: Spreads

    def groups(self, name: str) -> list[list[RunAnalysis]]:
        """A configuration's runs, one list an operating point that both have."""
        points = [p for n, p in self._cells if n == self.name and (self.other, p) in self._cells]
        return [self._cells[name, point] for point in points]

    @cached_property
    def _cells(self) -> dict[tuple[str, int], list[RunAnalysis]]:
        return cells(self.analysis)

    def runs(self, name: str) -> list[RunAnalysis]:
        """The same in one list."""
        return [run for group in self.groups(name) for run in group]

    def log_ratio(self, word: str) -> Estimate | None:
        """Logarithm of the ratio of RMS values."""
        return self.log_ratio_of(by_component(word), self.spreads.log_variance.get(word))

    def log_rms(self, name: str, word: str) -> Estimate | None:
        """Logarithm of a configuration's RMS, each operating point counting alike."""
        repeats = self.spreads.log_variance.get(word)
        return self.log_rms_of(name, by_component(word), repeats, total_variance)

    def log_ratio_of(
        self,
        find: Find,
        repeats: Scatter | None,
        samples_of: Callable[[RunAnalysis, int], Array] = total_variance,
    ) -> Estimate | None:
        """Logarithm of the ratio of any quantity's RMS, or of a part of it."""
        sides = (self.log_rms_of(n, find, repeats, samples_of) for n in (self.name, self.other))
        mine, theirs = sides
        return None if mine is None or theirs is None else mine.minus(theirs)

    def log_rms_of(
        self,
        name: str,
        find: Find,
        repeats: Scatter | None,
        samples_of: Callable[[RunAnalysis, int], Array],
    ) -> Estimate | None:
        """Of bootstrap samples of each run's variance; None where a run has no such quantity."""
        groups, runs = self.groups(name), self.runs(name)
        places = [index for run in runs if (index := find(run)) is not None]
        if repeats is None or not runs or len(places) < len(runs):
            return None
        weights = _weights(groups)
        samples = sum(
            weight * samples_of(run, index)
            for weight, run, index in zip(weights, runs, places, strict=True)
        )
        estimate = log_estimate(np.asarray(samples), blocks_of(runs, find))
        if not estimate.value > 0 or not np.isfinite(estimate.spread):
            return None
        # of an RMS's logarithm: half that of the variance's, and a quarter of its variance
        return Estimate(
            float(np.log(estimate.value)) / 2,
            ((float(estimate.spread**2) / 4, float(estimate.freedom)),),
            float(weights @ weights) / 4,
            repeats,
        )

    def difference(self, word: str) -> Estimate | None:
        """Difference of the means, each operating point counting alike."""
        mine, theirs = self.mean(self.name, word), self.mean(self.other, word)
        return None if mine is None or theirs is None else mine.minus(theirs)

    def mean(self, name: str, word: str) -> Estimate | None:
        """A configuration's mean, each operating point counting alike."""
        groups = self.groups(name)
        seen = [o for run in self.runs(name) if (o := mean_of(run, word))]
        weights = _weights(groups)
        if not seen or len(seen) < len(weights):
            return None
        weighted = list(zip(weights.tolist(), seen, strict=True))
        return Estimate(
            sum(weight * o.value for weight, o in weighted),
            tuple((weight**2 * o.variance, o.freedom) for weight, o in weighted),
            float(weights @ weights),
            self.spreads.mean[word],
            zero_shares(weights, seen),
        )

    def runs_to_show(self, estimate: Estimate, change: float) -> int | None:
        """Runs at each operating point, of both, that would show a true change of this logarithm.

        With the probability of `POWER`, if repeats go on to scatter as those that there are. None
        where nothing was repeated, so that their scatter is not known, or `MOST_RUNS` do not show
        it.
        """
        if not estimate.repeats.freedom:
            return None
        counts = [len(group) for name in (self.name, self.other) for group in self.groups(name)]
        now = len(counts) / sum(1 / count for count in counts)
        for runs in range(int(np.ceil(now)), MOST_RUNS + 1):
            more = max(runs * len(counts) - sum(counts), 0)
            if estimate.with_runs(runs / now, more).detectable() <= change:
                return runs
        return None

    def why_missing(self, word: str) -> str:
        """Why there is no ratio or difference of a component."""
        runs = [*self.runs(self.name), *self.runs(self.other)]
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
        both = (self.runs(name) for name in (self.name, self.other))
        return all(blocks_of(runs, by_component(word)) >= FEWEST_BLOCKS for runs in both)


def _weights(groups: list[list[RunAnalysis]]) -> Array:
    """Of each run, so that operating points count alike whatever their repeats; sum 1."""
    return np.array([1 / (len(groups) * len(group)) for group in groups for _ in group])


def exponential(interval: Interval) -> Interval:
    """From a logarithm to the quantity."""
    assert interval.low is not None
    assert interval.high is not None
    low, value, high = np.exp([interval.low, interval.value, interval.high])
    return Interval(float(value), float(low), float(high))


# Gives the pair of two configurations, the first against the second.
Between = Callable[[str, str], Pair]
