"""The delay between two signals, from the slope of their phase where they are coherent."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray

from buffet.interval import NORMAL_HALF_WIDTH, Interval
from buffet.spectral.coherence import relative_error, unbiased
from buffet.spectral.window import HANN_BIN_INFORMATION, HANN_DEVIANCE_CORRELATION

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# With fewer coherent bins a slope is a guess (engineering judgement).
FEWEST_BINS = 4
# Delays are looked for up to this share of a segment: beyond it the segments hardly overlap.
WIDEST_SHARE = 0.25
# Steps of the first search in the shortest period.
STEPS_A_PERIOD = 8
REFINEMENTS = 8
# Bins this far from the fit, in standard errors, are set aside, if no more than such a share: lines
# of mains and fans have a phase of their own and are very coherent (engineering judgement).
SET_ASIDE, SET_ASIDE_SHARE = 4.0, 0.2
# One delay is refused where phases scatter about it more than chance lets once in a thousand: the
# test assumes more than it knows, and the reader looks at many pairs.
REFUSED_BELOW = 0.001
# Likelihood-ratio bound within which another delay fits as well, χ² with one degree of freedom.
RIVAL_WITHIN = 3.84
# Neighbours over which coherence is averaged for the spread of a phase: a bin chosen because its
# coherence is high has less than it shows (simulated at a coherence of 0.07: without it a delay is
# refused in 6 % of records).
NEIGHBOURS = 5
# The spread of a phase is never taken below this, which window and rounding leave.
SMALLEST_PHASE_ERROR_RAD = 1e-4


@dataclass(frozen=True)
class Delay:
    """How much later the second signal follows the first, the same at all frequencies."""

    delay_s: Interval | None  # below zero where the second leads
    why: str | None  # why there is none
    is_opposite: bool  # the second moves against the first
    n_bins: int  # coherent bins that the phase was looked at in, without those set aside
    p_value: float | None  # that phases scatter this much about one delay
    coherence_kept: float  # share of the coherence that the delay leaves within a segment

    @classmethod
    def none(cls, why: str, n_bins: int, p_value: float | None = None) -> Delay:
        """That there is none."""
        return cls(None, why, False, n_bins, p_value, 1.0)


def hann_overlap(share: float) -> float:
    """Autocorrelation of the Hann window at a lag, as a share of its length.

    With x = |share|: (1 - x) (2/3 + cos(2πx) / 3) + sin(2πx) / (2π), from the integral of the
    window times itself shifted. Signals delayed by that share of a segment lose its square of
    their coherence (Carter 1980, IEEE Trans. ASSP 28, 97-99, on misalignment).
    """
    x = min(abs(share), 1.0)
    turn = 2 * pi * x
    return float((1 - x) * (2 + np.cos(turn)) / 3 + np.sin(turn) / (2 * pi))


def delay(
    cross: Complex,
    coherence: Array,
    frequency_hz: Array,
    averages: float,
    coherent_above: float,
) -> Delay:
    """Delay of the second signal behind the first, where one describes their phase.

    The phase is 0 or π, since a suction may act against the force that it makes, less 2πf times
    the delay. Found without unwrapping: the largest |Σ w cos(φ + 2πfτ)| over a grid of delays, then
    least squares about it, in which bins far off are set aside. Neighbouring bins are correlated,
    which widens the interval by 1/√`HANN_BIN_INFORMATION`.

    Parameters
    ----------
    cross : E[Y conj(X)] of first X and second Y, on `frequency_hz`, evenly spaced, above zero
    coherent_above : bins with a larger coherence are used
    """
    used = coherence > coherent_above
    n = int(used.sum())
    if n < FEWEST_BINS:
        why = "nothing is coherent" if n == 0 else f"only {n} of the bins are coherent"
        return Delay.none(why, n)
    phase, turn = np.angle(cross[used]), 2 * pi * frequency_hz[used]
    error = relative_error(_cautious(coherence, averages)[used], averages)
    error = np.maximum(error, SMALLEST_PHASE_ERROR_RAD)
    weight = error**-2.0
    segment_s = 1 / float(frequency_hz[1] - frequency_hz[0])
    grid, score = _search(phase, turn, weight, segment_s)
    fits = _refined(phase, turn, weight, grid, score)
    return _judged(fits, turn, weight, segment_s)


def _cautious(coherence: Array, averages: float) -> Array:
    """What the bins and their neighbours show without bias, and no less than chance does."""
    own = unbiased(coherence, averages)
    mean = np.convolve(own, np.full(NEIGHBOURS, 1 / NEIGHBOURS), mode="same")
    return np.maximum(np.minimum(own, mean), 1 / averages)


@dataclass(frozen=True)
class _Fit:
    delay_s: float
    sign: float
    kept: NDArray[np.bool_]  # bins not set aside
    squares: float  # weighted squares of the phases about it; those set aside count as their bound


def _search(phase: Array, turn: Array, weight: Array, segment_s: float) -> tuple[Array, Array]:
    """Delays and how well each fits: Σ w cos(φ + 2πfτ), below zero where opposite."""
    step = 2 * pi / float(turn.max()) / STEPS_A_PERIOD
    reach = max(1, int(WIDEST_SHARE * segment_s / step))
    grid = np.asarray(step * np.arange(-reach, reach + 1), float)
    even = np.minimum(weight, np.median(weight))  # no line decides alone
    score = np.cos(np.outer(grid, turn) + phase) @ even
    return grid, np.asarray(score)


def _refined(phase: Array, turn: Array, weight: Array, grid: Array, score: Array) -> list[_Fit]:
    """The best delay and the best of those beside it, each by least squares; best first."""
    height = np.abs(score)
    edges = np.concatenate([[0.0], height, [0.0]])
    peaks = np.flatnonzero((height >= edges[:-2]) & (height > edges[2:]))
    peaks = peaks[np.argsort(-height[peaks])][:3]
    fits = [_least_squares(phase, turn, weight, grid[p], np.sign(score[p])) for p in peaks]
    return sorted(fits, key=lambda fit: fit.squares)


def _least_squares(phase: Array, turn: Array, weight: Array, start: float, sign: float) -> _Fit:
    turned = np.exp(1j * phase) * sign
    at = float(start)
    kept = np.ones(len(turn), bool)
    for _ in range(REFINEMENTS):
        rest = np.angle(turned * np.exp(1j * turn * at))
        kept = weight * rest**2 < SET_ASIDE**2
        if kept.mean() < 1 - SET_ASIDE_SHARE:
            kept = np.ones(len(turn), bool)
        own = weight * kept
        at -= float((own * turn * rest).sum() / (own * turn**2).sum())
    rest = np.angle(turned * np.exp(1j * turn * at))
    squares = np.where(kept, weight * rest**2, SET_ASIDE**2)
    return _Fit(at, float(sign), kept, float(squares.sum()))


def _judged(fits: list[_Fit], turn: Array, weight: Array, segment_s: float) -> Delay:
    """The best fit, unless phases scatter too much about it or another fits as well."""
    from scipy.special import chdtrc

    best = fits[0]
    kept, n = best.kept, int(best.kept.sum())
    squares = best.squares - SET_ASIDE**2 * float((~kept).sum())
    # Squares of correlated bins: the same mean, a larger scatter, hence fewer degrees of freedom.
    freedom = (n - 1) / HANN_DEVIANCE_CORRELATION
    p_value = float(chdtrc(freedom, squares * freedom / (n - 1)))
    if p_value < REFUSED_BELOW:
        return Delay.none("the phase is not that of one delay", n, p_value)
    distinct = [one for one in fits[1:] if abs(one.delay_s - best.delay_s) * turn.max() > 0.5]
    rivals = [
        one
        for one in distinct
        if (one.squares - best.squares) * HANN_BIN_INFORMATION < RIVAL_WITHIN
    ]
    if rivals:
        told = " and ".join(f"{1e3 * fit.delay_s:.3g} ms" for fit in (best, rivals[0]))
        return Delay.none(f"several fit alike ({told}): the coherent band is narrow", n, p_value)
    inflation = max(1.0, squares / (n - 1))
    variance = inflation / (float((weight * turn**2)[kept].sum()) * HANN_BIN_INFORMATION)
    half = NORMAL_HALF_WIDTH * variance**0.5
    value = Interval(best.delay_s, best.delay_s - half, best.delay_s + half)
    remains = hann_overlap(best.delay_s / segment_s) ** 2
    return Delay(value, None, best.sign < 0, n, p_value, remains)
