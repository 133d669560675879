"""Block bootstrap over segments: one mechanism for everything linear in segment spectra."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import log
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from buffet.interval import LEVEL, NORMAL_HALF_WIDTH, Interval

Array = NDArray[np.float64]

RESAMPLES = 1000
# Spread of a variance's logarithm from which its own scale is used: noise as large as the value.
LARGEST_SPREAD = 1.0
# With fewer blocks than this the spread itself is not known well enough (simulated: coverage of
# nominal 95 % intervals falls below 90 %).
FEWEST_BLOCKS = 8
# Share of what resampling sees that repeats which agree well may take back. Cutting their
# variance off at zero instead makes intervals too wide (simulated: 98 % for 95 %).
LARGEST_RELIEF = 0.5
# Student's t with more is the normal distribution.
MOST_FREEDOM = 1e6
# Limits further than this from the value on the log scale are as good as unknown.
LARGEST_LOG = 50.0


def politis_white_length(values: Array) -> float:
    """Block length for the circular bootstrap of the mean of `values`, shape ``(n,)``.

    Of several series that belong together, ``(n, n_series)``, the mean autocorrelation is used:
    the rule looks at many lags, and the longest of its lengths over many series is long by chance.

    Source: Politis & White 2004 (Econometric Reviews 23, 53-70) with the correction of Patton,
    Politis & White 2009 (same journal 28, 372-375): b = (2 G² / D)^(1/3) n^(1/3),
    D = (4/3) g(0)², flat-top lag window.
    """
    n = len(values)
    correlation = _mean_autocorrelation(values.reshape(n, -1)) if n >= 4 else None
    if correlation is None:
        return 1.0
    cutoff = _first_quiet_lag(correlation, n)
    lag = np.arange(1, min(2 * cutoff, len(correlation) - 1) + 1)
    window = np.clip(2 * (1 - lag / (2 * cutoff)), 0, 1)
    weighted = window * correlation[lag]
    spectrum = 1 + 2 * float(weighted.sum())
    slope = 2 * float((lag * weighted).sum())
    if spectrum <= 0:
        return 1.0
    length = (2 * slope**2 / (4 / 3 * spectrum**2)) ** (1 / 3) * n ** (1 / 3)
    return float(np.clip(length, 1.0, np.ceil(min(3 * np.sqrt(n), n / 3))))


def _mean_autocorrelation(values: Array) -> Array | None:
    """Over series ``(n, n_series)``, up to √n + 5 lags; None where none of them varies."""
    n = len(values)
    centred = values - values.mean(axis=0)
    variance = (centred**2).sum(axis=0)
    centred = centred[:, variance > 0] / np.sqrt(variance[variance > 0])
    if not centred.shape[1]:
        return None
    most_lags = min(n - 1, int(np.ceil(np.sqrt(n))) + 5)
    lags = [float((centred[k:] * centred[: n - k]).sum()) for k in range(most_lags + 1)]
    return np.asarray(np.array(lags) / centred.shape[1])


def _first_quiet_lag(correlation: Array, n: int) -> int:
    """Smallest lag after which correlations stay inside the noise band (Politis & White)."""
    quiet_run = max(5, int(np.sqrt(np.log10(n))))
    quiet = np.abs(correlation[1:]) < 2 * np.sqrt(np.log10(n) / n)
    for lag in range(len(quiet)):
        if quiet[lag : lag + quiet_run].all():
            return max(lag, 1)
    return len(quiet)


def variance_of_mean(values: Array, n_terms: int) -> Array:
    """Variance of the means of correlated series ``(n, n_series)``, shape ``(n_series,)``.

    The spectrum at zero as the mean square of the first `n_terms` cosine transforms, which leaves
    as many degrees of freedom (Müller 2007, J. Econometrics 141, 1331-1352; Lazarus, Lewis, Stock
    & Watson 2018, J. Business & Economic Statistics 36, 541-559, equal-weighted cosines).
    """
    n = len(values)
    order = np.arange(1, n_terms + 1)[:, None]
    cosines = np.sqrt(2 / n) * np.cos(np.pi * order * (np.arange(n) + 0.5) / n)
    return np.asarray(((cosines @ values) ** 2).mean(axis=0) / n)


def half_width(variance: Array, freedom: Array | float) -> Array:
    """Half of the 95 % interval of a value of that variance, by Student's t."""
    from scipy.special import stdtrit

    # Rounding leaves a little below zero where two channels cancel.
    return np.asarray(stdtrit(freedom, 0.5 + LEVEL / 2) * np.sqrt(np.maximum(variance, 0)))


