"""Coherence, phase and gain of two signals from averaged cross-spectra, with their intervals.

`averages` is the number of independent segments, which need not be whole: overlapping Hann
segments are worth fewer than there are (`window.effective_segments`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from buffet.interval import LEVEL, NORMAL_HALF_WIDTH, Interval
from buffet.spectral.window import HANN_BIN_INFORMATION

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

CHANCE = 0.05
# Grid of true coherences on which quantiles are worked out, as atanh of the root: about zero in
# units of the estimate's own scatter, then up to coherences that differ from 1 by 2e-4, beyond
# which (1 - estimate) / (1 - truth) has one distribution.
NEAR_ZERO, NEAR_STEPS = 6.0, 40
HIGHEST, HIGH_STEPS = 5.0, 14
# Terms of the sum over a negative binomial; where it has more of them they are integrated.
TERMS = 128
# Its ends in standard deviations, and in lengths of the exponential tail that few averages leave.
DEVIATIONS, TAIL = 9.0, 35.0
NEWTON_STEPS = 30
NEWTON_TOLERANCE = 1e-5  # of quantities of order 1
# The least number of averages: with two there is next to nothing to be said.
FEWEST_AVERAGES = 2.0


def threshold(averages: float, chance: float = CHANCE) -> float:
    """What the coherence of independent signals exceeds with probability `chance`; 1 at most.

    Source: 1 - P^(1/(n-1)) (Goodman 1957; Carter, Knapp & Nuttall 1973).
    """
    return 1.0 if averages <= 1 else float(1 - chance ** (1 / (averages - 1)))


def chance_of(coherence: Array, averages: float) -> Array:
    """Probability that independent signals show at least this coherence: (1 - γ²)^(n-1)."""
    return np.asarray((1 - coherence) ** max(averages - 1, 0.0))


def magnitude_squared(cross: Complex, first: Array, second: Array) -> Array:
    """|S_xy|² / (S_xx S_yy), between 0 and 1; 0 where one of them has nothing."""
    power = first * second
    safe = np.where(power > 0, power, 1.0)
    return np.asarray(np.where(power > 0, np.clip(np.abs(cross) ** 2 / safe, 0.0, 1.0), 0.0))


def unbiased(coherence: Array, averages: float) -> Array:
    """Estimate whose mean is the true coherence; below zero by chance where that is small.

    Source: Olkin & Pratt 1958 (Annals of Mathematical Statistics 29, 201-211) for the squared
    multiple correlation, with twice the degrees of freedom, which complex values have:
    1 - (1 - γ²) 2F1(1, 1; n; 1 - γ²). Its first terms are γ² - (1 - γ²)² / n.
    """
    from scipy.special import hyp2f1

    # At γ² = 0 with n <= 2 the series diverges: nothing is known there.
    rest = np.clip(1 - coherence, 0.0, 1 - 1e-12)
    return np.asarray(1 - rest * hyp2f1(1.0, 1.0, max(averages, FEWEST_AVERAGES), rest))


def coherent_share(coherence: Array, averages: float) -> Array:
    """Share of the second signal's power that follows the first, free of what chance adds.

    Chance makes one part in n of what does not follow seem to; of a fit with one complex
    coefficient the rest keeps n - 1 of n parts. Source: unbiased residual variance of a
    regression (Bendat & Piersol, Random Data, ch. 9, for its scatter).
    """
    return np.asarray(1 - (1 - coherence) * averages / max(averages - 1, 1e-9))


def limits(coherence: Array, averages: float, level: float = LEVEL) -> tuple[Array, Array]:
    """Exact lower and upper confidence limits of the true coherence, by equal tails.

    An estimate below 1/n, which chance alone gives in the mean, ends as high as 1/n does: it would
    else leave no truth at all.

    A truth γ² makes the estimate a mixture of Beta(1 + k, n - 1) with k of a negative binomial
    distribution of n and γ² (Goodman 1957; Carter, Knapp & Nuttall 1973, IEEE Trans. Audio
    Electroacoustics 21, 337-344: the density with 2F1(n, n; 1; ·), term by term).
    """
    if averages < FEWEST_AVERAGES:
        return np.zeros_like(coherence), np.ones_like(coherence)
    truth, below, above = _quantiles(float(averages), float(level))
    with np.errstate(divide="ignore"):
        seen = np.arctanh(np.sqrt(np.clip(coherence, 0.0, 1.0)))
    low = _inverted(seen, truth, above)
    high = _inverted(np.maximum(seen, np.arctanh(averages**-0.5)), truth, below)
    return np.tanh(low) ** 2, np.tanh(high) ** 2


def _inverted(seen: Array, truth: Array, quantile: Array) -> Array:
    """The truth whose quantile is what was seen; 0 where none is as low.

    Distances are interpolated, which change little; beyond the grid they stay.
    """
    distance = np.interp(seen, quantile, truth - quantile)
    with np.errstate(invalid="ignore"):
        found = np.where(np.isinf(seen), seen, seen + distance)
    return np.asarray(np.where(seen < quantile[0], 0.0, np.maximum(found, 0.0)))


@lru_cache(maxsize=16)
def _quantiles(averages: float, level: float) -> tuple[Array, Array, Array]:
    """Grid of truths, and the estimate's lower and upper quantile for each; atanh of roots."""
    scatter = 1 / np.sqrt(2 * averages)
    near = np.linspace(0, NEAR_ZERO * scatter, NEAR_STEPS)
    far = np.geomspace(near[-1], max(HIGHEST, 2 * near[-1]), HIGH_STEPS)[1:]
    truth = np.concatenate([near, far])
    k, weights = _mixture(averages, np.tanh(truth) ** 2)
    tail = (1 - level) / 2
    below, above = (_quantile(k, weights, averages, truth, part) for part in (tail, 1 - tail))
    return truth, below, above


