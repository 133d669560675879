"""Largest values of a record's blocks as a Gumbel distribution, carried to a longer time."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.extremes.order_statistics import blue
from buffet.interval import LEVEL, Interval

Array = NDArray[np.float64]

# Fractiles of the largest value in a time. A Gumbel distribution has its mean at exp(-e^-γ); with
# the other, one drive in 4.5 goes higher (Cook & Mayne 1979, 1980, J. Wind Engineering and
# Industrial Aerodynamics; from memory).
MEAN_FRACTILE, HIGH_FRACTILE = 0.5704, 0.78
# Tails fall like exp(-c |x - mean|^w): w is 2 for a Gaussian record and 1 for an exponential tail.
EXPONENTIAL, GAUSSIAN = 1.0, 2.0
# Where w as the distances' distribution has it lies outside these, they are a mixture (bursts, two
# states) or end at a bound, and do not tell how their tail goes on. Gaussian records stay below
# 2.7, gamma distributed ones of shape 4 above 1.15; bursts are near 1 or below (simulated).
TELLING = (1.1, 3.0)
_POWERS = np.geomspace(0.5, 8.0, 401)
_TAILS = ((1 - LEVEL) / 2, (1 + LEVEL) / 2)
DRAWS = 20_000  # samples of n maxima: limits scatter by 1 % of the half-width


@dataclass(frozen=True)
class Tail:
    """One side of a record: the largest values of its blocks (or the smallest, `sign` -1).

    The blocks' maxima are Gumbel distributed as v = z^w, z the distance from the mean over the
    RMS: on that scale the maxima of a Gaussian record (w = 2) reach their limiting distribution
    soon, on z itself very slowly, and too large a value comes out of a longer time (Cook 1982,
    J. Wind Engineering and Industrial Aerodynamics 9, 295-323, for wind speeds; from memory).
    Mode and scale of v are Lieblein's estimates; those in a time T are u + b ln(T / t) and b.
    """

    sign: int
    mean: float
    rms: float
    block_s: float
    extremes: Array  # (n,), of the blocks, in their order in time, in the record's unit
    own_power: float  # w as the record's distribution has it
    powers_without: Array  # (n,), that of the record without each block

    @property
    def power(self) -> float:
        """w as it is used: no tail is lighter than Gaussian or heavier than exponential."""
        return float(np.clip(self.own_power, EXPONENTIAL, GAUSSIAN))

    @property
    def is_untold(self) -> bool:
        """Whether the record's distribution does not tell how the tail goes on."""
        return not TELLING[0] <= self.own_power <= TELLING[1]

    @cached_property
    def reduced(self) -> Array:
        """v of the extremes, ascending, ``(n,)``."""
        distance = self.sign * (self.extremes - self.mean) / self.rms
        return np.sort(np.maximum(distance, 0.0) ** self.power)

    @cached_property
    def mode(self) -> float:
        """u of v."""
        return float(blue(len(self.extremes)).mode_weights @ self.reduced)

    @cached_property
    def scale(self) -> float:
        """b of v, one over the dispersion a."""
        return float(blue(len(self.extremes)).scale_weights @ self.reduced)

    @property
    def furthest(self) -> float:
        """The largest (smallest) value of the record."""
        return float(self.sign * np.max(self.sign * self.extremes))

    @property
    def correlation(self) -> float:
        """Of the ordered maxima with the means of the reduced variate: 1 on a straight line."""
        return float(_correlation(self.reduced[None], blue(len(self.extremes)).reduced_means)[0])

    @property
    def fit_p(self) -> float:
        """How often as many Gumbel maxima lie on a straight line no better than these."""
        return float((_draws(len(self.extremes))[2] <= self.correlation).mean())

    @property
    def serial_correlation(self) -> float:
        """Of neighbouring blocks' extremes; independent ones keep below 2/√n."""
        return float(np.corrcoef(self.extremes[:-1], self.extremes[1:])[0, 1])

    def reduced_variate(self, fractile: float, time_s: float) -> float:
        """Of a block's largest value where it is as likely as the fractile in a time."""
        return float(np.log(time_s / self.block_s) - np.log(-np.log(fractile)))

    def in_time(self, fractile: float, time_s: float) -> Interval:
        """A fractile of the largest value in a time."""
        return self.at(self.reduced_variate(fractile, time_s))

    def at(self, variate: float) -> Interval:
        """The value at a reduced variate of a block's largest value.

        Of n Gumbel maxima, (u + k b - û) / b̂ has a distribution that depends on n and k alone. It
        is stretched by what the uncertainty of the power adds (`_stretch`). Where the tail is
        untold, the limits are the widest of a Gaussian and an exponential one, and reach back to
        the blocks' median, since it may end at a bound.
        """
        every = [tail._limits(variate) for tail in self._possible]
        ends = [limit for limits in every for limit in limits]
        if self.is_untold:
            ends.append(float(np.median(self.extremes)))
        return Interval(self._value(self.mode + self.scale * variate), min(ends), max(ends))

    def chance(self, level: float, time_s: float) -> Interval:
        """Probability that the largest value in a time lies beyond a level.

        With y the level's reduced variate, 1 - exp(-T/t e^-y). The distribution of its estimate
        (v - û) / b̂ depends on n and y alone: its limits are those of û + ŷ b̂ in drawn maxima.
        """
        blocks = time_s / self.block_s
        value, *_ = self._variates(level)
        ends = [variate for tail in self._possible for variate in tail._variates(level)[1:]]
        if self.is_untold and self.sign * (level - self.furthest) > 0:
            ends.append(np.inf)  # beyond a bound that the tail may end at
        chances = [float(-np.expm1(-blocks * np.exp(-y))) for y in (value, max(ends), min(ends))]
        return Interval(*chances)

    @property
    def _possible(self) -> tuple[Tail, ...]:
        """With each power that the record allows."""
        if not self.is_untold:
            return (self,)
        n = len(self.extremes)
        powers = (EXPONENTIAL, GAUSSIAN)
        return tuple(replace(self, own_power=p, powers_without=np.full(n, p)) for p in powers)

    def _limits(self, variate: float) -> tuple[float, float]:
        modes, scales, _ = _draws(len(self.extremes))
        value = self._value(self.mode + self.scale * variate)
        stretch = self._stretch(variate)
        near, far = np.quantile((variate - modes) / scales, _TAILS)
        ends = [self._value(self.mode + self.scale * float(k)) for k in (near, far)]
        low, high = (value + stretch * (end - value) for end in ends)
        return low, high

    def _variates(self, level: float) -> tuple[float, float, float]:
        """Reduced variate of a level, and its limits."""
        distance = max(self.sign * (level - self.mean) / self.rms, 0.0) ** self.power
        variate = (distance - self.mode) / self.scale
        modes, scales, _ = _draws(len(self.extremes))
        stretch = self._stretch(variate)
        low, high = np.quantile(modes + variate * scales, _TAILS)
        return variate, *(variate + stretch * (float(end) - variate) for end in (low, high))

    def _value(self, reduced: float) -> float:
        return self.mean + self.sign * self.rms * float(max(reduced, 0.0) ** (1 / self.power))

    def _stretch(self, variate: float) -> float:
        """Scatter of the value with the power's own over that without it, by leaving out blocks."""
        n = len(self.extremes)
        left = blue(n - 1)
        distance = np.maximum(self.sign * (self.extremes - self.mean) / self.rms, 0.0)
        others = np.tile(distance, (n, 1))[~np.eye(n, dtype=bool)].reshape(n, n - 1)
        others.sort(axis=1)
        scatter = []
        for power in (np.full(n, self.power), np.clip(self.powers_without, EXPONENTIAL, GAUSSIAN)):
            reduced = others ** power[:, None]
            found = reduced @ (left.mode_weights + variate * left.scale_weights)
            scatter.append(float(np.std(np.maximum(found, 0.0) ** (1 / power))))
        return max(1.0, float(scatter[1] / scatter[0])) if scatter[0] > 0 else 1.0