def log_error(interval: Interval) -> float:
    """Standard deviation of the logarithm of a positive value, from its upper limit."""
    half = LARGEST_LOG if interval.high is None else log(interval.high / interval.value)
    return half / NormalDist().inv_cdf(0.5 + interval.level / 2)


def pooled(intervals: Sequence[Interval]) -> Interval:
    """Weighted mean of positive values on the log scale, widened where they scatter more.

    Weights are inverse variances; the widening is Birge's ratio (Birge 1932, Phys. Rev. 40, 207).
    """
    logs = np.log([interval.value for interval in intervals])
    errors = [log_error(interval) for interval in intervals]
    weights = 1 / np.maximum(np.square(errors), 1e-12)
    mean = float(np.average(logs, weights=weights))
    variance = 1 / float(weights.sum())
    if len(logs) > 1:
        variance *= max(1.0, float(weights @ (logs - mean) ** 2) / (len(logs) - 1))
    half = NORMAL_HALF_WIDTH * np.sqrt(variance)
    return Interval(float(np.exp(mean)), float(np.exp(mean - half)), float(np.exp(mean + half)))


@dataclass(frozen=True)
class Resampling:
    """Weights of a run's segment groups, row 0 as measured, the others resampled in blocks."""

    weights: Array  # (1 + n_resamples, n_groups), rows sum to 1
    blocks: float  # groups / block length

    def means(self, values: Array) -> Array:
        """Weighted means, shape ``(1 + n_resamples, ...)`` of values ``(n_groups, ...)``."""
        flat = self.weights @ values.reshape(len(values), -1)
        return np.asarray(flat.reshape(len(self.weights), *values.shape[1:]))


def resample(
    group_segments: Array,
    key_values: Array,
    rng: np.random.Generator,
    n_resamples: int = RESAMPLES,
) -> Resampling:
    """Circular blocks of neighbouring groups, as long as the key values ask for together.

    Parameters
    ----------
    group_segments : (n_groups,)
    key_values : (n_groups, n_keys), of quantities that belong together
    """
    n_groups = len(group_segments)
    length = min(int(np.ceil(politis_white_length(key_values))), n_groups)
    n_blocks = int(np.ceil(n_groups / length))
    starts = rng.integers(0, n_groups, size=(n_resamples, n_blocks))
    picks = (starts[:, :, None] + np.arange(length)) % n_groups
    picks = picks.reshape(n_resamples, -1)[:, :n_groups]
    places = picks + n_groups * np.arange(n_resamples)[:, None]  # in the flattened counts
    counts = np.bincount(places.ravel(), minlength=n_resamples * n_groups)
    drawn = counts.reshape(n_resamples, n_groups)
    weights = np.concatenate([np.ones((1, n_groups)), drawn]) * group_segments
    return Resampling(weights / weights.sum(axis=1, keepdims=True), n_groups / length)


@dataclass(frozen=True)
class Linear:
    """The same quantity to a power, on its own scale, where noise may have taken it below zero."""

    value: Array
    deviation: Array
    power: float  # quantity = value ** power


@dataclass(frozen=True)
class Unseen:
    """Variance of a logarithm that resampling cannot see, such as that from run to run."""

    variance: Array | float  # below zero where repeats agree better than they should by chance
    # Scatter that it was estimated from, its own length not taken out.
    observed: Array | float = 0.0
    freedom: float = np.inf  # degrees of freedom behind `observed`
    source: str = ""
    shift: Array | float = 0.0  # by which its mean lies off the logarithm of what was measured
    # (n_draws, ...), the logarithm less what was measured in each draw that tells variance and
    # shift; all estimates that share the source share the draws.
    draws: Array | None = None

    def at(self, index: int) -> Unseen:
        """That of one element of a row of quantities."""
        variance, observed, shift = (
            value if np.ndim(value) == 0 else np.asarray(value)[index : index + 1]
            for value in (self.variance, self.observed, self.shift)
        )
        return replace(self, variance=variance, observed=observed, shift=shift)