def _mixture(averages: float, truth: Array) -> tuple[Array, Array]:
    """Places k and their weights, ``(n_truths, TERMS)``, of the negative binomial distribution."""
    from scipy.special import gammaln, xlogy

    odds = (truth / (1 - truth))[:, None]
    mean = averages * odds
    deviation = np.sqrt(averages * truth[:, None]) / (1 - truth[:, None])
    end = mean + DEVIATIONS * deviation + TAIL * (1 + odds)
    start = np.maximum(mean - DEVIATIONS * deviation, -0.5)
    place, gauss = np.polynomial.legendre.leggauss(TERMS)
    is_sum = end < TERMS
    k = np.where(is_sum, np.arange(TERMS), start + (end - start) * (place + 1) / 2)
    density = (
        gammaln(averages + k) - gammaln(averages) - gammaln(k + 1) + xlogy(k, truth[:, None])
    ) + averages * np.log1p(-truth[:, None])
    weights = np.exp(density) * np.where(is_sum, 1.0, gauss)
    return k, weights / weights.sum(axis=1, keepdims=True)


def _quantile(k: Array, weights: Array, averages: float, truth: Array, part: float) -> Array:
    """Quantile of the mixtures as atanh of the root, ``(n_truths,)``.

    Newton's steps on the normal scale, on which the distribution is nearly straight.
    """
    from scipy.special import betainc, gammaln, ndtri, xlog1py, xlogy

    wanted = ndtri(part)
    norm = gammaln(averages + k) - gammaln(k + 1) - gammaln(averages - 1)
    seen = np.maximum(truth + wanted / np.sqrt(2 * averages), 0.3 / np.sqrt(2 * averages))
    for _ in range(NEWTON_STEPS):
        square = np.tanh(seen)[:, None] ** 2
        below = (weights * betainc(1 + k, averages - 1, square)).sum(axis=1)
        density = np.exp(norm + xlogy(k, square) + xlog1py(averages - 2, -square))
        slope = (weights * density).sum(axis=1) * 2 * np.tanh(seen) / np.cosh(seen) ** 2
        at = ndtri(np.clip(below, 1e-300, 1 - 1e-16))
        step = (at - wanted) * np.exp(-(at**2) / 2) / np.sqrt(2 * np.pi) / np.maximum(slope, 1e-300)
        following = np.maximum(seen - np.clip(step, -1.0, 1.0), seen / 3)
        done = np.abs(following - seen).max() < NEWTON_TOLERANCE
        seen = following
        if done:
            break
    return np.asarray(seen)