def tail_of(blocks: Array, extremes: Array, block_s: float, sign: int) -> Tail:
    """The upper (`sign` 1) or lower (-1) tail of a record cut into blocks.

    Parameters
    ----------
    blocks : (n, n_samples), in their order in time
    extremes : (n,), the value of each that counts
    """
    mean, rms = float(blocks.mean()), float(blocks.std())
    distance = np.maximum(sign * (blocks - mean) / rms, 0.0)
    sums = np.stack(
        [(distance > 0).sum(axis=1), distance.sum(axis=1), (distance**2).sum(axis=1)]
    ).astype(float)
    whole = sums.sum(axis=1)
    power = float(_power(whole[:, None])[0])
    return Tail(sign, mean, rms, block_s, extremes, power, _power(whole[:, None] - sums))


def _power(sums: Array) -> Array:
    """w from the number, sum and sum of squares of distances to one side, ``(3, n)``.

    A density exp(-c x^w) has E x² / (E x)² = Γ(3/w) Γ(1/w) / Γ(2/w)²; low moments scatter least.
    """
    from scipy.special import gamma

    known = gamma(3 / _POWERS) * gamma(1 / _POWERS) / gamma(2 / _POWERS) ** 2
    found = sums[2] * sums[0] / sums[1] ** 2
    return np.asarray(np.interp(-found, -known, _POWERS))


@cache
def _draws(n: int) -> tuple[Array, Array, Array]:
    """Mode, scale and straightness of drawn samples of n reduced Gumbel variates."""
    best = blue(n)
    rng = np.random.default_rng(n)  # the same record gives the same interval
    drawn = np.sort(-np.log(rng.exponential(size=(DRAWS, n))), axis=1)
    straight = _correlation(drawn, best.reduced_means)
    return drawn @ best.mode_weights, drawn @ best.scale_weights, straight


def _correlation(ordered: Array, means: Array) -> Array:
    """Of each row ``(n_rows, n)`` with the means; 0 where a row does not vary."""
    about = ordered - ordered.mean(axis=1, keepdims=True)
    against = means - means.mean()
    size = np.linalg.norm(about, axis=1) * np.linalg.norm(against)
    return np.asarray(about @ against / np.where(size > 0, size, np.inf))