@dataclass(frozen=True)
class LogEstimate:
    """Positive quantities known with a relative spread; arrays of one shape."""

    value: Array
    spread: Array  # standard deviation of the logarithm
    blocks: float
    linear: Linear | None = None  # used where `value` is not positive
    mixed_freedom: Array | None = None  # where more than the blocks stands behind the spread

    @property
    def reliable(self) -> bool:
        """Whether enough independent blocks stand behind the spread."""
        return self.blocks >= FEWEST_BLOCKS

    @property
    def on_log(self) -> NDArray[np.bool_]:
        """Where the logarithm serves: the value is positive and its spread not as large as it."""
        power = 1.0 if self.linear is None else self.linear.power
        return np.asarray((self.value > 0) & (self.spread < LARGEST_SPREAD * power))

    @property
    def freedom(self) -> Array | float:
        """Degrees of freedom of the spread."""
        return max(self.blocks - 1, 1.0) if self.mixed_freedom is None else self.mixed_freedom

    def probability_above(self, limit: float) -> Array:
        """P(quantity > limit) by Student's t, on the logarithm where the value is positive."""
        from scipy.special import stdtr

        with np.errstate(divide="ignore", invalid="ignore"):
            distance = np.log(self.value / limit) / self.spread
            if self.linear is not None:
                excess = self.linear.value - limit ** (1 / self.linear.power)
                distance = np.where(self.on_log, distance, excess / self.linear.deviation)
        certain = np.nan_to_num(distance, nan=0.0)  # without spread: on one side, or on the limit
        probability = stdtr(self.freedom, certain)
        if self.linear is None:
            probability = np.where(self.value > 0, probability, 0.0)
        return np.asarray(probability)

    def limits(self, level: float = LEVEL) -> tuple[Array, Array]:
        """Lower and upper confidence limits, on the quantity's own scale where noise rules it."""
        from scipy.special import stdtrit

        factor = stdtrit(self.freedom, 0.5 + level / 2)
        half = factor * self.spread
        known = np.isfinite(half) & (self.on_log if self.linear is not None else self.value > 0)
        ratio = np.exp(np.clip(np.where(known, half, 0.0), None, LARGEST_LOG))
        if self.linear is None:
            return self.value / ratio * known, np.where(known, self.value * ratio, np.inf)
        reach = factor * self.linear.deviation
        below, above = (
            np.maximum(self.linear.value + side * reach, 0) ** self.linear.power for side in (-1, 1)
        )
        low, high = self.value / ratio, self.value * ratio
        return np.where(known, low, below), np.where(known, high, above)

    @cached_property
    def _limits(self) -> tuple[Array, Array]:
        """Of the usual level, once for all elements."""
        return self.limits()

    def interval(self, *index: int) -> Interval:
        """One element as an interval."""
        low, high = (float(limit[index]) for limit in self._limits)
        return Interval(float(self.value[index]), low, high if np.isfinite(high) else None)


def log_estimate(samples: Array, blocks: float, unseen: Sequence[Unseen] = ()) -> LogEstimate:
    """From bootstrap samples, row 0 as measured, to an estimate on the log scale.

    The spread is inflated by √(n_b / (n_b - 1)) since blocks, not segments, are independent.
    `unseen` shifts and variances are added, degrees of freedom mixed after Satterthwaite 1946
    (Biometrics Bulletin 2, 110-114). Where some samples lie at or below zero (nearly all of a
    signal is noise) the spread is the samples' own over the value; a value at or below zero keeps
    its own scale.
    """
    samples = samples * np.exp(sum(one.shift for one in unseen))
    value = samples[0]
    inflation = blocks / max(blocks - 1, 0.5)
    good = (samples > 0).all(axis=0)
    logs = np.log(np.where(samples > 0, samples, 1.0))
    own = samples[1:].var(axis=0, ddof=1)
    relative = own / np.where(value > 0, value, 1.0) ** 2
    seen = np.where(good, logs[1:].var(axis=0, ddof=1), relative) * inflation
    added = np.maximum(sum(one.variance for one in unseen), -LARGEST_RELIEF * seen)
    spread = np.where(value > 0, np.sqrt(seen + added), np.inf)
    deviation = np.sqrt(np.maximum(own * inflation + added * value**2, 0))
    freedom = _satterthwaite(seen, added, max(blocks - 1, 1.0), unseen) if unseen else None
    return LogEstimate(value, spread, blocks, Linear(value, deviation, 1.0), freedom)


def _satterthwaite(seen: Array, added: Array, freedom: float, unseen: Sequence[Unseen]) -> Array:
    """Never below the least of the parts, which differences of variances could give."""
    below = seen**2 / freedom + sum(one.observed**2 / one.freedom for one in unseen)
    mixed = (seen + added) ** 2 / np.maximum(below, 1e-300)
    return np.clip(mixed, min(freedom, *(one.freedom for one in unseen)), MOST_FREEDOM)


def half_value(estimate: LogEstimate) -> LogEstimate:
    """Square root: from a variance to an RMS."""
    linear = estimate.linear
    if linear is not None:
        linear = Linear(linear.value, linear.deviation, linear.power / 2)
    root = np.sqrt(np.maximum(estimate.value, 0))
    return replace(estimate, value=root, spread=estimate.spread / 2, linear=linear)


def run_seed(*words: str) -> np.random.Generator:
    """A generator that is the same for the same names, whatever else is analysed."""
    from zlib import crc32

    return np.random.default_rng([crc32(word.encode()) for word in words])