@dataclass(frozen=True)
class Transfer:
    """Frequency response from a first signal to a second, at each bin; arrays of one shape."""

    gain: Array  # |H1|, units of the second over those of the first
    gain_low: Array
    gain_high: Array
    phase_rad: Array  # of the second against the first; below zero where it lags
    phase_half_rad: Array  # half of the interval; NaN where every phase is possible


def transfer(cross: Complex, first: Array, coherence: Array, averages: float) -> Transfer:
    """H1 = S_xy / S_xx with intervals of gain and phase, each by itself.

    Given the first signal, each part of the complex H1 is normal about the truth with variance
    (1 - γ²) / (2 (n - 1) γ²) of |H1|², estimated with 2n - 2 degrees of freedom: hence Student's t
    along H1, and its arcsine across it (Bendat & Piersol, Random Data, ch. 9, whose region for
    both together has 2 F_{2, 2n-2} in place of t²). Noise in the first signal makes H1 too small.

    Parameters
    ----------
    cross : E[Y conj(X)], first X and second Y
    first : PSD of X
    """
    reach = relative_error(coherence, averages) * _student(averages)
    gain = np.abs(cross) / np.where(first > 0, first, np.inf)
    with np.errstate(invalid="ignore"):
        known = reach < 1
    half = np.full(np.shape(coherence), np.nan)
    half[known] = np.arcsin(reach[known])
    with np.errstate(invalid="ignore"):
        spread = np.where(gain > 0, gain * reach, 0.0)
    return Transfer(gain, np.maximum(gain - spread, 0.0), gain + spread, np.angle(cross), half)


def relative_error(coherence: Array, averages: float) -> Array:
    """Standard error of the phase in radians, and of the gain over the gain."""
    with np.errstate(divide="ignore"):
        ratio = (1 - coherence) / coherence
    return np.asarray(np.sqrt(ratio / (2 * max(averages - 1, 1e-9))))


def _student(averages: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(max(2 * averages - 2, 1e-3), 0.5 + LEVEL / 2))


def power_share(second: Array, coherence: Array, averages: float) -> Interval:
    """Share of the second signal's power over some bins that follows the first.

    Its scatter is that of a regression's two parts, which are independent: a coherent density A
    beside a rest B has the variance (A² + 2AB + B²/(n - 1)) / n, the rest B²/n; neighbouring bins
    are correlated (`HANN_BIN_INFORMATION`).

    Parameters
    ----------
    second : PSD of the second signal in neighbouring bins
    """
    part = second * coherent_share(coherence, averages)
    total = float(second.sum())
    if not total > 0:
        return Interval(0.0, 0.0, 1.0)
    value = float(part.sum()) / total
    rest, follows = second - part, np.maximum(part, 0.0)
    own = (follows**2 + 2 * follows * rest + rest**2 / max(averages - 1, 1.0)).sum()
    scatter = (1 - value) ** 2 * own + value**2 * (rest**2).sum()
    variance = float(scatter) / (averages * HANN_BIN_INFORMATION * total**2)
    half = NORMAL_HALF_WIDTH * variance**0.5
    value = min(max(value, 0.0), 1.0)
    return Interval(value, max(value - half, 0.0), min(value + half, 1.0))
